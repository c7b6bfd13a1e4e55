"""Repeated and nested cross-validation, permutation test and bootstrap of PLS1.

Each of them reuses one Gram matrix, which is what makes them cheap.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calib.errors import DataError
from calib.regress import pls_core, pls_gram
from calib.regress.pls_components import Rule, choose_components
from calib.regress.pls_fit import fit_responses, rows_dot_spectra, training_rows
from calib.regress.pls_validation import (
    check_responses,
    check_spectra,
    cross_validate,
    cross_validated_mean,
)

Floats = NDArray[np.float64]
Dealer = Callable[[NDArray[Any], int, int], NDArray[np.intp]]

# Bootstrap draws taken together, in bytes of scores.
_WORKING_SET = 24_000_000


def deal_groups(groups: ArrayLike, n_folds: int, seed: int = 0) -> NDArray[np.intp]:
    """Deal whole groups to folds at random, as evenly as their number allows.

    Parameters
    ----------
    groups : array-like (n,)
        Standard or family of each row.
    n_folds : int
        Number of folds, from 2 to the number of groups.
    seed : int, default 0
        Seed of the deal.

    Returns
    -------
    array (n,) of int
        Fold of each row, 0 … n_folds − 1.

    Raises
    ------
    DataError
        Fewer than 2 folds, or more folds than groups.

    Examples
    --------
    >>> sorted(deal_groups(["a", "a", "b", "c"], 3).tolist()[1:])
    [0, 1, 2]
    """
    names, code = np.unique(np.asarray(groups), return_inverse=True)
    if not 2 <= n_folds <= len(names):
        raise DataError(f"n_folds: {n_folds}, needs 2 to {len(names)}, the number of groups")
    place = np.arange(len(names)) % n_folds
    fold: NDArray[np.intp] = np.random.default_rng(seed).permutation(place)[code]
    return fold


@dataclass(frozen=True)
class Dealing:
    """How whole groups are dealt to folds.

    Attributes
    ----------
    n_folds : int, default 10
        Folds; the outer ones where folds are nested.
    n_inner_folds : int, default 5
        Folds inside each outer training set.
    n_repeats : int, default 5
        Deals of a repeated cross-validation; repeat r has seed + r.
    seed : int, default 0
        Seed of the first deal; deals inside outer fold k have seed + 1 + k.
    deal : callable, default `deal_groups`
        (groups, n_folds, seed) → fold labels.
    """

    n_folds: int = 10
    n_inner_folds: int = 5
    n_repeats: int = 5
    seed: int = 0
    deal: Dealer = deal_groups


_DEALING = Dealing()


@dataclass(frozen=True)
class Repeated:
    """Cross-validation repeated over deals of the folds.

    Attributes
    ----------
    predictions : array (repeats, max_components, n, m)
        As `cross_validate`, once a repeat.
    baseline : array (repeats, n, m)
        As `cross_validated_mean`, once a repeat.
    folds : array (repeats, n) of int
        The folds used.
    """

    predictions: Floats
    baseline: Floats
    folds: NDArray[np.intp]


def _shared_gram(X: Any, scale: bool) -> Any:
    """Return the Gram matrix all resamples share, or None where none is used."""
    X = check_spectra(X)
    return pls_gram.gram_matrix(X) if X.shape[1] >= X.shape[0] and not scale else None


def repeated_cross_validate(
    X: Any,
    Y: Any,
    groups: ArrayLike,
    max_components: int,
    *,
    dealing: Dealing = _DEALING,
    scale: bool = False,
    sample_weight: ArrayLike | None = None,
) -> Repeated:
    """Cross-validate over several deals of whole groups to folds.

    Parameters
    ----------
    X, Y, max_components, scale, sample_weight
        As `cross_validate`.
    groups : array-like (n,)
        Standard or family of each row; a fold never separates one.
    dealing : Dealing, optional
        Number of folds and repeats, and the seed.

    Returns
    -------
    Repeated
        Predictions, baselines and folds of every repeat.

    Raises
    ------
    DataError
        As `cross_validate` and `deal_groups`.
    """
    if dealing.n_repeats < 1:
        raise DataError(f"dealing: n_repeats {dealing.n_repeats}, needs at least 1")
    labels = np.asarray(groups)
    seeds = range(dealing.seed, dealing.seed + dealing.n_repeats)
    folds = np.stack([dealing.deal(labels, dealing.n_folds, seed) for seed in seeds])
    gram = _shared_gram(X, scale)
    predictions, baseline = [], []
    for fold in folds:
        path = cross_validate(
            X, Y, fold, max_components, scale, sample_weight=sample_weight, gram=gram
        )
        predictions.append(np.asarray(path))
        baseline.append(cross_validated_mean(Y, fold, sample_weight=sample_weight))
    return Repeated(np.stack(predictions), np.stack(baseline), folds)


@dataclass(frozen=True)
class Nested:
    """Nested cross-validation: the whole procedure, component choice included.

    Attributes
    ----------
    predictions : array (n, m)
        Each row predicted by models whose training and component choice never saw it.
    n_components : array (n_folds, m) of int
        Components chosen for each outer fold; 0 is the mean of the training rows.
    folds : array (n,) of int
        The outer folds.
    """

    predictions: Floats
    n_components: NDArray[np.intp]
    folds: NDArray[np.intp]


def nested_cross_validate(
    X: Any,
    Y: Any,
    groups: ArrayLike,
    max_components: int,
    *,
    dealing: Dealing = _DEALING,
    rule: Rule = "one-standard-error",
    scale: bool = False,
    sample_weight: ArrayLike | None = None,
) -> Nested:
    """Estimate the error of the whole procedure, choice of components included.

    Parameters
    ----------
    X, Y, max_components, scale, sample_weight
        As `cross_validate`; every inner training set must carry ``max_components``.
    groups : array-like (n,)
        Standard or family of each row; no outer or inner fold separates one.
    dealing : Dealing, optional
        Number of outer and inner folds, and the seed.
    rule : str
        As `choose_components`.

    Returns
    -------
    Nested
        Predictions, chosen counts and outer folds.

    Raises
    ------
    DataError
        As `cross_validate`, `choose_components` and `deal_groups`.
    """
    labels = np.asarray(groups)
    outer = np.asarray(dealing.deal(labels, dealing.n_folds, dealing.seed))
    gram = _shared_gram(X, scale)
    checked = check_responses(len(labels), Y, outer, sample_weight)
    values = np.where(checked.certified, checked.value, np.nan)
    options: dict[str, Any] = {"scale": scale, "gram": gram}
    path = np.asarray(
        cross_validate(X, values, outer, max_components, sample_weight=checked.weight, **options)
    )
    start = cross_validated_mean(values, outer, sample_weight=checked.weight)
    full = np.concatenate([start[None], path])
    predictions = np.empty_like(values)
    chosen = np.empty((checked.n_folds, checked.m), dtype=np.intp)
    for fold in range(checked.n_folds):
        held = checked.fold == fold
        # Rows held out have weight 0 here: they train nothing, whatever their label.
        inner = np.zeros(len(labels), dtype=np.intp)
        seed = dealing.seed + 1 + fold
        inner[~held] = dealing.deal(labels[~held], dealing.n_inner_folds, seed)
        weight = np.where(held, 0.0, checked.weight)
        inside = np.asarray(
            cross_validate(X, values, inner, max_components, sample_weight=weight, **options)
        )
        mean = cross_validated_mean(values, inner, sample_weight=weight)
        for j in range(checked.m):
            known = ~held & checked.certified[:, j]
            count = choose_components(
                inside[:, known, j],
                values[known, j],
                labels[known],
                rule,
                baseline=mean[known, j],
                seed=seed,
            ).n_components
            chosen[fold, j] = count
            predictions[held, j] = full[count, held, j]
    return Nested(predictions, chosen, outer)


@dataclass(frozen=True)
class PermutationTest:
    """Cross-validated error against that of shuffled values.

    Attributes
    ----------
    rmsecv : array (m,)
        Smallest RMSECV over 1 … max_components components, unit of each analyte.
    permuted : array (n_permutations, m)
        The same after the certified values were dealt anew among the standards.
    p_value : array (m,)
        Share of permutations, the identity counted as one, that do as well.
    """

    rmsecv: Floats
    permuted: Floats
    p_value: Floats


def permutation_test(
    X: Any,
    Y: Any,
    folds: ArrayLike,
    max_components: int,
    groups: ArrayLike | None = None,
    *,
    n_permutations: int = 1000,
    scale: bool = False,
    seed: int = 0,
) -> PermutationTest:
    """Compare the cross-validated error with that of values shuffled among standards.

    Parameters
    ----------
    X, Y, folds, max_components, scale
        As `cross_validate`.
    groups : array-like (n,), optional
        Standard of each row; values move between whole standards, so Y must be constant
        within each.  Default: every row is its own.
    n_permutations : int, default 1000
        Shuffles.
    seed : int, default 0
        Seed of the shuffles.

    Returns
    -------
    PermutationTest
        Observed and shuffled errors, and p values.

    Raises
    ------
    DataError
        As `cross_validate`; and a standard whose rows carry different values.

    Notes
    -----
    The smallest error over the component counts is taken for the shuffled values too, so
    the choice of the count does not flatter.  p = (1 + as good) / (1 + n_permutations):
    Phipson & Smyth (2010, doi:10.2202/1544-6115.1585).
    """
    X = check_spectra(X)
    n = X.shape[0]
    checked = check_responses(n, Y, folds)
    values = np.where(checked.certified, checked.value, np.nan)
    labels = np.arange(n) if groups is None else np.asarray(groups)
    if labels.shape != (n,):
        raise DataError(f"groups: shape {labels.shape}, needs one label for each of {n} rows")
    names, first, code = np.unique(labels, return_index=True, return_inverse=True)
    of_standard = values[first]
    differs = ~np.isclose(values, of_standard[code], rtol=1e-12, atol=0, equal_nan=True)
    if differs.any():
        row, column = np.argwhere(differs)[0]
        raise DataError(
            f"groups: standard {names[code[row]]} has values {of_standard[code[row], column]} "
            f"and {values[row, column]} in column {column} of Y, needs one value a standard"
        )
    gram = _shared_gram(X, scale)

    def smallest(table: Floats) -> Floats:
        path = np.asarray(cross_validate(X, table, folds, max_components, scale, gram=gram))
        result: Floats = np.sqrt(np.nanmin(np.nanmean((path - table) ** 2, axis=1), axis=0))
        return result

    observed = smallest(values)
    generator = np.random.default_rng(seed)
    permuted = np.empty((n_permutations, checked.m))
    for k in range(n_permutations):
        shuffled = np.full_like(of_standard, np.nan)
        for j in range(checked.m):
            known = np.flatnonzero(~np.isnan(of_standard[:, j]))
            shuffled[known, j] = of_standard[generator.permutation(known), j]
        permuted[k] = smallest(shuffled[code])
    as_good = (permuted <= observed).sum(axis=0)
    return PermutationTest(observed, permuted, (1 + as_good) / (1 + n_permutations))


@dataclass(frozen=True)
class CoefficientBootstrap:
    """Spread of the coefficients over resampled standards.

    Attributes
    ----------
    mean, standard_error, low, high : array (m, p)
        Mean, standard deviation and the quantiles asked for, unit of Y per unit of X.
    n_draws : int
        Resamples.
    """

    mean: Floats
    standard_error: Floats
    low: Floats
    high: Floats
    n_draws: int


def bootstrap_coefficients(
    X: Any,
    Y: Any,
    groups: ArrayLike,
    n_components: int,
    *,
    n_draws: int = 200,
    scale: bool = False,
    coverage: float = 0.9,
    seed: int = 0,
) -> CoefficientBootstrap:
    """Refit on standards drawn with replacement and summarise the coefficients.

    Parameters
    ----------
    X : array-like (n, p)
        Spectra.
    Y : array-like (n,) or (n, m)
        Certified values; NaN where not certified.
    groups : array-like (n,)
        Standard of each row; drawn whole.
    n_components : int
        Components of every refit; a draw with a lower rank stops there.
    n_draws : int, default 200
        Resamples.
    scale : bool, default False
        As `PLS`.
    coverage : float, default 0.9
        Share of the draws between ``low`` and ``high``.
    seed : int, default 0
        Seed of the draws.

    Returns
    -------
    CoefficientBootstrap
        Mean, standard error and percentile interval of each coefficient (Efron &
        Tibshirani 1993, An Introduction to the Bootstrap, §13.3).

    Raises
    ------
    DataError
        Lengths that differ, fewer than three standards with a certified value, a
        coverage outside (0, 1), or fewer than two draws.
    """
    X = np.asarray(check_spectra(X))
    n = X.shape[0]
    values = np.asarray(Y, dtype=np.float64)
    values = values[:, None] if values.ndim == 1 else values
    labels = np.asarray(groups)
    if values.shape[0] != n or labels.shape != (n,):
        raise DataError(f"Y: {values.shape[0]} rows, groups: {labels.shape}, needs {n} as X has")
    if not 0 < coverage < 1 or n_draws < 2:
        raise DataError(f"coverage: {coverage}, n_draws: {n_draws}, needs (0, 1) and at least 2")
    gram = _shared_gram(X, scale)
    generator = np.random.default_rng(seed)
    parts = []
    tail = 50 * (1 - coverage)
    for j in range(values.shape[1]):
        known = ~np.isnan(values[:, j])
        names, code = np.unique(labels[known], return_inverse=True)
        if len(names) < 3:
            raise DataError(
                f"groups: {len(names)} standard(s) with a value in column {j} of Y, needs 3"
            )
        weight = np.zeros((n_draws, n))
        weight[:, known] = _draw_counts(len(names), n_draws, generator)[:, code]
        y = np.where(known, values[:, j], 0.0)
        coef = _drawn_coefficients(X, y, weight, n_components, scale, gram)
        low, high = np.percentile(coef, [tail, 100 - tail], axis=0)
        parts.append((coef.mean(axis=0), coef.std(axis=0, ddof=1), low, high))
    mean, error, lows, highs = (np.stack(part) for part in zip(*parts, strict=True))
    return CoefficientBootstrap(mean, error, lows, highs, n_draws)


def _draw_counts(standards: int, n_draws: int, generator: np.random.Generator) -> Floats:
    """Return how often each draw takes each standard; at least two differ in a draw."""
    counts = np.empty((n_draws, standards))
    for k in range(n_draws):
        while True:
            drawn = np.bincount(generator.integers(0, standards, standards), minlength=standards)
            if (drawn > 0).sum() >= 2:
                break
        counts[k] = drawn
    return counts


def _drawn_coefficients(
    X: NDArray[Any],
    y: Floats,
    weight: Floats,
    n_components: int,
    scale: bool,
    gram: Any,
) -> Floats:
    """Return coefficients (draws, p) of one analyte for weighted rows."""
    draws, n = weight.shape
    if gram is None:
        coef = [
            fit_responses(X, y[None], training_rows(X, w, scale), n_components)[0].coef_path[-1]
            for w in weight
        ]
        return np.stack(coef)
    out = np.empty((draws, X.shape[1]))
    at_once = max(1, _WORKING_SET // (16 * n * (n_components + 1)))
    for start in range(0, draws, at_once):
        own = slice(start, start + at_once)
        w = weight[own] / weight[own].max(axis=1, keepdims=True)
        centred = y - ((w @ y) / w.sum(axis=1))[:, None]
        part = pls_core.gram_components(gram, centred, w, n_components, keep=True)
        out[own] = rows_dot_spectra(pls_core.dual_coefficients(part), X)
    return out

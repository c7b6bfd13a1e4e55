"""How many components: from cross-validated errors that are grouped by standard."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Literal, get_args

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calib.errors import DataError

Floats = NDArray[np.float64]

Rule = Literal["minimum", "one-standard-error", "randomisation"]

# Sign patterns are all tried where there are no more than this many standards.
_EXACT_STANDARDS = 12


@dataclass(frozen=True)
class Choice:
    """A component count and the errors it was chosen by.

    Attributes
    ----------
    n_components : int
        The count chosen; 0 means that no model beat the mean of the training rows.
    rmsecv : array (max_components + 1,)
        Root mean square error of cross-validation with 0 … max_components components,
        unit of the analyte; entry 0 is NaN without a baseline.
    standard_error : array (max_components + 1,)
        Standard error of ``rmsecv``, from the spread between standards.
    p_value : array (max_components + 1,)
        Rule ``randomisation``: how likely an error this much above the smallest is by
        chance; NaN beyond the smallest, and for the other rules.
    rule : str
        The rule used.
    """

    n_components: int
    rmsecv: Floats
    standard_error: Floats
    p_value: Floats = field(repr=False)
    rule: Rule


def choose_components(
    predictions: ArrayLike,
    y: ArrayLike,
    groups: ArrayLike,
    rule: Rule = "one-standard-error",
    *,
    baseline: ArrayLike | None = None,
    significance: float = 0.01,
    n_draws: int = 999,
    seed: int = 0,
) -> Choice:
    """Choose the component count of one analyte.

    Parameters
    ----------
    predictions : array-like (max_components, n)
        Out-of-fold predictions with 1 … max_components components, as one analyte of
        `cross_validate`.
    y : array-like (n,)
        Certified values, same unit; NaN where not certified.
    groups : array-like (n,)
        Standard (or family) of each row; errors of one standard are taken together.
    rule : {"minimum", "one-standard-error", "randomisation"}
        ``minimum``: the smallest error.  ``one-standard-error``: the fewest components
        with a mean square error at most one standard error above the smallest.
        ``randomisation``: the fewest components whose error is not significantly above
        the smallest.
    baseline : array-like (n,), optional
        Prediction with no component, as `cross_validated_mean`.  Without it, 0 is never
        chosen.
    significance : float, default 0.01
        Level of the randomisation test.
    n_draws : int, default 999
        Sign patterns drawn for the randomisation test; all patterns where there are 12
        standards or fewer.
    seed : int, default 0
        Seed of the draws.

    Returns
    -------
    Choice
        Count, errors and standard errors for 0 … max_components components.

    Raises
    ------
    DataError
        (A ValueError.)  Shapes that differ, an unknown rule, or fewer than two standards
        with a certified value.

    Notes
    -----
    One-standard-error rule: Breiman et al. (1984), Classification and Regression Trees,
    §3.4.3.  Randomisation test: van der Voet (1994, Chemom. Intell. Lab. Syst. 25:313,
    doi:10.1016/0169-7439(94)85050-X), with one sign for each standard.

    Examples
    --------
    >>> y = np.arange(6.0)
    >>> choose_components([y + 1, y + 0.5], y, range(6), baseline=np.full(6, 2.5)).n_components
    2
    """
    if rule not in get_args(Rule):
        raise DataError(f"rule: {rule!r}, needs one of {', '.join(get_args(Rule))}")
    square, groups_of = _square_errors(predictions, y, groups, baseline)
    count, sums, sizes = _by_group(square, groups_of)
    mean_square = sums.sum(axis=1) / sizes.sum()
    spread = sums - mean_square[:, None] * sizes
    error = np.sqrt(count / (count - 1) * (spread**2).sum(axis=1)) / sizes.sum()
    best = int(np.nanargmin(mean_square))
    p_value = np.full(len(mean_square), np.nan)
    if rule == "minimum":
        chosen = best
    elif rule == "one-standard-error":
        chosen = int(np.argmax(mean_square <= mean_square[best] + error[best]))
    else:
        generator = np.random.default_rng(seed)
        signs = _signs(count, n_draws, generator)
        for a in range(best + 1):
            p_value[a] = _sign_test(sums[a] - sums[best], signs)
        chosen = int(np.argmax(p_value > significance))
    root = np.sqrt(mean_square)
    with np.errstate(invalid="ignore"):
        root_error = np.where(root > 0, error / (2 * np.where(root > 0, root, 1.0)), 0.0)
    root_error[np.isnan(root)] = np.nan
    return Choice(chosen, root, root_error, p_value, rule)


def randomisation_test(
    errors: ArrayLike,
    reference_errors: ArrayLike,
    groups: ArrayLike,
    *,
    n_draws: int = 999,
    seed: int = 0,
) -> float:
    """Test whether one model's squared errors are larger than another's.

    Parameters
    ----------
    errors, reference_errors : array-like (n,)
        Residuals of the two models on the same rows.
    groups : array-like (n,)
        Standard of each row; one sign is flipped for each standard.
    n_draws : int, default 999
        Sign patterns; all of them where there are 12 standards or fewer.
    seed : int, default 0
        Seed of the draws.

    Returns
    -------
    float
        One-sided p value (van der Voet 1994, doi:10.1016/0169-7439(94)85050-X).

    Raises
    ------
    DataError
        Lengths that differ or fewer than two standards.
    """
    pair = np.stack([np.asarray(errors, float), np.asarray(reference_errors, float)])
    labels = _labels(groups, pair.shape[1])
    count, sums, _ = _by_group(pair**2, labels)
    signs = _signs(count, n_draws, np.random.default_rng(seed))
    return _sign_test(sums[0] - sums[1], signs)


def _square_errors(
    predictions: ArrayLike, y: ArrayLike, groups: ArrayLike, baseline: ArrayLike | None
) -> tuple[Floats, NDArray[Any]]:
    """Return squared errors (components from 0, certified rows) and the rows' groups."""
    values = np.asarray(y, dtype=np.float64)
    path = np.asarray(predictions, dtype=np.float64)
    if values.ndim != 1 or path.ndim != 2 or path.shape[1] != len(values) or not len(path):
        raise DataError(
            f"predictions: shape {path.shape} for y of shape {values.shape}, needs "
            "(max_components, n) and (n,): one analyte at a time"
        )
    labels = _labels(groups, len(values))
    start = np.full(len(values), np.nan) if baseline is None else np.asarray(baseline, float)
    if start.shape != values.shape:
        raise DataError(f"baseline: shape {start.shape}, needs {values.shape} as y has")
    known = ~np.isnan(values)
    square = (np.concatenate([start[None], path])[:, known] - values[known]) ** 2
    return square, labels[known]


def _labels(groups: ArrayLike, n: int) -> NDArray[Any]:
    """Return group labels of n rows, or raise DataError."""
    labels = np.asarray(groups)
    if labels.shape != (n,):
        raise DataError(f"groups: shape {labels.shape}, needs one label for each of {n} rows")
    return labels


def _by_group(square: Floats, labels: NDArray[Any]) -> tuple[int, Floats, Floats]:
    """Return the number of groups, squared errors summed by group, and group sizes."""
    names, code = np.unique(labels, return_inverse=True)
    if len(names) < 2:
        raise DataError(
            f"groups: {len(names)} standard(s) with a certified value, needs at least 2"
        )
    member = np.zeros((len(code), len(names)))
    member[np.arange(len(code)), code] = 1.0
    sums: Floats = square @ member
    return len(names), sums, member.sum(axis=0)


def _signs(count: int, n_draws: int, generator: np.random.Generator) -> Floats:
    """Return sign patterns (patterns, standards); the first keeps every sign."""
    if count <= _EXACT_STANDARDS:
        bits = np.arange(2**count)[:, None] >> np.arange(count) & 1
        exact: Floats = 1.0 - 2.0 * bits.astype(np.float64)
        return exact
    drawn: Floats = generator.integers(0, 2, size=(n_draws, count)).astype(np.float64)
    return np.concatenate([np.ones((1, count)), 1.0 - 2.0 * drawn])


def _sign_test(difference: Floats, signs: Floats) -> float:
    """Return the share of sign patterns that give at least the observed sum."""
    observed = difference.sum()
    slack = 1e-12 * np.abs(difference).sum()
    return float(np.mean(signs @ difference >= observed - slack))

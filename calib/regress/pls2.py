"""PLS2: one set of components for all analytes together.

Each analyte is divided by its standard deviation over the rows that train, so that a major oxide
does not outweigh a trace. A row trains where the analyte to predict is certified; where another is
not, it counts as that one's mean there, and an analyte certified in less than half of these rows
takes no part. One component count serves all analytes: the one that does best on all together.

The components come from the Gram matrix G: with R what is left of the analytes, a component's
direction d among them is the first eigenvector of Rᵀ G R and its score G R d, made orthogonal to
those before. The scores are those of NIPALS (Wold, Sjöström & Eriksson 2001, Chemom. Intell. Lab.
Syst. 58:109, doi 10.1016/S0169-7439(01)00155-1) with deflated X; for the kernel form see Rännar et
al. (1994), J. Chemom. 8:111, doi 10.1002/cem.1180080204.

Options under ``[models.pls2]``: ``max_components`` (default 30: what serves all analytes takes more
than one alone needs) and ``rule`` as for PLS.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Self, get_args

import numpy as np
import scipy.linalg
from numpy.typing import ArrayLike, NDArray
from sklearn.utils.validation import check_array, validate_data

from calib.errors import DataError, SettingsError
from calib.regress.array_model import ArrayModel
from calib.regress.family import Fitted, Problem, Selection, Split, Watch, unwatched
from calib.regress.kernels import standardised
from calib.regress.options import filled, need_one_of, need_whole
from calib.regress.path import least
from calib.regress.pls_components import Rule, choose_components
from calib.regress.pls_core import ROUNDINGS
from calib.regress.pls_gram import gram_matrix
from calib.regress.space import Space
from calib.regress.split_gram import centred, split_gram

Floats = NDArray[np.floating]

ORDER = 10

JOINT = True

DEFAULTS: Mapping[str, Any] = {"max_components": 30, "rule": "one-standard-error"}

_CERTIFIED_SHARE = 0.5
"""Of the rows that train; an analyte certified in fewer takes no part."""


class PLS2(ArrayModel):
    """PLS of one analyte together with others.

    Parameters
    ----------
    n_components : int, default 2

    Examples
    --------
    >>> import numpy as np
    >>> X = np.random.default_rng(0).normal(size=(20, 50))
    >>> PLS2(3).fit(X, X[:, 4], others=X[:, 5:7]).predict(X).shape
    (20,)
    """

    def __init__(self, n_components: int = 2) -> None:
        self.n_components = n_components

    def fit(self, X: ArrayLike, y: ArrayLike, others: ArrayLike | None = None) -> Self:
        """Fit one analyte together with others.

        Parameters
        ----------
        X : array-like of shape (n, channels)
            Spectra.
        y : array-like of shape (n,)
            Certified values of the analyte to predict.
        others : array-like of shape (n, others), optional
            Those of the others, NaN where not certified.

        Returns
        -------
        PLS2
            The fitted estimator itself.

        Raises
        ------
        ValueError
            As `ArrayModel.fit`; or `others` of another length.
        """
        X, y = validate_data(self, X, y, dtype=np.float64, y_numeric=True, ensure_min_samples=2)
        X, Y = np.asarray(X), np.asarray(y, np.float64)[:, None]
        if not isinstance(self.n_components, int | np.integer) or self.n_components < 1:
            raise SettingsError(
                f"PLS2: n_components is {self.n_components!r}, need a whole number ≥ 1"
            )
        if others is not None:
            more = check_array(others, dtype=np.float64, ensure_all_finite="allow-nan")
            if len(more) != len(Y):
                raise DataError(f"others: {len(more)} rows, needs {len(Y)} as X has")
            Y = np.concatenate([Y, more], axis=1)
        all_rows = np.ones(len(Y), dtype=bool)
        own, _ = centred(gram_matrix(X), all_rows)
        responses, mean, spread = _responses(Y, all_rows, 0)
        found = _components(own, own, responses, int(self.n_components))
        coefficients = spread * (found.dual() @ X)
        self.predictor_ = "affine"
        self.arrays_ = {
            "coefficients": coefficients,
            "intercept": np.array([mean - coefficients @ X.mean(axis=0)]),
        }
        return self


def _responses(Y: Floats, trains: NDArray[np.bool_], column: int) -> tuple[Floats, float, float]:
    """Return standardised analytes of the rows that train, the one to predict first.

    Returns
    -------
    responses : ndarray of shape (t, analytes that take part)
    mean, spread : float
        Of the one to predict.
    """
    first, mean, spread = standardised(Y[trains, column])
    found = [first]
    for other in np.delete(Y[trains], column, axis=1).T:
        known = np.isfinite(other)
        if known.mean() >= _CERTIFIED_SHARE:
            values = np.zeros(len(other))
            values[known] = standardised(other[known])[0]
            found.append(values)
    return np.column_stack(found), mean, spread


@dataclass(frozen=True)
class _Components:
    """Components of all analytes together.

    Attributes
    ----------
    scores : ndarray of shape (n, components)
        Of all rows; orthonormal over those that train, 0 where the rank has run out.
    response : ndarray of shape (components,)
        Of the analyte to predict on each score.
    sources : ndarray of shape (components, t)
        R d of each component.
    lower : ndarray of shape (components, components)
        Lower triangular: G R d as sums of scores.
    """

    scores: Floats
    response: Floats
    sources: Floats
    lower: Floats

    def dual(self) -> Floats:
        """Return the coefficients of the analyte in terms of the rows that train, (t,)."""
        live = np.diagonal(self.lower) > 0
        part = self.lower[np.ix_(live, live)]
        inner = scipy.linalg.solve_triangular(part, self.response[live], lower=True, trans="T")
        coefficients: Floats = inner @ self.sources[live]
        return coefficients


def _components(own: Floats, across: Floats, responses: Floats, count: int) -> _Components:
    """Find the components, given the centred Gram matrix of the rows that train.

    ``own`` is (t, t), ``across`` (n, t) has the products of all rows with those.
    """
    left = responses.copy()
    rows, t = across.shape
    basis, scores = np.zeros((count, t)), np.zeros((rows, count))
    sources, lower, response = np.zeros((count, t)), np.zeros((count, count)), np.zeros(count)
    floor = ROUNDINGS * np.finfo(float).eps
    smallest = floor * float(np.linalg.norm(left))
    for a in range(count):
        inner = left.T @ own @ left
        source = left @ np.linalg.eigh(inner)[1][:, -1]
        length = float(np.linalg.norm(source))
        score, image = own @ source, across @ source
        for _ in range(2):  # once more, for what rounding left of the scores before
            taken = basis[:a] @ score
            score = score - taken @ basis[:a]
            image = image - scores[:, :a] @ taken
            lower[a, :a] += taken
        norm = float(np.linalg.norm(score))
        if length <= smallest or norm <= floor * float(np.trace(own)) * length:
            lower[a] = 0.0
            break
        lower[a, a] = norm
        basis[a], scores[:, a], sources[a] = score / norm, image / norm, source
        steps = basis[a] @ left
        response[a] = steps[0]
        left = left - np.outer(basis[a], steps)
    return _Components(scores, response, sources, lower)


def options(given: Mapping[str, Any]) -> dict[str, Any]:
    """Check the options of ``[models.pls2]`` and fill the defaults.

    Raises
    ------
    SettingsError
        If a key is unknown or a value cannot be.
    """
    chosen = filled("pls2", given, DEFAULTS)
    need_whole("pls2", chosen, "max_components")
    need_one_of("pls2", chosen, "rule", get_args(Rule))
    return chosen


def space(options: Mapping[str, Any]) -> Space:
    """Return nothing: an attempt tries every component count."""
    return {}


def attempt(
    problem: Problem,
    column: int,
    options: Mapping[str, Any],
    settings: Mapping[str, Any],
    watch: Watch = unwatched,
) -> Selection:
    """Cross-validate every component count, of all analytes; the watch sees the best so far."""
    most = options["max_components"]
    shape = (most, *problem.folds.shape)

    def predict(analyte: int, seen: Watch) -> Floats:
        out = np.full(shape, np.nan)
        for split in problem.splits(analyte):
            out[:, split.repeat, split.held] = _predict(problem, analyte, split, most)
            seen(out[least(out[:, split.repeat], problem.Y[:, analyte]), split.repeat])
        return out

    own = predict(column, watch)
    key = ("pls2", most, options["rule"], problem.folds.tobytes())
    if key not in problem.memo:
        every = [
            own if analyte == column else predict(analyte, unwatched)
            for analyte in range(problem.Y.shape[1])
        ]
        problem.memo[key] = _count(problem, every, options["rule"])
    count = problem.memo[key]
    return Selection({"n_components": count}, own[count - 1])


def _predict(problem: Problem, column: int, split: Split, most: int) -> Floats:
    """Predict the rows held with every component count, (components, held)."""
    responses, mean, spread = _responses(problem.Y, split.trains, column)
    own, across = centred(split_gram(problem, split), split.trains)
    found = _components(own, across[split.held], responses, most)
    path: Floats = np.cumsum(found.scores * found.response, axis=1).T * spread + mean
    return path


def _count(problem: Problem, every: list[Floats], rule: Rule) -> int:
    """Choose the count that does best on all analytes, each by its own spread."""
    spread = np.nanstd(problem.Y, axis=0)
    spread = np.where(spread > 0, spread, 1.0)
    repeats = len(problem.folds)
    predicted = [path.reshape(len(path), -1) / spread[j] for j, path in enumerate(every)]
    values = [np.tile(problem.Y[:, j], repeats) / spread[j] for j in range(len(every))]
    chosen = choose_components(
        np.concatenate(predicted, axis=1), np.concatenate(values),
        np.tile(problem.standards, repeats * len(every)), rule,
    )  # fmt: skip
    return chosen.n_components


def complexity(settings: Mapping[str, Any]) -> float:
    """Return the number of components."""
    return float(settings["n_components"])


def fit(X: Floats, y: Floats, settings: Mapping[str, Any]) -> Fitted:
    """Fit one analyte, the first column of y, with the settings of a selection."""
    Y = y[:, None] if y.ndim == 1 else y
    others = Y[:, 1:] if Y.shape[1] > 1 else None
    model = PLS2(**settings).fit(X, Y[:, 0], others)
    return Fitted(model.predictor_, model.arrays_)

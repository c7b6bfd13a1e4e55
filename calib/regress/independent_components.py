"""Independent-component regression: a linear model on the sources that spectra seem mixed from.

Options under ``[models.independent_components]``: ``max_components`` (default 20: most scores),
``rule`` (as for PLS: ``"minimum"``, the default; ``"one-standard-error"``; ``"randomisation"``) and
``seed`` (default 0).

Scores of the spectra (PLS or principal components, uncorrelated and of variance 1) are rotated
until they are as independent as they get [1]_. Regression on all of these components would be
regression on the scores again; what is new is that a few are enough. They are uncorrelated over the
rows that train, so their coefficients do not depend on each other, and the best few are those of
largest coefficient: cross-validation says how many. Published for near-infrared spectra in [2]_.

Where the rotation has not settled after 200 rounds the last one is taken: it is a rotation all the
same, only less independent, and cross-validation judges it as it is.

References
----------
.. [1] Hyvärinen & Oja 2000, Neural Networks 13:411, doi 10.1016/S0893-6080(00)00026-5.
.. [2] Chen & Wang 2001, J. Chem. Inf. Comput. Sci. 41:992.
"""

from __future__ import annotations

import warnings
from collections.abc import Mapping
from typing import Any, get_args

import numpy as np
from numpy.typing import NDArray
from sklearn.decomposition import FastICA
from sklearn.exceptions import ConvergenceWarning

from calib.regress.array_model import ArrayModel
from calib.regress.family import Fitted, Problem, Selection, Watch, unwatched
from calib.regress.options import filled, need_one_of, need_whole
from calib.regress.pls_components import Rule, choose_components
from calib.regress.scores import KINDS, Kind, fit_scores, split_scores
from calib.regress.space import Choice, Space, Whole
from calib.validate.scores import rmse

Floats = NDArray[np.floating]

ORDER = 50

DEFAULTS: Mapping[str, Any] = {"max_components": 20, "rule": "minimum", "seed": 0}

CONTRASTS = ("logcosh", "exp")

_ROUNDS = 200

# Largest change of a direction (1 − cosine) in a round that counts as none; the last rounds gain
# many digits each.
_SETTLED = 1e-8


class IndependentComponents(ArrayModel):
    """Linear regression on a few independent components of spectra.

    Parameters
    ----------
    kind : {"pls", "pca"}, default "pls"
        Kind of the scores that are rotated.
    n_components : int, default 8
        Number of scores; fewer where the rows do not carry them.
    n_kept : int, default 4
        Number of independent components that enter the regression.
    contrast : {"logcosh", "exp"}, default "logcosh"
        Function whose mean says how independent components are.
    seed : int, default 0
        Of the rotation to start from.

    Attributes
    ----------
    predictor_ : str
        Name in `calib.regress.predictors.PREDICTORS`.
    arrays_ : dict of str to ndarray
        What the predictor takes.
    n_features_in_ : int
        Number of channels.

    Examples
    --------
    >>> import numpy as np
    >>> X = np.random.default_rng(0).normal(size=(40, 30))
    >>> IndependentComponents().fit(X, X[:, 4]).predict(X).shape
    (40,)
    """

    def __init__(
        self,
        kind: Kind = "pls",
        n_components: int = 8,
        n_kept: int = 4,
        contrast: str = "logcosh",
        seed: int = 0,
    ) -> None:
        self.kind = kind
        self.n_components = n_components
        self.n_kept = n_kept
        self.contrast = contrast
        self.seed = seed

    def _arrays(self, X: Floats, y: Floats) -> tuple[str, dict[str, Floats]]:
        most = min(self.n_components, len(X) - 1, X.shape[1])
        weights, offset = fit_scores(X, y, self.kind, most)
        rotation, coefficients = rotated(X @ weights + offset, y, self.contrast, self.seed)
        kept = coefficients[: self.n_kept]
        towards = rotation[:, : len(kept)] @ kept
        return "affine", {
            "coefficients": weights @ towards,
            "intercept": np.array([y.mean() + offset @ towards]),
        }


def rotated(scores: Floats, y: Floats, contrast: str, seed: int) -> tuple[Floats, Floats]:
    """Find the independent components of scores, that of largest coefficient first.

    Parameters
    ----------
    scores : ndarray of shape (n, k)
        Uncorrelated and of variance 1 over these rows, or 0 throughout.
    y : ndarray of shape (n,)
    contrast : {"logcosh", "exp"}
    seed : int

    Returns
    -------
    rotation : ndarray of shape (k, found)
        ``scores @ rotation`` are the components.
    coefficients : ndarray of shape (found,)
        Of y on each, in the unit of y.
    """
    live = np.flatnonzero(np.abs(scores).max(axis=0) > 0)
    turn = np.eye(live.size)
    if live.size > 1:
        search = FastICA(
            whiten=False,
            fun=contrast,
            max_iter=_ROUNDS,
            tol=_SETTLED,
            w_init=_start(live.size, seed),
        )
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", ConvergenceWarning)
            turn = search.fit(scores[:, live]).components_.T
    coefficients = (scores[:, live] @ turn).T @ (y - y.mean()) / len(y)
    order = np.argsort(-np.abs(coefficients), kind="stable")
    rotation = np.zeros((scores.shape[1], live.size))
    rotation[live] = turn[:, order]
    return rotation, coefficients[order]


def _start(k: int, seed: int) -> Floats:
    start: Floats = np.random.default_rng(seed).normal(size=(k, k))
    return start


def options(given: Mapping[str, Any]) -> dict[str, Any]:
    """Check the options of ``[models.independent_components]`` and fill the defaults.

    Raises
    ------
    SettingsError
        If a key is unknown or a value cannot be.
    """
    name = "independent_components"
    chosen = filled(name, given, DEFAULTS)
    need_whole(name, chosen, "max_components", 2)
    need_whole(name, chosen, "seed", 0)
    need_one_of(name, chosen, "rule", get_args(Rule))
    return chosen


def space(options: Mapping[str, Any]) -> Space:
    """Return the scores to rotate and how; an attempt tries every number of components to keep."""
    return {
        "kind": Choice(KINDS[::-1]),
        "n_components": Whole(2, options["max_components"]),
        "contrast": Choice(CONTRASTS),
    }


def attempt(
    problem: Problem,
    column: int,
    options: Mapping[str, Any],
    settings: Mapping[str, Any],
    watch: Watch = unwatched,
) -> Selection:
    """Cross-validate one analyte, keeping 1, 2, … components, and choose how many."""
    estimator = IndependentComponents(**settings, seed=options["seed"])
    y = problem.Y[:, column]
    most = _most(problem, column, estimator)
    path = np.full((most + 1, *problem.folds.shape), np.nan)
    for split in problem.splits(column):
        scores = split_scores(problem, column, split, estimator.kind, most)
        trains, held = split.trains, split.held
        turn, coefficients = rotated(scores[trains], y[trains], estimator.contrast, estimator.seed)
        steps = np.zeros((most + 1, int(held.sum())))
        steps[0] = y[trains].mean()
        steps[1 : len(coefficients) + 1] = (scores[held] @ turn * coefficients).T
        path[:, split.repeat, held] = np.cumsum(steps, axis=0)
        so_far = path[:, split.repeat]
        watch(so_far[int(np.argmin([rmse(each, y) for each in so_far]))])
    repeats = len(problem.folds)
    choice = choose_components(
        path[1:].reshape(most, -1), np.tile(y, repeats), np.tile(problem.standards, repeats),
        options["rule"], baseline=path[0].ravel(),
    )  # fmt: skip
    estimator.set_params(n_components=most, n_kept=choice.n_components)
    curve = {
        "n_components": list(range(most + 1)),
        "rmsecv": choice.rmsecv.tolist(),
        "standard_error": choice.standard_error.tolist(),
    }
    return Selection(estimator.get_params(), path[choice.n_components], curve)


def _most(problem: Problem, column: int, estimator: IndependentComponents) -> int:
    """Return how many scores the smallest training set carries, at most those asked for."""
    rows = min(int(split.trains.sum()) for split in problem.splits(column))
    return int(max(1, min(estimator.n_components, rows - 1, problem.X.shape[1])))


def complexity(settings: Mapping[str, Any]) -> float:
    """Return the number of independent components in the regression."""
    return float(settings["n_kept"])


def fit(X: Floats, y: Floats, settings: Mapping[str, Any]) -> Fitted:
    """Fit one analyte on all certified rows."""
    estimator = IndependentComponents(**settings).fit(X, y)
    return Fitted(estimator.predictor_, estimator.arrays_)

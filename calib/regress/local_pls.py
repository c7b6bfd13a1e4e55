"""Local PLS: for every spectrum a small PLS model of the training rows most like it.

Neighbours are the nearest in the space of PLS or principal-component scores, and weigh the more the
nearer they are; the model, PLS1 too, works on those scores: ``predictors.local``. The idea: Shenk,
Westerhaus & Berzaghi (1997), J. Near Infrared Spectrosc. 5:223. Scores weigh by their relevance as
in `calib.regress.kernels`.

An attempt tries every count of components of the small models. Option under
``[models.local_pls]``: ``max_components`` (default 30), of the scores.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calib.errors import SettingsError
from calib.regress import predictors
from calib.regress.array_model import ArrayModel
from calib.regress.family import Fitted, Problem, Selection, Watch, unwatched
from calib.regress.kernels import relevance_factor
from calib.regress.options import filled, need_whole
from calib.regress.path import least
from calib.regress.scores import KINDS, Kind, fit_scores, split_scores
from calib.regress.space import Choice, Real, Space, Whole

Floats = NDArray[np.floating]

ORDER = 70

DEFAULTS: Mapping[str, Any] = {"max_components": 30}

LOCAL_COMPONENTS = (1, 2, 3, 4, 5, 6, 8, 10, 12, 15)
"""Components of the small models that an attempt tries."""


class LocalPLS(ArrayModel):
    """PLS1 on the scores of each row's nearest training rows.

    Parameters
    ----------
    kind : {"pls", "pca"}, default "pls"
    n_components : int, default 10
        Number of scores.
    neighbours : int, default 50
        Training rows of each small model, at most all.
    local_components : int, default 3
        Components of each small model, at most as many as scores.
    relevance : float, default 0.0
        Power of its correlation with the analyte that a score weighs by.

    Examples
    --------
    >>> import numpy as np
    >>> X = np.random.default_rng(0).normal(size=(20, 50))
    >>> LocalPLS(n_components=3, neighbours=12).fit(X, X[:, 4]).predict(X).shape
    (20,)
    """

    def __init__(
        self,
        kind: Kind = "pls",
        n_components: int = 10,
        neighbours: int = 50,
        local_components: int = 3,
        relevance: float = 0.0,
    ) -> None:
        self.kind = kind
        self.n_components = n_components
        self.neighbours = neighbours
        self.local_components = local_components
        self.relevance = relevance

    def _arrays(self, X: Floats, y: Floats) -> tuple[str, dict[str, Floats]]:
        _check(self)
        weights, offset = fit_scores(X, y, self.kind, self.n_components)
        factor = relevance_factor(predictors.project(X, weights, offset), y, self.relevance)
        weights, offset = weights * factor, offset * factor
        return "local", {
            "weights": weights,
            "offset": offset,
            "scores": predictors.project(X, weights, offset),
            "values": y.copy(),
            "neighbours": np.array([self.neighbours]),
            "components": np.array([self.local_components]),
        }


def _check(model: LocalPLS) -> None:
    """Refuse settings that no model can have.

    Raises
    ------
    SettingsError
    """
    if model.kind not in KINDS:
        raise SettingsError(f"LocalPLS: kind is {model.kind!r}, need one of {', '.join(KINDS)}")
    for name in ("n_components", "neighbours", "local_components"):
        value = getattr(model, name)
        if not isinstance(value, int | np.integer) or value < 1:
            raise SettingsError(f"LocalPLS: {name} is {value!r}, need a whole number ≥ 1")


def options(given: Mapping[str, Any]) -> dict[str, Any]:
    """Check the options of ``[models.local_pls]`` and fill the defaults.

    Raises
    ------
    SettingsError
        If a key is unknown or a value cannot be.
    """
    chosen = filled("local_pls", given, DEFAULTS)
    need_whole("local_pls", chosen, "max_components")
    return chosen


def space(options: Mapping[str, Any]) -> Space:
    """Return scores and neighbours; an attempt tries every count of local components."""
    most = options["max_components"]
    return {
        "kind": Choice(KINDS),
        "n_components": Whole(min(3, most), most),
        "neighbours": Whole(20, 400, log=True),
        "relevance": Real(0.0, 1.0),
    }


def attempt(
    problem: Problem,
    column: int,
    options: Mapping[str, Any],
    settings: Mapping[str, Any],
    watch: Watch = unwatched,
) -> Selection:
    """Cross-validate every count of local components; the watch sees the best so far."""
    y = problem.Y[:, column]
    kind, count = settings["kind"], settings["n_components"]
    tried = np.array([k for k in LOCAL_COMPONENTS if k <= count])
    out = np.full((len(tried), *problem.folds.shape), np.nan)
    for split in problem.splits(column):
        known = y[split.trains]
        scores = split_scores(problem, column, split, kind, count)
        scores = scores * relevance_factor(scores[split.trains], known, settings["relevance"])
        out[:, split.repeat, split.held] = predictors.local_path(
            scores[split.held], scores[split.trains], known, settings["neighbours"], tried
        )
        watch(out[least(out[:, split.repeat], y), split.repeat])
    best = least(out, y)
    return Selection({**settings, "local_components": int(tried[best])}, out[best])


def complexity(settings: Mapping[str, Any]) -> float:
    """Return the number of scores, and of local components for every hundred neighbours."""
    small = 100 * settings["local_components"] / settings["neighbours"]
    return float(settings["n_components"] + small)


def fit(X: Floats, y: Floats, settings: Mapping[str, Any]) -> Fitted:
    """Fit one analyte with the settings of a selection."""
    model = LocalPLS(**settings).fit(X, y)
    return Fitted(model.predictor_, model.arrays_)

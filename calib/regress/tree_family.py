"""What the families of regression trees share: what trees look at, and their frozen form.

Trees look at one of

``"scores"``
    PLS or principal-component scores, `calib.regress.scores`.
``"bins"``
    Means of `width` adjacent channels: about a line each, and little noise. A bin may reach over
    the gap between two spectrometers.
``"channels"``
    Every channel by itself. With thousands of channels a trial takes some ten times as long, so a
    search looks at them only where an experiment asks for it: ``on = ["channels"]``. After a chain
    that ends in ``line_areas``, channels are lines.
"""

from __future__ import annotations

import functools
from collections.abc import Callable, Mapping, Sequence
from contextlib import AbstractContextManager
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from calib.errors import SettingsError
from calib.regress import predictors
from calib.regress.array_model import ArrayModel
from calib.regress.family import Fitted, Problem, Selection, Split, Watch
from calib.regress.options import filled, need_whole
from calib.regress.scores import KINDS, Kind, fit_scores, split_scores
from calib.regress.space import Choice, Space, Whole

Floats = NDArray[np.floating]
Arrays = dict[str, Any]

VIEWS = ("scores", "bins", "channels")
WIDTHS = (8, 16, 32)

# Settings that matter where the trees look at this.
_HEEDED = {"scores": ("kind", "n_components"), "bins": ("width",)}

OPTIONS: Mapping[str, Any] = {"on": ["scores", "bins"], "max_components": 20, "seed": 0}
"""Options every family of trees has: what its trees may look at (the search varies it), the most
scores, and the seed of its draws."""


def checked(name: str, given: Mapping[str, Any], defaults: Mapping[str, Any]) -> dict[str, Any]:
    """Check the options of a family of trees and fill the defaults.

    Parameters
    ----------
    name : str
        Its name in an experiment file.
    given : mapping
    defaults : mapping
        Whole numbers, but for ``on``.

    Raises
    ------
    SettingsError
        If a key is unknown or a value cannot be.
    """
    chosen = filled(name, given, defaults)
    on = chosen["on"]
    if not isinstance(on, list | tuple) or not on or not set(on) <= set(VIEWS):
        raise SettingsError(
            f"key 'models.{name}.on' is {on!r}, need a list of some of {', '.join(VIEWS)}"
        )
    for key in defaults:
        if key != "on":
            need_whole(name, chosen, key, 0 if key == "seed" else 1)
    return chosen | {"on": list(dict.fromkeys(on))}


def view_space(options: Mapping[str, Any], widths: tuple[int, ...] = WIDTHS) -> Space:
    """Return what a search may vary about what trees look at.

    ``kind`` and ``n_components`` matter on scores only, ``width`` on bins only.
    """
    on, most = options["on"], options["max_components"]
    space: dict[str, Any] = {"on": Choice(tuple(on))}
    if "scores" in on:
        space |= {"kind": Choice(KINDS), "n_components": Whole(min(2, most), most)}
    if "bins" in on:
        space["width"] = Choice(widths)
    return space


def bin_starts(channels: int, width: int) -> NDArray[np.int32]:
    """Return the first channel of each bin of `width` channels; the last may be narrower."""
    return np.arange(0, channels, width, dtype=np.int32)


class Grown(Protocol):
    """A scikit-learn ensemble of trees after `fit`."""

    def predict(self, X: Floats) -> Floats:
        """Predict rows of what the trees look at."""


class TreeRegressor(ArrayModel):
    """Base of the estimators: look at scores, bins or channels, then grow trees on that.

    A subclass's constructor stores `on`, `kind`, `n_components`, `width`, `seed` and what its
    ensemble takes, and `ensemble` makes that ensemble.
    """

    on: str
    kind: Kind
    n_components: int
    width: int

    def ensemble(self, features: int) -> Any:
        """Return the scikit-learn ensemble, not fitted, for so many features."""
        raise NotImplementedError

    def frozen(self, model: Any) -> Arrays:
        """Return the arrays of a fitted ensemble, see `calib.regress.predictors.trees`."""
        raise NotImplementedError

    def grow(self, seen: Floats, y: Floats) -> Grown:
        """Fit the ensemble to what the trees look at, (rows, features), on one thread."""
        model = self.ensemble(seen.shape[1])
        with one_thread():
            model.fit(seen, y)
        grown: Grown = model
        return grown

    def _arrays(self, X: Floats, y: Floats) -> tuple[str, Arrays]:
        if self.on not in VIEWS:
            raise SettingsError(f"on is {self.on!r}, need one of {', '.join(VIEWS)}")
        view = _view(X, y, self)
        model = self.grow(_look(X, view), y)
        return "trees", view | self.frozen(model)


def attempt_trees(
    problem: Problem,
    column: int,
    settings: Mapping[str, Any],
    estimator: TreeRegressor,
    watch: Watch,
) -> Selection:
    """Cross-validate one analyte; what the trees look at comes from `Problem.memo`."""
    out = np.full(problem.folds.shape, np.nan)
    y = problem.Y[:, column]
    for split in problem.splits(column):
        seen = _seen(problem, column, split, estimator)
        model = estimator.grow(seen[split.trains], y[split.trains])
        with one_thread():
            out[split.repeat, split.held] = model.predict(seen[split.held])
        watch(out[split.repeat])
    return Selection(dict(settings), out)


def fit_trees(estimator: TreeRegressor, X: Floats, y: Floats) -> Fitted:
    """Fit the final model of one analyte as plain arrays."""
    estimator.fit(X, y)
    return Fitted(estimator.predictor_, estimator.arrays_)


def made(
    kind: Callable[..., TreeRegressor], settings: Mapping[str, Any], options: Mapping[str, Any]
) -> tuple[TreeRegressor, dict[str, Any]]:
    """Return the estimator that settings drawn from a space mean, and all settings it heeds."""
    known = set(kind().get_params())
    estimator = kind(**{key: v for key, v in {**options, **settings}.items() if key in known})
    if isinstance(estimator.on, list):  # no search: the first that is allowed
        estimator.set_params(on=estimator.on[0])
    unheeded = {key for view, keys in _HEEDED.items() if view != estimator.on for key in keys}
    return estimator, {k: v for k, v in estimator.get_params().items() if k not in unheeded}


def _seen(problem: Problem, column: int, split: Split, estimator: TreeRegressor) -> Floats:
    """Return what the trees look at, (n, features), as learned from the rows that train."""
    if estimator.on == "scores":
        most = min(estimator.n_components, int(split.trains.sum()) - 1, problem.X.shape[1])
        return split_scores(problem, column, split, estimator.kind, most)
    width = estimator.width if estimator.on == "bins" else 1
    starts = bin_starts(problem.X.shape[1], width)
    if problem.learns:
        return predictors.binned(problem.spectra(split.trains), starts)
    key = ("bins", width)
    if key not in problem.memo:
        problem.memo[key] = predictors.binned(problem.X, starts)
    seen: Floats = problem.memo[key]
    return seen


def _view(X: Floats, y: Floats, estimator: TreeRegressor) -> Arrays:
    """Return the arrays that say what the trees look at."""
    view: Arrays = {
        "weights": np.zeros((0, 0)),
        "offset": np.zeros(0),
        "starts": np.zeros(0, dtype=np.int32),
    }
    if estimator.on == "scores":
        most = min(estimator.n_components, len(X) - 1, X.shape[1])
        weights, offset = fit_scores(X, y, estimator.kind, most)
        return view | {"weights": weights, "offset": offset}
    width = estimator.width if estimator.on == "bins" else 1
    return view | {"starts": bin_starts(X.shape[1], width)}


def _look(X: Floats, view: Arrays) -> Floats:
    """Return what the trees of a final model look at, as its predictor does."""
    if view["offset"].size:
        return predictors.project(X, view["weights"], view["offset"])
    return predictors.binned(X, view["starts"])


def forest_arrays(model: Any) -> Arrays:
    """Return the trees of a fitted scikit-learn forest, exactly.

    The forest rounds what it looks at to single precision and then compares; the thresholds
    returned do the same to numbers that are not rounded, see `unrounded`.
    """
    grown = [each.tree_ for each in model.estimators_]
    nodes = [
        (t.feature, unrounded(t.threshold), t.children_left, t.children_right, t.value[:, 0, 0])
        for t in grown
    ]
    return _joined(nodes, start=0.0, divisor=float(len(grown)))


def boosting_arrays(model: Any) -> Arrays:
    """Return the trees of a fitted scikit-learn histogram gradient boosting regressor, exactly."""
    # scikit-learn offers no public way to its trees or to the constant they start from
    grown = [stage[0].nodes for stage in model._predictors]
    nodes = []
    for t in grown:
        leaf = t["is_leaf"].astype(bool)
        left, right = (np.where(leaf, -1, t[side].astype(np.int64)) for side in ("left", "right"))
        threshold = np.where(leaf, 0.0, t["num_threshold"])
        nodes.append((t["feature_idx"], threshold, left, right, t["value"]))
    return _joined(nodes, start=float(np.ravel(model._baseline_prediction)[0]), divisor=1.0)


def unrounded(threshold: Floats) -> Floats:
    """Return thresholds that decide for a double as `threshold` does for its single rounding.

    Parameters
    ----------
    threshold : ndarray

    Returns
    -------
    ndarray
        The largest double that rounds to a single precision number ≤ `threshold` (IEEE 754, ties
        to even). For every double x: ``x <= unrounded(t)`` is ``float32(x) <= t``.
    """
    wanted = np.asarray(threshold, dtype=np.float64)
    below = wanted.astype(np.float32)
    below = np.where(below > wanted, np.nextafter(below, np.float32(-np.inf)), below)
    above = np.nextafter(below, np.float32(np.inf))
    middle = (below.astype(np.float64) + above.astype(np.float64)) / 2
    return np.where(middle.astype(np.float32) == below, middle, np.nextafter(middle, -np.inf))


def _joined(nodes: Sequence[tuple[Any, ...]], start: float, divisor: float) -> Arrays:
    """Join trees of (feature, threshold, left, right, value) into one set of nodes."""
    sizes = [len(tree[0]) for tree in nodes]
    roots = np.cumsum([0, *sizes[:-1]])
    feature, threshold, left, right, value = (
        np.concatenate(parts) for parts in zip(*nodes, strict=True)
    )
    own = np.arange(feature.size)
    first = np.repeat(roots, sizes)
    leaf = left < 0
    children = np.stack([np.where(leaf, own, first + side) for side in (left, right)], axis=1)
    return {
        "feature": np.where(leaf, 0, feature).astype(np.int32),
        "threshold": np.where(leaf, 0.0, threshold).astype(np.float64),
        "children": children.astype(np.int32),
        "value": np.where(leaf, value, 0.0).astype(np.float64),
        "roots": roots.astype(np.int32),
        "start": np.array([start]),
        "divisor": np.array([divisor]),
    }


def one_thread() -> AbstractContextManager[Any]:
    """Hold scikit-learn's trees to one thread.

    More would add up the same numbers in another order; and where all cores are at work already,
    threads that wait for each other take ten times as long.
    """
    limit: AbstractContextManager[Any] = _openmp().limit(limits=1)
    return limit


@functools.cache
def _openmp() -> Any:
    """Return the handle on the process's OpenMP libraries, found once."""
    import sklearn.ensemble  # noqa: F401  (loads the library)
    from threadpoolctl import ThreadpoolController

    return ThreadpoolController().select(user_api="openmp")

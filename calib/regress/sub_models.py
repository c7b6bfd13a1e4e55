"""Sub-model PLS: ranges of composition that overlap, picked by a full-range model and blended.

Anderson et al. (2017), Spectrochim. Acta B 129:49, doi 10.1016/j.sab.2016.12.002. Each sub-model is
PLS1 on the standards whose certified value is in its range, from the lower edge of the overlap
below it to the upper edge of the overlap above; the blend itself: `predictors.blended`.

The candidates for the overlaps are quantiles of the certified values; which of them, and every
component count, is chosen by the error of blended predictions that no row's own model made. Within
a fold that choice is made anew, by cross-validation of the rows that train alone, so that
out-of-fold predictions know of the choice as little as of the models; the settings for the final
model are chosen by the folds themselves. No split at all, plain PLS, is a candidate too.

Options under ``[models.sub_models]``: ``max_components`` (default 20), ``max_ranges`` (default 3).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calib.errors import DataError, SettingsError
from calib.regress import pls_core
from calib.regress.array_model import ArrayModel
from calib.regress.family import Fitted, Problem, Selection, Split, Watch, unwatched
from calib.regress.options import filled, need_whole
from calib.regress.pls_fit import fit_responses, training_rows
from calib.regress.predictors import blend
from calib.regress.space import Space
from calib.regress.split_gram import split_gram

Floats = NDArray[np.floating]
Mask = NDArray[np.bool_]

ORDER = 60

DEFAULTS: Mapping[str, Any] = {"max_components": 20, "max_ranges": 3}

OVERLAPS: tuple[tuple[tuple[float, float], ...], ...] = (
    (),
    *(((c - h, c + h),) for c in (0.35, 0.5, 0.65) for h in (0.08, 0.2)),
    *(((c - h, c + h), (1 - c - h, 1 - c + h)) for c in (0.33,) for h in (0.07, 0.15)),
)
"""Candidates: the overlaps as quantiles of the certified values, none to two; the fewest first."""

INNER_FOLDS = 5

FEWEST_ROWS = 12
"""Rows that the range of a sub-model must hold in every training set."""

_WORKING_SET = 64 * 2**20
"""Bytes of scores worked on together."""


class SubModels(ArrayModel):
    """Blended PLS1 models of overlapping ranges.

    Parameters
    ----------
    edges : sequence of (float, float), default ()
        Lower and upper edge of each overlap, rising, in the analyte's unit.
    n_components : int or sequence of int, default 2
        Of the full-range model and then, if there are overlaps, of each sub-model from low to high;
        one number: of all.

    Examples
    --------
    >>> import numpy as np
    >>> X = np.random.default_rng(0).normal(size=(40, 50))
    >>> SubModels([(-0.5, 0.5)], [3, 2, 2]).fit(X, X[:, 4]).predict(X).shape
    (40,)
    """

    def __init__(
        self, edges: Sequence[Sequence[float]] = (), n_components: int | Sequence[int] = 2
    ) -> None:
        self.edges = edges
        self.n_components = n_components

    def _arrays(self, X: Floats, y: Floats) -> tuple[str, dict[str, Floats]]:
        edges = np.array(self.edges, dtype=np.float64).reshape(-1, 2)
        needed = len(edges) + 2 if len(edges) else 1
        counts = np.atleast_1d(self.n_components).tolist()
        if np.ndim(self.n_components) == 0:
            counts = counts * needed
        rising = edges.ravel()
        if not (np.diff(rising).min(initial=1.0) >= 0 and (edges[:, 0] < edges[:, 1]).all()):
            raise SettingsError(
                f"SubModels: edges are {self.edges!r}, need pairs of low < high that rise"
            )
        if len(counts) != needed:
            raise SettingsError(
                f"SubModels: n_components has {len(counts)} counts, need {needed}: the full-range "
                "model's and each sub-model's"
            )
        rows = [np.ones(len(y), dtype=bool), *_ranges(y, edges)]
        if not len(edges):
            counts = counts * 2
        fitted = [_fit_one(X, y, mask, k) for mask, k in zip(rows, counts, strict=True)]
        return "blended", {
            "coefficients": np.stack([c for c, _ in fitted]),
            "intercept": np.array([b for _, b in fitted]),
            "edges": edges,
        }


def _fit_one(X: Floats, y: Floats, rows: Mask, count: int) -> tuple[Floats, float]:
    """Return coefficients and intercept of PLS1 on some rows."""
    if rows.sum() < 2:
        raise DataError(f"sub-models: found {rows.sum()} rows in a range, need two or more")
    part = np.asarray(X[rows], dtype=np.float64)
    training = training_rows(part, np.ones(len(part)), False)
    found = fit_responses(part, np.asarray(y[rows][None], np.float64), training, count)[0]
    coefficients = found.coef_path[-1].copy()
    return coefficients, found.y_mean - float(coefficients @ found.x_mean)


def _ranges(y: Floats, edges: Floats) -> list[Mask]:
    """Return the rows that train each sub-model."""
    low = np.concatenate([[-np.inf], edges[:, 0]])
    high = np.concatenate([edges[:, 1], [np.inf]])
    return [(y >= a) & (y <= b) for a, b in zip(low, high, strict=True)]


def options(given: Mapping[str, Any]) -> dict[str, Any]:
    """Check the options of ``[models.sub_models]`` and fill the defaults.

    Raises
    ------
    SettingsError
        If a key is unknown or a value cannot be.
    """
    chosen = filled("sub_models", given, DEFAULTS)
    need_whole("sub_models", chosen, "max_components")
    need_whole("sub_models", chosen, "max_ranges")
    return chosen


def space(options: Mapping[str, Any]) -> Space:
    """Return nothing: an attempt tries every candidate."""
    return {}


def complexity(settings: Mapping[str, Any]) -> float:
    """Return the number of components of all its models."""
    return float(sum(settings["n_components"]))


@dataclass(frozen=True)
class _Candidate:
    """Predictions of one candidate's models for some rows, at every component count.

    Attributes
    ----------
    edges : ndarray of shape (m − 1, 2, rows) or (m − 1, 2, 1)
    full : ndarray of shape (components, rows)
    members : ndarray of shape (m, components, rows)
    """

    edges: Floats
    full: Floats
    members: Floats

    def choose(self, y: Floats) -> tuple[float, list[int]]:
        """Return the least mean squared error of the blend, and the counts less one that give it.

        The full-range model is chosen by its own error; the sub-models one after another by that of
        the blend, twice over.
        """
        first = int(np.argmin(((self.full - y) ** 2).mean(axis=1)))
        count = len(self.members)
        if not len(self.edges):
            return float(((self.full[first] - y) ** 2).mean()), [first]
        # rough at first, by the rows that each sub-model has a say in
        says = self._shares(self.full[first])
        own = (((self.members - y) ** 2) * says[:, None]).sum(axis=2)
        chosen = own.argmin(axis=1).tolist()
        error = np.inf
        for _ in range(2):
            for i in range(count):
                others = [self.members[j, chosen[j]] for j in range(count)]
                rest = self.blend(self.full[first], others) - says[i] * others[i]
                errors = ((rest + says[i] * self.members[i] - y) ** 2).mean(axis=1)
                chosen[i] = int(errors.argmin())
                error = float(errors[chosen[i]])
        return error, [first, *chosen]

    def _shares(self, full: Floats) -> Floats:
        """Return the weight of each sub-model in each row, (m, rows)."""
        unit = np.eye(len(self.members))[:, :, None] * np.ones_like(full)
        return np.stack([blend(full, alone, self.edges) for alone in unit.transpose(1, 0, 2)])

    def blend(self, full: Floats, members: Sequence[Floats]) -> Floats:
        """Blend one prediction of each model."""
        mixed: Floats = blend(full, np.stack(members), self.edges)
        return mixed

    def predict(self, chosen: Sequence[int]) -> Floats:
        """Return the blend with the counts that `choose` found."""
        if len(chosen) == 1:
            only: Floats = self.full[chosen[0]]
            return only
        members = [self.members[i, k] for i, k in enumerate(chosen[1:])]
        return self.blend(self.full[chosen[0]], members)

    def rows(self, which: NDArray[Any]) -> _Candidate:
        """Return the predictions of some rows."""
        edges = self.edges[..., which] if self.edges.shape[-1] > 1 else self.edges
        return _Candidate(edges, self.full[:, which], self.members[..., which])


def attempt(
    problem: Problem,
    column: int,
    options: Mapping[str, Any],
    settings: Mapping[str, Any],
    watch: Watch = unwatched,
) -> Selection:
    """Cross-validate one analyte, the choice of ranges and counts made anew in every fold."""
    y = problem.Y[:, column]
    possible = [o for o in OVERLAPS if len(o) < options["max_ranges"]]
    out = np.full(problem.folds.shape, np.nan)
    outer: list[tuple[Split, list[_Candidate | None]]] = []
    for split in problem.splits(column):
        inner, last = _predict_inside(problem, column, split, possible, options["max_components"])
        found = [(c.choose(y[split.trains]), j) for j, c in enumerate(inner) if c is not None]
        (_, counts), best = min(found, key=lambda each: each[0][0])
        predictor = last[best]
        assert predictor is not None
        out[split.repeat, split.held] = predictor.predict(counts)
        outer.append((split, last))
        watch(out[split.repeat])
    return Selection(_settings(y, possible, outer), out)


def _predict_inside(
    problem: Problem,
    column: int,
    split: Split,
    possible: Sequence[tuple[tuple[float, float], ...]],
    most: int,
) -> tuple[list[_Candidate | None], list[_Candidate | None]]:
    """Predict the rows that train by folds among them, and the rows held by all that train.

    A candidate whose edges meet or whose ranges hold too few rows is None.
    """
    y, trains = problem.Y[:, column], split.trains
    inside = _inner_folds(problem, split)
    sets = [trains & (inside != fold) for fold in np.unique(inside[trains])] + [trains]
    edges = [np.quantile(y[trains], overlaps).reshape(-1, 2) for overlaps in possible]
    ranges: list[Mask] = [np.ones(len(y), dtype=bool)]  # the full-range model's
    where: list[slice | None] = []  # of each candidate: its ranges' places
    for each in edges:
        own = _ranges(y, each)
        if not len(each):
            where.append(slice(0, 1))
        elif (each[:, 0] < each[:, 1]).all() and _fewest(sets, own) >= FEWEST_ROWS:
            where.append(slice(len(ranges), len(ranges) + len(own)))
            ranges += own
        else:
            where.append(None)
    masks = np.stack([rows & mask for rows in sets for mask in ranges])
    paths = _paths(split_gram(problem, split), y, masks, most)
    paths = paths.reshape(len(sets), len(ranges), most, len(y))
    merged = np.empty(paths.shape[1:])
    for each_set, path in zip(sets, paths, strict=True):
        merged[..., trains & ~each_set] = path[..., trains & ~each_set]

    def candidates(path: Floats, rows: Mask) -> list[_Candidate | None]:
        full = path[0][:, rows]
        return [
            _Candidate(own[:, :, None], full, path[place][..., rows]) if place else None
            for own, place in zip(edges, where, strict=True)
        ]

    return candidates(merged, trains), candidates(paths[-1], split.held)


def _inner_folds(problem: Problem, split: Split) -> NDArray[np.intp]:
    """Deal the rows that train into folds of their own: the other folds, or else standards."""
    inside = np.full(len(problem.Y), -1)
    labels = problem.folds[split.repeat]
    if np.unique(labels[split.trains]).size < 2:
        labels = problem.standards
    inside[split.trains] = np.unique(labels[split.trains], return_inverse=True)[1] % INNER_FOLDS
    return inside


def _fewest(sets: Sequence[Mask], ranges: Sequence[Mask]) -> int:
    """Return the fewest rows of a range in any training set."""
    return min(int((rows & mask).sum()) for rows in sets for mask in ranges)


def _paths(gram: Floats, y: Floats, masks: Mask, most: int) -> Floats:
    """Predict all rows by PLS1 on the rows of each mask, (masks, components, n)."""
    out = np.empty((len(masks), most, len(y)))
    size = max(1, _WORKING_SET // (8 * len(y) * (most + 1)))
    for start in range(0, len(masks), size):
        weight = masks[start : start + size].astype(np.float64)
        value = np.where(masks[start : start + size], y, 0.0)
        mean = value.sum(axis=1, keepdims=True) / weight.sum(axis=1, keepdims=True)
        found = pls_core.gram_components(gram, (value - mean) * weight, weight, most)
        steps = found.basis[:, 1:] * found.response[:, :, None]
        out[start : start + size] = np.cumsum(steps, axis=1) + mean[:, :, None]
    return out


def _settings(
    y: Floats,
    possible: Sequence[tuple[tuple[float, float], ...]],
    outer: Sequence[tuple[Split, Sequence[_Candidate | None]]],
) -> dict[str, Any]:
    """Choose the final overlaps and counts by the predictions of the folds."""
    known = np.isfinite(y)
    best: tuple[float, int, list[int]] = (np.inf, 0, [0])
    for place in range(len(possible)):
        parts = [(split, each[place]) for split, each in outer]
        whole = [part for _, part in parts if part is not None]
        if len(whole) < len(parts):
            continue
        joined = _Candidate(
            np.concatenate([np.repeat(p.edges, p.full.shape[1], axis=2) for p in whole], axis=2),
            np.concatenate([p.full for p in whole], axis=1),
            np.concatenate([p.members for p in whole], axis=2),
        )
        rows = np.concatenate([np.flatnonzero(split.held) for split, _ in parts])
        scored = known[rows]
        error, counts = joined.rows(scored).choose(y[rows][scored])
        if error < best[0]:
            best = (error, place, counts)
    _, place, counts = best
    edges = np.quantile(y[known], possible[place]).reshape(-1, 2)
    return {"edges": edges.tolist(), "n_components": [k + 1 for k in counts]}


def fit(X: Floats, y: Floats, settings: Mapping[str, Any]) -> Fitted:
    """Fit one analyte with the settings of a selection."""
    model = SubModels(**settings).fit(X, y)
    return Fitted(model.predictor_, model.arrays_)

"""Folds and held-out sets that never split a family of standards.

Families are sorted along the direction in which their compositions differ most and dealt in
blocks, one of each block to every fold in random order: each fold spans the whole range. For
one analyte that direction is the analyte itself (stratified dealing; common practice in
calibration, no source); for several it is the first principal component of their standardised
values. Then pairs of families change places as long as that makes the means and the spreads of
the folds more alike, over all analytes together. `imbalance` measures what is left.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calib.errors import DataError

Labels = NDArray[np.intp]
Floats = NDArray[np.float64]
Extremes = Literal["spread", "train"]

TOLERANCE = 0.25
"""Standard deviations by which the mean of a fold may differ from the mean of all: beyond a
quarter, groups do not count as alike (Stuart 2010, Stat. Sci. 25:1, doi 10.1214/09-STS313)."""

_SPREAD_WEIGHT = 0.25
"""Weight of the second moments beside the means, where families change places."""

_SIZE_WEIGHT = 4.0
"""Weight of the relative size of a fold beside the means."""

_SWEEPS = 30


@dataclass(frozen=True)
class _Families:
    """Families with what is needed to balance them.

    Attributes
    ----------
    names : ndarray of shape (families,)
    member : ndarray of int, shape (rows,)
    rows : ndarray of shape (families,)
        Rows of each.
    means : ndarray of shape (families, analytes)
        Mean composition, NaN where nothing is certified.
    order : ndarray of shape (families,)
        Place along the direction of largest difference.
    """

    names: NDArray[np.generic]
    member: Labels
    rows: Floats
    means: Floats
    order: Floats

    @property
    def ranked(self) -> Labels:
        """Families along the direction of largest difference, ties by name."""
        return np.lexsort((self.names, self.order))

    def moments(self) -> tuple[Floats, Floats]:
        """Return weighted standardised values with their squares, and the weights."""
        z = _standardised(self.means)
        known = np.isfinite(z)
        squares = z**2
        both = np.concatenate([z, np.sqrt(_SPREAD_WEIGHT) * (squares - 1)], axis=1)
        weight = np.concatenate([known, known], axis=1) * self.rows[:, None]
        return np.nan_to_num(both) * weight, weight


def _standardised(means: Floats) -> Floats:
    """Centre and scale the columns that are known; a constant column becomes zero."""
    usable = np.isfinite(means).any(axis=0)
    kept = means[:, usable]
    if kept.shape[1] == 0:
        return np.zeros((len(means), 0))
    spread = np.nanstd(kept, axis=0)
    out: Floats = (kept - np.nanmean(kept, axis=0)) / np.where(spread > 0, spread, 1.0)
    return out


def _describe(families: ArrayLike, values: ArrayLike) -> _Families:
    groups = np.asarray(families)
    names, member = np.unique(groups, return_inverse=True)
    table = np.asarray(values, dtype=float)
    if len(table) != len(groups):
        raise DataError(f"folds: found {len(table)} compositions for {len(groups)} rows, need one")
    table = table.reshape(len(groups), -1)
    known = np.isfinite(table)
    sums, counts = np.zeros((2, len(names), table.shape[1]))
    np.add.at(sums, member, np.where(known, table, 0.0))
    np.add.at(counts, member, known)
    means = np.where(counts > 0, sums / np.maximum(counts, 1), np.nan)
    scaled = np.nan_to_num(_standardised(means))
    if scaled.shape[1] == 0:
        order = np.zeros(len(names))
    elif scaled.shape[1] == 1:
        order = scaled[:, 0]
    else:
        direction = np.linalg.svd(scaled, full_matrices=False)[2][0]
        order = scaled @ (direction * np.sign(direction[np.argmax(np.abs(direction))]))
    return _Families(names, member, np.bincount(member).astype(float), means, order)


def _change_places(
    families: _Families,
    label: Labels,
    rng: np.random.Generator,
    movable: NDArray[np.bool_],
    *,
    places: int,
) -> Labels:
    """Let pairs of families change folds while that makes the folds more alike.

    The cost is the sum over folds and analytes of the squared standardised difference of the
    means (and, with less weight, of the second moments), and of the relative fold sizes. Each fold
    has some empty `places` too: who changes with one of them moves alone.
    """
    n, folds = len(label), int(label.max()) + 1
    aim = np.bincount(label, minlength=folds) / n * families.rows.sum()
    sums, weights = (np.pad(each, ((0, places * folds), (0, 0))) for each in families.moments())
    weight_of = np.pad(families.rows, (0, places * folds))
    label = np.concatenate([label, np.tile(np.arange(folds), places)])
    movable = np.pad(movable, (0, places * folds), constant_values=True)
    numerator, denominator = np.zeros((2, folds, sums.shape[1]))
    np.add.at(numerator, label, sums)
    np.add.at(denominator, label, weights)
    size = np.zeros(folds)
    np.add.at(size, label, weight_of)

    def cost(top: Floats, bottom: Floats, rows: Floats, wanted: Floats) -> Floats:
        means = top / np.maximum(bottom, 1e-9)
        out: Floats = (means**2).sum(axis=-1) + _SIZE_WEIGHT * (rows / wanted - 1) ** 2
        return np.where(rows > 0, out, np.inf)

    candidates = np.flatnonzero(movable)
    for _ in range(_SWEEPS):
        changed = False
        for i in rng.permutation(candidates):
            others = candidates[label[candidates] != label[i]]
            if others.size == 0:
                break
            f, g = label[i], label[others]
            up, more = sums[others] - sums[i], weights[others] - weights[i]
            rows = weight_of[others] - weight_of[i]
            new = cost(numerator[f] + up, denominator[f] + more, size[f] + rows, aim[f])
            new += cost(numerator[g] - up, denominator[g] - more, size[g] - rows, aim[g])
            now = cost(numerator, denominator, size, aim)
            gain = now[f] + now[g] - new
            best = int(np.argmax(gain))
            if gain[best] <= 1e-9:
                continue
            j, to = others[best], g[best]
            numerator[f], numerator[to] = numerator[f] + up[best], numerator[to] - up[best]
            denominator[f], denominator[to] = (
                denominator[f] + more[best],
                denominator[to] - more[best],
            )
            size[f], size[to] = size[f] + rows[best], size[to] - rows[best]
            label[i], label[j] = to, f
            changed = True
        if not changed:
            break
    return label[:n]


def assign_folds(
    families: ArrayLike, values: ArrayLike, count: int, *, seed: int | np.random.Generator
) -> Labels:
    """Deal rows into folds so that a family is never on both sides of a split.

    Extremes are spread over the folds like the rest: a standard that is never predicted out of
    fold would flatter RMSECV.

    Parameters
    ----------
    families : array_like of shape (n,)
        Family of each row; rows of one family share a fold.
    values : array_like of shape (n,) or (n, analytes)
        Composition by which folds are made alike; NaN where not certified.
    count : int
        Number of folds; the number of families gives leave-one-family-out.
    seed : int or Generator
        The same seed gives the same folds.

    Returns
    -------
    ndarray of int, shape (n,)
        Labels from 0 to ``count - 1``.

    Raises
    ------
    DataError
        If `count` is below 2 or above the number of families, or the lengths differ.

    Examples
    --------
    >>> assign_folds(["a", "a", "b", "c"], [1, 1, 2, 3], 3, seed=1).tolist()
    [0, 0, 1, 2]
    """
    dealt = _describe(families, values)
    n = len(dealt.names)
    if not 2 <= count <= n:
        raise DataError(
            f"folds: count is {count}, need 2 to {n}, the number of families of standards"
        )
    rng = np.random.default_rng(seed)
    if count == n:
        return dealt.member
    ranked = dealt.ranked
    label = np.empty(n, dtype=np.intp)
    for start in range(0, n, count):
        block = ranked[start : start + count]
        label[block] = rng.permutation(count)[: len(block)]
    if dealt.means.shape[1] > 1:  # for one analyte the blocks are the balance
        label = _change_places(dealt, label, rng, np.ones(n, dtype=bool), places=2)
    return label[dealt.member]


def choose_held_out(
    families: ArrayLike,
    values: ArrayLike,
    fraction: float,
    *,
    seed: int,
    extremes: Extremes = "spread",
) -> NDArray[np.bool_]:
    """Choose families to hold out, spread over the composition like the rest.

    Parameters
    ----------
    families, values
        As in `assign_folds`.
    fraction : float
        Share of the families, in (0, 0.5].
    seed : int
    extremes : {"spread", "train"}
        ``train`` keeps every family that holds the least or the largest value of an analyte for
        training, so that no held-out standard lies outside the range trained on.

    Returns
    -------
    ndarray of bool, shape (n,)
        True for rows that are held out.

    Raises
    ------
    DataError
        If `fraction` is outside (0, 0.5] or leaves no family on a side.
    """
    if not 0.0 < fraction <= 0.5:
        raise DataError(f"held-out fraction is {fraction:g}, need more than 0 and at most 0.5")
    dealt = _describe(families, values)
    n = len(dealt.names)
    free = np.ones(n, dtype=bool)
    if extremes == "train":
        free[_extreme_families(dealt, values)] = False
    wanted = round(fraction * n)
    if not 1 <= wanted < n or wanted > free.sum():
        raise DataError(
            f"held-out fraction {fraction:g} of {n} families is {wanted}, need 1 or more and at "
            f"most {min(n - 1, int(free.sum()))}"
        )
    ranked = dealt.ranked[free[dealt.ranked]]
    rng = np.random.default_rng(seed)
    label = np.zeros(n, dtype=np.intp)
    label[[rng.choice(block) for block in np.array_split(ranked, wanted)]] = 1
    out: NDArray[np.bool_] = _change_places(dealt, label, rng, free, places=0)[dealt.member] == 1
    return out


def _extreme_families(families: _Families, values: ArrayLike) -> Labels:
    """Return the families that hold the least or the largest value of an analyte."""
    table = np.asarray(values, dtype=float).reshape(len(families.member), -1)
    table = table[:, np.isfinite(table).any(axis=0)]
    rows = np.concatenate([np.nanargmin(table, axis=0), np.nanargmax(table, axis=0)])
    return np.unique(families.member[rows])


def imbalance(labels: ArrayLike, values: ArrayLike) -> Floats:
    """Measure how far folds are from one distribution.

    Parameters
    ----------
    labels : array_like of shape (n,)
        Fold of each row, or True for held-out rows.
    values : array_like of shape (n,) or (n, analytes)
        NaN where not certified.

    Returns
    -------
    ndarray of shape (analytes,)
        Largest difference between the mean of a fold and that of all rows, in standard deviations
        of all rows; compare with `TOLERANCE`. NaN where an analyte is not certified in every fold
        or is constant.
    """
    codes = np.asarray(labels)
    table = np.asarray(values, dtype=float).reshape(len(codes), -1)
    out = np.full(table.shape[1], np.nan)
    for j, column in enumerate(table.T):
        known = np.isfinite(column)
        spread = column[known].std() if known.any() else 0.0
        folds = [column[known & (codes == fold)] for fold in np.unique(codes)]
        if spread > 0 and all(each.size for each in folds):
            out[j] = max(abs(each.mean() - column[known].mean()) for each in folds) / spread
    return out


def leave_one_out(
    groups: ArrayLike, folds: ArrayLike
) -> Iterator[tuple[str, NDArray[np.bool_], NDArray[np.bool_]]]:
    """Leave one distance, session or family out at a time, and its standards with it.

    A standard shot at four distances would train the model that predicts it at the distance left
    out. So the folds stay: a row of group G in fold f is to be predicted by rows that are neither
    of group G nor in fold f. Use the first mask as training weight and the folds as they are.

    Parameters
    ----------
    groups : array_like of shape (n,)
        Distance, session or family of each row; rows with NaN or an empty text are left out.
    folds : array_like of shape (n,)
        Folds that keep families whole.

    Yields
    ------
    name : str
    trains : ndarray of bool, shape (n,)
        Rows outside the group.
    predicted : ndarray of bool, shape (n,)
        Rows of the group.

    Raises
    ------
    DataError
        If the lengths differ.
    """
    array = np.asarray(groups)
    if array.shape != np.shape(folds):
        raise DataError(f"folds: found {np.shape(folds)} labels for {array.shape} groups")
    named = array != "" if array.dtype.kind in "US" else np.isfinite(array.astype(float))
    for name in np.unique(array[named]):
        inside = named & (array == name)
        if not inside.all():
            yield f"{name:g}" if isinstance(name, np.floating) else str(name), ~inside, inside

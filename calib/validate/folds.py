"""Folds and held-out sets that never split a family of standards.

Families are sorted along the direction in which their compositions differ most and dealt in
blocks, one of each block to every fold in random order: each fold spans the whole range. For
one analyte that direction is the analyte itself (stratified dealing; common practice in
calibration, no source); for several it is the first principal component of their
standardised values.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calib.errors import DataError

Labels = NDArray[np.intp]


def _family_order(
    families: NDArray[np.generic], values: ArrayLike
) -> tuple[NDArray[np.generic], Labels, NDArray[np.float64]]:
    """Return the families, each row's index among them, and one ordering number a family."""
    names, member = np.unique(families, return_inverse=True)
    table = np.asarray(values, dtype=float).reshape(len(families), -1)
    known = np.isfinite(table)
    sums, counts = np.zeros((2, len(names), table.shape[1]))
    np.add.at(sums, member, np.where(known, table, 0.0))
    np.add.at(counts, member, known)
    with np.errstate(invalid="ignore"):
        means = sums / counts
    usable = np.isfinite(means).any(axis=0)
    means = means[:, usable]
    if means.shape[1] == 0:
        return names, member, np.zeros(len(names))
    centre = np.nanmean(means, axis=0)
    spread = np.nanstd(means, axis=0)
    scaled = np.nan_to_num((means - centre) / np.where(spread > 0, spread, 1.0))
    if scaled.shape[1] == 1:
        return names, member, scaled[:, 0]
    direction = np.linalg.svd(scaled, full_matrices=False)[2][0]
    direction = direction * np.sign(direction[np.argmax(np.abs(direction))])
    return names, member, scaled @ direction


def assign_folds(
    families: ArrayLike, values: ArrayLike, count: int, *, seed: int | np.random.Generator
) -> Labels:
    """Deal rows into folds so that a family is never on both sides of a split.

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
        If `count` is below 2 or above the number of families.

    Examples
    --------
    >>> assign_folds(["a", "a", "b", "c"], [1, 1, 2, 3], 3, seed=1).tolist()
    [0, 0, 1, 2]
    """
    groups = np.asarray(families)
    names, member, order = _family_order(groups, values)
    if not 2 <= count <= len(names):
        raise DataError(
            f"folds: count is {count}, need 2 to {len(names)}, the number of families of standards"
        )
    rng = np.random.default_rng(seed)
    if count == len(names):
        return member
    ranked = np.lexsort((names, order))
    label = np.empty(len(names), dtype=np.intp)
    for start in range(0, len(names), count):
        block = ranked[start : start + count]
        label[block] = rng.permutation(count)[: len(block)]
    return label[member]


def choose_held_out(
    families: ArrayLike, values: ArrayLike, fraction: float, *, seed: int
) -> NDArray[np.bool_]:
    """Choose families to hold out, spread over the composition like the rest.

    Parameters
    ----------
    families, values
        As in `assign_folds`.
    fraction : float
        Share of the families, in (0, 0.5].
    seed : int

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
    groups = np.asarray(families)
    names, member, order = _family_order(groups, values)
    wanted = round(fraction * len(names))
    if not 1 <= wanted < len(names):
        raise DataError(
            f"held-out fraction {fraction:g} of {len(names)} families is {wanted}, need 1 or more"
        )
    ranked = np.lexsort((names, order))
    rng = np.random.default_rng(seed)
    chosen = [rng.choice(block) for block in np.array_split(ranked, wanted)]
    out = np.zeros(len(names), dtype=bool)
    out[chosen] = True
    return out[member]

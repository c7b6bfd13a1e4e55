"""What a trained regressor does at prediction, as small functions of named arrays (numpy only).

Estimators call these from ``predict``; freezing writes the arrays; the frozen runtime calls the
same function. There is no second implementation to drift.

A predictor takes ``X`` (rows, channels) and its named arrays, a combination the predictions of its
members (members, rows) and its named arrays; both return (rows,).
"""

from __future__ import annotations

import inspect
from collections.abc import Callable, Mapping

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.floating]


def affine(X: Floats, *, coefficients: Floats, intercept: Floats) -> Floats:
    """Return ``X @ coefficients + intercept``: PLS, ridge, LASSO and every linear model.

    Parameters
    ----------
    X : ndarray of shape (rows, channels)
    coefficients : ndarray of shape (channels,)
    intercept : ndarray of shape (1,)

    Returns
    -------
    ndarray of shape (rows,)
        In the analyte's unit.
    """
    # einsum, not a BLAS product: a row's prediction must not depend on how many rows come along
    product: Floats = np.einsum("ij,j->i", X, coefficients)
    predicted: Floats = product + intercept[0]
    return predicted


def project(X: Floats, weights: Floats, offset: Floats) -> Floats:
    """Return the scores ``X @ weights + offset``, for the predictors that work on scores.

    Parameters
    ----------
    X : ndarray of shape (rows, channels)
    weights : ndarray of shape (channels, k)
    offset : ndarray of shape (k,)

    Returns
    -------
    ndarray of shape (rows, k)
    """
    scores = np.empty((X.shape[0], offset.shape[0]))
    columns = np.ascontiguousarray(weights.T)
    for rows in _chunks(len(X)):
        # one layout: sums in another order round differently, and trees turn on the last digit
        part = np.ascontiguousarray(X[rows])
        for k, column in enumerate(columns):
            scores[rows, k] = np.einsum("ij,j->i", part, column) + offset[k]
    return scores


def blended(X: Floats, *, coefficients: Floats, intercept: Floats, edges: Floats) -> Floats:
    """Return a blend of linear sub-models of overlapping ranges, picked by a full-range model.

    In an overlap from a to b the weight of the upper sub-model is (y − a) / (b − a), kept within 0
    and 1, with y what the full-range model predicts: Anderson et al. (2017), Spectrochim. Acta B
    129:49, doi 10.1016/j.sab.2016.12.002.

    Parameters
    ----------
    X : ndarray of shape (rows, channels)
    coefficients : ndarray of shape (m + 1, channels)
        The full-range model, then m sub-models from low to high.
    intercept : ndarray of shape (m + 1,)
    edges : ndarray of shape (m − 1, 2)
        a and b of each overlap, rising, in the analyte's unit.

    Returns
    -------
    ndarray of shape (rows,)
        In the analyte's unit.
    """
    single = [
        affine(X, coefficients=c, intercept=intercept[i : i + 1])
        for i, c in enumerate(coefficients)
    ]
    return blend(single[0], np.stack(single[1:]), edges[:, :, None])


def blend(full: Floats, members: Floats, edges: Floats) -> Floats:
    """Blend what sub-models predict, see `blended`.

    Parameters
    ----------
    full : ndarray of shape (rows,)
        What the full-range model predicts.
    members : ndarray of shape (m, rows)
        What the sub-models predict.
    edges : ndarray of shape (m − 1, 2, rows) or (m − 1, 2, 1)

    Returns
    -------
    ndarray of shape (rows,)
    """
    mixed: Floats = members[0]
    for member, (low, high) in zip(members[1:], edges, strict=True):
        share = np.clip((full - low) / (high - low), 0.0, 1.0)
        mixed = mixed + share * (member - mixed)
    return mixed


def kernel_sum(
    X: Floats,
    *,
    weights: Floats,
    offset: Floats,
    centres: Floats,
    dual: Floats,
    linear: Floats,
    radial: Floats,
    gamma: Floats,
    intercept: Floats,
) -> Floats:
    """Return a sum of kernels between the scores of a row and those of the centres.

    ``intercept + Σ dual · (linear t·c + radial exp(−gamma |t − c|²))``, t the scores of a row and c
    a centre: Gaussian process and support vector regression.

    Parameters
    ----------
    X : ndarray of shape (rows, channels)
    weights, offset : ndarray of shape (channels, k) and (k,)
        Scores are ``X @ weights + offset``.
    centres : ndarray of shape (s, k)
        Scores of training rows.
    dual : ndarray of shape (s,)
        In the analyte's unit.
    linear, radial, gamma, intercept : ndarray of shape (1,)

    Returns
    -------
    ndarray of shape (rows,)
        In the analyte's unit.
    """
    scores = project(X, weights, offset)
    slope = np.einsum("s,sk->k", dual, centres) * linear[0]
    predicted = np.empty(len(scores))
    for block in _chunks(len(scores), size=1 + _TABLE // len(centres)):
        square = _square_distances(scores[block], centres)
        near = np.einsum("rs,s->r", np.exp(square * -gamma[0]), dual)
        predicted[block] = np.einsum("rk,k->r", scores[block], slope) + near * radial[0]
    total: Floats = predicted + intercept[0]
    return total


def _square_distances(scores: Floats, centres: Floats) -> Floats:
    """Return squared distances (rows, centres), of each row as if it came alone."""
    square = np.zeros((len(scores), len(centres)))
    for k in range(scores.shape[1]):
        square += (scores[:, k, None] - centres[:, k]) ** 2
    return square


def local(
    X: Floats,
    *,
    weights: Floats,
    offset: Floats,
    scores: Floats,
    values: Floats,
    neighbours: NDArray[np.integer],
    components: NDArray[np.integer],
) -> Floats:
    """Return what PLS1 models say that are fitted to each row's nearest training rows.

    Neighbours weigh by the tricube of their distance over that of the farthest, as in Cleveland
    (1979), J. Am. Stat. Assoc. 74:829, doi 10.1080/01621459.1979.10481038.

    Parameters
    ----------
    X : ndarray of shape (rows, channels)
    weights, offset : ndarray of shape (channels, k) and (k,)
        Scores are ``X @ weights + offset``.
    scores : ndarray of shape (s, k)
        Of the training rows.
    values : ndarray of shape (s,)
        Certified values.
    neighbours, components : ndarray of int, shape (1,)
        How many training rows a model is fitted to, and its components.

    Returns
    -------
    ndarray of shape (rows,)
        In the analyte's unit.
    """
    seen = project(X, weights, offset)
    predicted: Floats = local_path(seen, scores, values, int(neighbours[0]), components)[0]
    return predicted


def local_path(
    new: Floats, scores: Floats, values: Floats, neighbours: int, components: NDArray[np.integer]
) -> Floats:
    """Return what `local` predicts with several counts of components.

    Parameters
    ----------
    new : ndarray of shape (rows, k)
        Scores of the rows to predict.
    scores, values : ndarray of shape (s, k) and (s,)
    neighbours : int
    components : ndarray of int, shape (counts,)
        Rising.

    Returns
    -------
    ndarray of shape (counts, rows)
    """
    count = min(neighbours, len(scores))
    out = np.empty((len(components), len(new)))
    for rows in _chunks(len(new), size=1 + _TABLE // (count * scores.shape[1])):
        square = _square_distances(new[rows], scores)
        nearest = np.argsort(square, axis=1, kind="stable")[:, :count]
        near = np.take_along_axis(square, nearest, axis=1)
        reach = np.where(near[:, -1:] > 0, near[:, -1:], 1.0)
        weight = (1 - np.minimum(near / reach, 1.0) ** 1.5) ** 3
        weight = np.where(weight.sum(axis=1, keepdims=True) > 0, weight, 1.0)
        path = _local_fit(scores[nearest], values[nearest], weight, new[rows], int(components[-1]))
        out[:, rows] = path[components - 1]
    return out


def _local_fit(T: Floats, y: Floats, weight: Floats, new: Floats, components: int) -> Floats:
    """Predict each of some rows by weighted PLS1 on its own neighbours, (components, rows).

    NIPALS with weighted means and inner products: Geladi & Kowalski (1986), Anal. Chim. Acta
    185:1, doi 10.1016/0003-2670(86)80028-9. T is (rows, neighbours, k), y and weight
    (rows, neighbours), new (rows, k). Sums run along an axis of fixed length, so that a row's
    prediction does not depend on how many come along.
    """
    share = weight / weight.sum(axis=1, keepdims=True)
    middle = (T * share[:, :, None]).sum(axis=1)
    predicted = (y * share).sum(axis=1)
    T, new = T - middle[:, None], new - middle
    left = y - predicted[:, None]
    floor = _RANK * (share * (T * T).sum(axis=2)).sum(axis=1)
    path = np.empty((components, len(new)))
    for a in range(components):
        direction = (T * (share * left)[:, :, None]).sum(axis=1)
        length = np.sqrt((direction**2).sum(axis=1))
        direction = direction / np.where(length > 0, length, 1.0)[:, None]
        t = (T * direction[:, None]).sum(axis=2)
        square = (share * t * t).sum(axis=1)
        live = square > floor
        square = np.where(live, square, 1.0)
        loading = (T * (share * t)[:, :, None]).sum(axis=1) / square[:, None]
        slope = np.where(live, (share * t * left).sum(axis=1) / square, 0.0)
        own = (new * direction).sum(axis=1)
        predicted = predicted + slope * own
        left = left - slope[:, None] * t
        T = T - t[:, :, None] * loading[:, None]
        new = new - own[:, None] * loading
        path[a] = predicted
    return path


def binned(X: Floats, starts: NDArray[np.integer]) -> Floats:
    """Return the means of adjacent channels.

    Parameters
    ----------
    X : ndarray of shape (rows, channels)
    starts : ndarray of int, shape (bins,)
        First channel of each bin, increasing from 0; the last bin ends with the channels.

    Returns
    -------
    ndarray of shape (rows, bins)
        Bins of one channel are that channel, unchanged.
    """
    widths = np.diff(starts, append=X.shape[1])
    if (widths == 1).all():
        return np.asarray(X, dtype=np.float64)
    rows = np.ascontiguousarray(X, dtype=np.float64)
    means: Floats = np.add.reduceat(rows, starts, axis=1) / widths
    return means


def trees(
    X: Floats,
    *,
    weights: Floats,
    offset: Floats,
    starts: NDArray[np.integer],
    feature: NDArray[np.integer],
    threshold: Floats,
    children: NDArray[np.integer],
    value: Floats,
    roots: NDArray[np.integer],
    start: Floats,
    divisor: Floats,
) -> Floats:
    """Return the sum or the mean of what regression trees say: forests and boosting.

    Parameters
    ----------
    X : ndarray of shape (rows, channels)
    weights : ndarray of shape (channels, k)
        The trees look at ``X @ weights + offset``; shape (0, 0) where they look at bins.
    offset : ndarray of shape (k,)
    starts : ndarray of int, shape (bins,)
        First channel of each bin; the trees look at the mean of each. Empty where they look at
        scores.
    feature : ndarray of int, shape (nodes,)
        Which of these numbers a node compares.
    threshold : ndarray of shape (nodes,)
        A number at most this goes to the left child.
    children : ndarray of int, shape (nodes, 2)
        Left and right; a leaf is its own child.
    value : ndarray of shape (nodes,)
        What a leaf says.
    roots : ndarray of int, shape (trees,)
        First node of each tree.
    start : ndarray of shape (1,)
        Where the sum starts.
    divisor : ndarray of shape (1,)
        What it is divided by in the end: the number of trees of a forest, 1 in boosting.

    Returns
    -------
    ndarray of shape (rows,)
        In the analyte's unit.
    """
    seen = project(X, weights, offset) if offset.size else binned(X, starts)
    out = np.empty(len(seen))
    flat, compared = children.ravel().astype(np.intp), feature.astype(np.intp)
    for rows in _chunks(len(seen), size=_WALK // roots.size + 1):
        part = np.ascontiguousarray(seen[rows])
        line = np.arange(0, part.size, part.shape[1])[:, None]
        node = np.broadcast_to(roots, (len(part), roots.size)).astype(np.intp)
        for _ in range(feature.size):  # a damaged model with a ring of nodes ends too
            right = part.take(line + compared.take(node)) > threshold.take(node)
            below = flat.take(2 * node + right)
            if (below == node).all():
                break
            node = below
        # one tree after another, as the trees were added up in training
        said = np.concatenate([np.full((len(part), 1), start[0]), value[node]], axis=1)
        out[rows] = np.cumsum(said, axis=1)[:, -1] / divisor[0]
    return out


# Rows worked on at a time, so that they stay in the processor's cache.
_ROWS = 64

# Of the neighbours' variance; a direction with less is taken for rounding.
_RANK = 1e-12

# Distances between rows and centres worked out together.
_TABLE = 1_000_000

# Nodes of trees looked at together.
_WALK = 20_000


def _chunks(rows: int, size: int = _ROWS) -> list[slice]:
    return [slice(first, min(first + size, rows)) for first in range(0, rows, size)]


PREDICTORS: Mapping[str, Callable[..., Floats]] = {
    "affine": affine,
    "blended": blended,
    "kernel_sum": kernel_sum,
    "local": local,
    "trees": trees,
}
"""Prediction functions by the name a manifest gives; a new kind is one function and one line."""


def single(members: Floats) -> Floats:
    """Return the predictions of the only member.

    Parameters
    ----------
    members : ndarray of shape (1, rows)

    Returns
    -------
    ndarray of shape (rows,)
    """
    only: Floats = members[0]
    return only


def weights(members: Floats, *, weights: Floats) -> Floats:
    """Return the weighted sum of the members' predictions.

    Parameters
    ----------
    members : ndarray of shape (members, rows)
    weights : ndarray of shape (members,)

    Returns
    -------
    ndarray of shape (rows,)
    """
    # one member after another: a row's prediction must not depend on how many rows come along
    total = np.zeros(members.shape[1])
    for weight, member in zip(weights, members, strict=True):
        total += weight * member
    return total


def hats(at: Floats, knots: Floats) -> Floats:
    """Return the shares of knots in a straight line between them.

    Parameters
    ----------
    at : ndarray of shape (rows,)
    knots : ndarray of shape (k,)
        Increasing.

    Returns
    -------
    ndarray of shape (k, rows)
        Each column sums to one; beyond the first and last knot they alone count.
    """
    return np.stack([np.interp(at, knots, own) for own in np.eye(len(knots))])


def weights_by_range(members: Floats, *, centre: Floats, knots: Floats, weights: Floats) -> Floats:
    """Return a weighted sum of the members' predictions whose weights change over the range.

    Parameters
    ----------
    members : ndarray of shape (members, rows)
    centre : ndarray of shape (members,)
        Constant weights; their sum of the members says where on the range a row is.
    knots : ndarray of shape (k,)
        Predicted values at which weights are given, increasing.
    weights : ndarray of shape (k, members)
        They run straight between the knots and stay as they are beyond.

    Returns
    -------
    ndarray of shape (rows,)
    """
    at = np.zeros(members.shape[1])
    for weight, member in zip(centre, members, strict=True):
        at += weight * member
    total = np.zeros(members.shape[1])
    for share, own in zip(hats(at, knots), weights, strict=True):
        for weight, member in zip(own, members, strict=True):
            total += share * weight * member
    return total


COMBINATIONS: Mapping[str, Callable[..., Floats]] = {
    "single": single,
    "weights": weights,
    "weights_by_range": weights_by_range,
}
"""How the predictions of several members become one, by the name a manifest gives."""


def array_names(kind: str) -> set[str]:
    """Return the names of the arrays that a predictor or combination of this kind takes."""
    function = PREDICTORS.get(kind) or COMBINATIONS[kind]
    return set(inspect.signature(function).parameters) - {"X", "members"}


def predict(kind: str, X: Floats, arrays: Mapping[str, Floats]) -> Floats:
    """Run the predictor `kind` on its arrays.

    Raises
    ------
    KeyError
        If there is no such kind; callers that read files check first.
    """
    return PREDICTORS[kind](X, **arrays)


def fault(kind: str, arrays: Mapping[str, Floats]) -> str | None:
    """Say what in the arrays of a predictor would keep it busy without end; None if nothing.

    Parameters
    ----------
    kind : str
    arrays : mapping of str to ndarray
        Those that the predictor takes, of any shape.
    """
    if kind == "trees":
        children = arrays["children"]
        if children.ndim != 2 or (children < np.arange(len(children))[:, None]).any():
            return "a node of its trees leads back, need children behind their parents"
    if kind == "local" and arrays["components"].max(initial=0) > max(arrays["scores"].shape):
        return "more components than training rows or scores"
    return None


def combine(kind: str, members: Floats, arrays: Mapping[str, Floats]) -> Floats:
    """Run the combination `kind`, (members, rows) to (rows,).

    Raises
    ------
    KeyError
        If there is no such kind; callers that read files check first.
    """
    return COMBINATIONS[kind](members, **arrays)

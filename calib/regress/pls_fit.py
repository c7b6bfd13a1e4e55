"""One response's PLS1 model with all that is told about it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solve_triangular

from calib.regress import pls_core, pls_gram

Floats = NDArray[np.float64]


@dataclass
class ResponseModel:
    """One analyte's PLS1 model; component first, channel or row second."""

    x_mean: Floats
    x_scale: Floats
    y_mean: float
    weights: Floats
    loadings: Floats
    rotations: Floats
    scores: Floats
    y_loadings: Floats
    x_explained: Floats
    y_explained: Floats
    vip: Floats
    selectivity_ratio: Floats
    coef_path: Floats
    kept: int


@dataclass(frozen=True)
class TrainingRows:
    """What all responses certified on the same rows share.

    Attributes
    ----------
    weight : array (n,)
        Row weights, the largest 1; 0 outside the training rows.
    mean, divisor, square : array (p,)
        Weighted mean, what a channel is divided by, and weighted sum of squares after.
    gram : array (n, n) or None
        Gram matrix, where p ≥ n.
    """

    weight: Floats
    mean: Floats
    divisor: Floats
    square: Floats
    gram: Floats | None


def training_rows(
    X: NDArray[Any], weight: Floats, scale: bool, gram: Floats | None = None
) -> TrainingRows:
    """Prepare the rows of weight above 0; ``gram`` is `gram_matrix(X)` where at hand."""
    weight = weight / weight.max()
    mean, deviation = pls_gram.channel_moments(X, weight)
    rows = int((weight > 0).sum())
    square = weight.sum() * deviation**2 * (rows - 1) / rows
    divisor = np.ones_like(mean)
    if scale:
        divisor = np.where(deviation > 0, deviation, 1.0)
        square = square / divisor**2
    if X.shape[1] < X.shape[0]:
        gram = None
    elif scale:
        gram = pls_gram.scaled_gram_matrix(X, weight)
    elif gram is None:
        gram = pls_gram.gram_matrix(X)
    return TrainingRows(weight, mean, divisor, square, gram)


def fit_responses(
    X: NDArray[Any], responses: Floats, training: TrainingRows, n_components: int
) -> list[ResponseModel]:
    """Fit responses (k, n) that share their training rows."""
    share = training.weight / training.weight.sum()
    means = responses @ share
    y = responses - means[:, None]
    used = np.where(training.weight > 0, np.abs(y), 0.0).max(axis=1)
    y[used <= pls_core.ROUNDINGS * np.finfo(float).eps * np.abs(means)] = 0.0  # constant
    if training.gram is None:
        found = _from_cross(X, y, training, n_components)
    else:
        found = _from_gram(X, training.gram, y, training, n_components)
    return [_describe(X, y[k], float(means[k]), training, part) for k, part in enumerate(found)]


@dataclass(frozen=True)
class _Found:
    """Components of one response whose scores are orthonormal; rows are components."""

    rotations: Floats
    weights: Floats  # unit length
    loadings: Floats
    q: Floats
    lengths: Floats  # of the score that a weight of unit length gives
    kept: int


def _describe(
    X: NDArray[Any], y: Floats, y_mean: float, training: TrainingRows, found: _Found
) -> ResponseModel:
    """Return a response's model with all that is told about it."""
    rotations = found.rotations / training.divisor
    orthonormal = rows_dot_channels(rotations, X) - (rotations @ training.mean)[:, None]
    coef_path = np.cumsum(found.q[:, None] * rotations, axis=0)
    length = np.where(found.lengths > 0, found.lengths, 1.0)[:, None]
    square = float(training.weight @ y**2)
    whole = max(float(training.square.sum()), np.finfo(float).tiny)
    return ResponseModel(
        x_mean=training.mean,
        x_scale=training.divisor,
        y_mean=y_mean,
        weights=found.weights,
        loadings=found.loadings / length,
        rotations=found.rotations * length,
        scores=orthonormal * length,
        y_loadings=found.q / length[:, 0],
        x_explained=(found.loadings**2).sum(axis=1) / whole,
        y_explained=found.q**2 / square if square > 0 else np.zeros_like(found.q),
        vip=_vip(found.weights, found.q),
        selectivity_ratio=_selectivity(X, coef_path[-1], training),
        coef_path=coef_path,
        kept=found.kept,
    )


def _from_gram(
    X: NDArray[Any], gram: Floats, y: Floats, training: TrainingRows, n_components: int
) -> list[_Found]:
    """Find the components of responses (k, n) through XXᵀ."""
    weight = np.broadcast_to(training.weight, y.shape)
    part = pls_core.gram_components(gram, y, weight, n_components, keep=True)
    assert part.weighted_residual is not None
    assert part.projection is not None
    out = []
    for k in range(len(y)):
        kept = int(part.kept[k])
        source = part.weighted_residual[k, :kept]
        lower = part.projection[k, :kept, :kept]
        dual = solve_triangular(lower, source, lower=True) if kept else source
        scores = part.basis[k, 1 : kept + 1] * training.weight
        three = np.zeros((3, n_components, X.shape[1]))
        for place, rows in zip(three, (dual, source, scores), strict=True):
            place[:kept] = rows_dot_spectra(rows, X) - np.outer(rows.sum(axis=1), training.mean)
            place /= training.divisor
        norms = np.linalg.norm(three[1], axis=1)
        norms[norms == 0] = 1.0
        lengths = np.zeros(n_components)
        lengths[:kept] = np.diagonal(lower) / norms[:kept]
        weights = three[1] / norms[:, None]
        out.append(_Found(three[0], weights, three[2], part.response[k], lengths, kept))
    return out


def _from_cross(
    X: NDArray[Any], y: Floats, training: TrainingRows, n_components: int
) -> list[_Found]:
    """Find the components of responses (k, n) through XᵀX."""
    root = np.sqrt(training.weight)
    Z = (X - training.mean) / training.divisor * root[:, None]
    y = y * root
    found = pls_core.cross_product_components(Z.T @ Z, y @ Z, np.vecdot(y, y), n_components)
    return [
        _Found(
            found.rotation[k],
            found.weight[k],
            found.loading[k],
            found.response[k],
            found.score_length[k],
            int(found.kept[k]),
        )
        for k in range(len(y))
    ]


def rows_dot_spectra(rows: Floats, X: NDArray[Any]) -> Floats:
    """Return rows (k, n) @ X (n, p) in float64, widening X a block at a time."""
    if X.dtype == np.float64:
        whole: Floats = rows @ X
        return whole
    return np.concatenate(
        [rows @ X[:, b].astype(np.float64) for b in pls_gram.blocks(0, X.shape[1])], axis=1
    )


def rows_dot_channels(rows: Floats, X: NDArray[Any]) -> Floats:
    """Return rows (k, p) @ Xᵀ (p, n) in float64, widening X a block at a time."""
    if X.dtype == np.float64:
        whole: Floats = rows @ X.T
        return whole
    return np.concatenate(
        [rows @ X[b].astype(np.float64).T for b in pls_gram.blocks(0, X.shape[0])], axis=1
    )


def _vip(weights: Floats, q: Floats) -> Floats:
    """Return the variable importance in projection of each channel (Chong & Jun, eq. 4)."""
    explained = q**2
    total = explained.sum()
    if total == 0:
        return np.zeros(weights.shape[1])
    result: Floats = np.sqrt(weights.shape[1] * (explained @ weights**2) / total)
    return result


def _selectivity(X: NDArray[Any], coef: Floats, training: TrainingRows) -> Floats:
    """Return explained over residual variance of each channel on the target projection."""
    along = rows_dot_channels(coef[None], X)[0] - coef @ training.mean
    square = float(training.weight @ along**2)
    if square == 0:
        return np.zeros_like(coef)
    rows = (training.weight * along)[None]
    loading = (rows_dot_spectra(rows, X)[0] - rows.sum() * training.mean) / training.divisor
    explained = loading**2 / square
    whole = training.square
    left = np.maximum(whole - explained, np.finfo(float).eps * np.maximum(whole, 1e-300))
    ratio: Floats = np.where(whole > 0, explained / left, 0.0)
    return ratio

"""One response's PLS1 model with all that is told about it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solve_triangular

from calib.regress import pls_core

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


def fit_response(
    X: NDArray[Any],
    response: Floats,
    weight: Floats,
    n_components: int,
    scale: bool,
    gram: Floats | None,
) -> ResponseModel:
    """Fit one analyte on the rows of weight above 0."""
    n, p = X.shape
    mean, deviation = pls_core.channel_moments(X, weight)
    divisor = deviation if scale else np.ones(p)
    y_mean = float(weight @ response / weight.sum())
    y = response - y_mean
    variance = weight.sum() * _population(deviation, weight) / divisor**2
    if p >= n:
        if gram is None:
            gram = pls_core.scaled_gram_matrix(X, weight)
        found = _from_gram(X, gram, y, weight, n_components, divisor, mean)
    else:
        found = _from_cross(X, y, weight, n_components, divisor, mean)
    rotations, unit_weights, loadings, q, lengths, kept = found
    orthonormal = rows_dot_channels(rotations / divisor, X) - (rotations / divisor @ mean)[:, None]
    coef_path = np.cumsum(q[:, None] * rotations, axis=0) / divisor
    length = np.where(lengths > 0, lengths, 1.0)[:, None]
    square = float(weight @ y**2)
    y_share = q**2 / square if square > 0 else np.zeros_like(q)
    return ResponseModel(
        x_mean=mean,
        x_scale=divisor,
        y_mean=y_mean,
        weights=unit_weights,
        loadings=loadings / length,
        rotations=rotations * length,
        scores=orthonormal * length,
        y_loadings=q / length[:, 0],
        x_explained=(loadings**2).sum(axis=1) / max(variance.sum(), np.finfo(float).tiny),
        y_explained=y_share,
        vip=_vip(unit_weights, q),
        selectivity_ratio=_selectivity(X, coef_path[-1] * divisor, mean, divisor, weight, variance),
        coef_path=coef_path,
        kept=kept,
    )


def _population(deviation: Floats, weight: Floats) -> Floats:
    """Return the variance with divisor Σ weight from a deviation with divisor n − 1."""
    rows = int((weight > 0).sum())
    return deviation**2 * (rows - 1) / rows


_Found = tuple[Floats, Floats, Floats, Floats, Floats, int]


def _from_gram(
    X: NDArray[Any],
    gram: Floats,
    y: Floats,
    weight: Floats,
    n_components: int,
    divisor: Floats,
    mean: Floats,
) -> _Found:
    """Return rotations, weights, loadings, q, score lengths and count, through XXᵀ."""
    part = pls_core.gram_components(gram, y[None], weight[None], n_components, keep=True)
    assert part.weighted_residual is not None
    assert part.projection is not None
    kept = int(part.kept[0])
    source = part.weighted_residual[0, :kept]
    lower = part.projection[0, :kept, :kept]
    dual = solve_triangular(lower, source, lower=True) if kept else source
    scores = part.basis[0, 1 : kept + 1] * weight

    def channels(rows: Floats) -> Floats:
        full = np.zeros((n_components, X.shape[1]))
        full[:kept] = (rows_dot_spectra(rows, X) - rows.sum(axis=1)[:, None] * mean) / divisor
        return full

    weights = channels(source)
    norms = np.linalg.norm(weights, axis=1)
    norms[norms == 0] = 1.0
    lengths = np.zeros(n_components)
    lengths[:kept] = np.diagonal(lower) / norms[:kept]
    return (
        channels(dual),
        weights / norms[:, None],
        channels(scores),
        part.response[0],
        lengths,
        kept,
    )


def _from_cross(
    X: NDArray[Any],
    y: Floats,
    weight: Floats,
    n_components: int,
    divisor: Floats,
    mean: Floats,
) -> _Found:
    """Return rotations, weights, loadings, q, score lengths and count, through XᵀX."""
    Z = (X - mean) / divisor * np.sqrt(weight)[:, None]
    root = np.sqrt(weight) * y
    found = pls_core.cross_product_components(
        Z.T @ Z, (root @ Z)[None], np.array([root @ root]), n_components
    )
    return (
        found.rotation[0],
        found.weight[0],
        found.loading[0],
        found.response[0],
        found.score_length[0],
        int(found.kept[0]),
    )


def rows_dot_spectra(rows: Floats, X: NDArray[Any]) -> Floats:
    """Return rows (k, n) @ X (n, p) in float64, widening X a block at a time."""
    if X.dtype == np.float64:
        whole: Floats = rows @ X
        return whole
    return np.concatenate(
        [rows @ X[:, b].astype(np.float64) for b in pls_core.blocks(X.shape[1])], axis=1
    )


def rows_dot_channels(rows: Floats, X: NDArray[Any]) -> Floats:
    """Return rows (k, p) @ Xᵀ (p, n) in float64, widening X a block at a time."""
    if X.dtype == np.float64:
        whole: Floats = rows @ X.T
        return whole
    return np.concatenate(
        [rows @ X[b].astype(np.float64).T for b in pls_core.blocks(X.shape[0])], axis=1
    )


def _vip(weights: Floats, q: Floats) -> Floats:
    """Return the variable importance in projection of each channel (Chong & Jun, eq. 4)."""
    explained = q**2
    total = explained.sum()
    if total == 0:
        return np.zeros(weights.shape[1])
    result: Floats = np.sqrt(weights.shape[1] * (explained @ weights**2) / total)
    return result


def _selectivity(
    X: NDArray[Any],
    direction: Floats,
    mean: Floats,
    divisor: Floats,
    weight: Floats,
    variance: Floats,
) -> Floats:
    """Return explained over residual variance of each channel on the target projection."""
    along = rows_dot_channels((direction / divisor)[None], X)[0] - direction / divisor @ mean
    square = float(weight @ along**2)
    if square == 0:
        return np.zeros_like(mean)
    rows = (weight * along)[None]
    loading = ((rows_dot_spectra(rows, X) - rows.sum() * mean) / divisor)[0]
    explained = loading**2 / square
    left = np.maximum(variance - explained, np.finfo(float).eps * np.maximum(variance, 1e-300))
    ratio: Floats = np.where(variance > 0, explained / left, 0.0)
    return ratio

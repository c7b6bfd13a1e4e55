"""The numerics of PLS1, for many responses and training sets at once.

Every function takes arrays of one array-API namespace and returns arrays of it, on the
same device; nothing here knows about folds, standards or scikit-learn.

Symbols (Höskuldsson, J. Chemom. 2 (1988) 211; Dayal & MacGregor, J. Chemom. 11 (1997) 73)
--------------------------------------------------------------------------------------
K = X Xᵀ      Gram matrix                       C = Xᵀ X   cross-product matrix
t_a           score a, orthonormal here         w_a        weight a
q_a           response on score a               r_a        rotation a: t_a = X r_a
e             response left after a components  s = Xᵀ e   its covariance with X

PLS1 scores span the Krylov space of (K, y): t_a is K e, made orthogonal to the scores
before it (Lindgren, Geladi & Wold, J. Chemom. 7 (1993) 45, for the kernel form).  A
*column* is one response with one training set.  Rows outside that training set have
weight 0: they take no part in any inner product, yet follow the same recurrence, so the
score of a row left out, and with it its prediction, needs no further solve.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import array_api_compat

Array = Any

# A direction is kept when it stands this many roundings above the size of the matrix it
# came from; below, it is noise of the arithmetic and the column stops.
ROUNDINGS = 50.0


@dataclass(frozen=True)
class GramComponents:
    """Scores of many columns.

    Attributes
    ----------
    basis : array (columns, components + 1, n)
        Slot 0 is the constant, slot a is score a; orthonormal under the column's weights.
    response : array (columns, components)
        q_a; zero from the component at which the column stopped.
    kept : array (columns,)
        Components reached before the column stopped.
    weighted_residual : array (columns, components, n) or None
        Weights times the response left before each component; its product with X is w_a.
    projection : array (columns, components, components) or None
        Unit upper-triangular per column, as rows: what was taken from K e to make t_a,
        and on the diagonal the length of what was left.
    """

    basis: Array
    response: Array
    kept: Array
    weighted_residual: Array | None = None
    projection: Array | None = None


def gram_components(
    gram: Array, response: Array, weight: Array, n_components: int, *, keep: bool = False
) -> GramComponents:
    """Return the PLS1 scores of every column from one Gram matrix.

    Parameters
    ----------
    gram : array (n, n)
        X Xᵀ; X need not be centred.
    response : array (columns, n)
        Centred under the column's weights.
    weight : array (columns, n)
        Row weights, best of at most 1; 0 outside the training set.
    n_components : int
        Components to take.
    keep : bool, default False
        Keep what the weights and rotations are made from.

    Returns
    -------
    GramComponents
        Scores of all rows, those of weight 0 too.

    Notes
    -----
    K e of an uncentred K differs from that of the centred one by a constant over the
    rows, because the weighted sum of e is zero; so centring is one subtraction.  K e is
    in exact arithmetic orthogonal to all scores but the last, which is taken out first;
    one pass over all scores then does the work of a second Gram-Schmidt pass.
    """
    xp = array_api_compat.array_namespace(gram, response, weight)
    columns, n = response.shape
    like = {"dtype": gram.dtype, "device": array_api_compat.device(gram)}
    floor = ROUNDINGS * xp.finfo(gram.dtype).eps
    total = xp.sum(weight, axis=1, keepdims=True)
    smallest_norm = floor * (weight @ xp.linalg.diagonal(gram))[:, None]
    basis = xp.empty((columns, n_components + 1, n), **like)
    basis[:, 0, :] = xp.broadcast_to(1 / xp.sqrt(total), (columns, n))
    q = xp.zeros((columns, n_components), **like)
    kept = xp.zeros((columns, 1), **like)
    residuals = xp.empty((columns, n_components, n), **like) if keep else None
    projection = xp.zeros((columns, n_components, n_components), **like) if keep else None

    # Only the weighted residual is carried along; its length, with weights of at most 1,
    # is that of the residual or less, which is all the test for rank needs.
    source = weight * response
    alive = xp.ones((columns, 1), dtype=xp.bool, device=like["device"])
    smallest_length = floor * _length(source, xp)
    t, weighted, along = source, source, None  # the score before the first is not used
    for a in range(n_components):
        length = _length(source, xp)
        last, last_weighted = t, weighted
        t = source @ gram
        middle = xp.vecdot(weight, t)[:, None] / total
        if a:
            along = xp.vecdot(last_weighted, t)[:, None]
            shift = along * last
            shift += middle
            t -= shift
        else:
            t -= middle
        past = basis[:, : a + 1, :]
        taken = past @ (weight * t)[:, :, None]
        t -= _combine(taken, past, xp)
        weighted = weight * t
        norm = xp.sqrt(xp.vecdot(weighted, t))[:, None]
        alive = alive & (norm > smallest_norm * length) & (length > smallest_length)
        inverse = _reciprocal(norm, alive, xp)
        t *= inverse
        weighted *= inverse
        basis[:, a + 1, :] = t
        step = xp.vecdot(source, t)[:, None]
        q[:, a] = step[:, 0]
        kept += xp.astype(alive, kept.dtype)
        if residuals is not None and projection is not None:
            residuals[:, a, :] = source
            if along is not None:
                projection[:, a, :a] = taken[:, 1:, 0]
                projection[:, a, a - 1] += along[:, 0]
            projection[:, a, a] = xp.where(alive, norm, xp.zeros_like(norm))[:, 0]
        source -= step * weighted
    return GramComponents(basis, q, kept[:, 0], residuals, projection)


def _length(rows: Array, xp: Any) -> Array:
    """Return the length of each row, as a column."""
    return xp.sqrt(xp.vecdot(rows, rows))[:, None]


def dual_coefficients(found: GramComponents) -> Array:
    """Return each column's coefficients in terms of the rows of X.

    Parameters
    ----------
    found : GramComponents
        Made with ``keep=True``.

    Returns
    -------
    array (columns, n)
        α with coefficients b = Xᵀ α for all components together.
    """
    if found.projection is None or found.weighted_residual is None:
        raise ValueError("found: made without keep=True, which coefficients need")
    xp = array_api_compat.array_namespace(found.basis)
    # K e_a = Σ_j L[a, j] t_j, so t = L⁻¹ K e and Σ q_a t_a = K (Eᵀ L⁻ᵀ q).
    lower = found.projection
    count = lower.shape[1]
    stopped = xp.astype(xp.linalg.diagonal(lower) == 0, lower.dtype)
    unit = xp.eye(count, dtype=lower.dtype, device=array_api_compat.device(lower))
    upper = xp.matrix_transpose(lower + unit * stopped[:, None, :])
    inner = xp.linalg.solve(upper, found.response[:, :, None])
    return _combine(inner, found.weighted_residual, xp)


@dataclass(frozen=True)
class CrossProductComponents:
    """Rotations of several responses that share one training set.

    Attributes
    ----------
    rotation : array (responses, components, p)
        r_a, scaled so that the training scores X r_a are orthonormal.
    weight : array (responses, components, p)
        w_a, of unit length.
    loading : array (responses, components, p)
        Xᵀ t_a.
    response : array (responses, components)
        q_a on the orthonormal score; zero from where the response stopped.
    score_length : array (responses, components)
        Length of the score that w_a of unit length gives.
    kept : array (responses,)
        Components reached before the response stopped.
    """

    rotation: Array
    weight: Array
    loading: Array
    response: Array
    score_length: Array
    kept: Array


def cross_product_components(
    cross: Array, covariance: Array, response_square: Array, n_components: int
) -> CrossProductComponents:
    """Return the PLS1 rotations of several responses from one cross-product matrix.

    Parameters
    ----------
    cross : array (p, p)
        Xᵀ X of the centred training rows.
    covariance : array (responses, p)
        Xᵀ y of the centred training rows.
    response_square : array (responses,)
        yᵀ y of the centred training rows.
    n_components : int
        Components to take.

    Returns
    -------
    CrossProductComponents
        One set of rotations a response.

    Notes
    -----
    The second algorithm of Dayal & MacGregor (1997, doi:
    10.1002/(SICI)1099-128X(199701)11:1<73::AID-CEM435>3.0.CO;2-#), with the weights made
    orthogonal once more, as rounding does not keep them so.
    """
    xp = array_api_compat.array_namespace(cross, covariance)
    responses, p = covariance.shape
    like = {"dtype": cross.dtype, "device": array_api_compat.device(cross)}
    floor = ROUNDINGS * xp.finfo(cross.dtype).eps
    size = xp.linalg.trace(cross)
    rotations = xp.zeros((responses, n_components, p), **like)
    weights = xp.zeros((responses, n_components, p), **like)
    loadings = xp.zeros((responses, n_components, p), **like)
    q = xp.zeros((responses, n_components), **like)
    lengths = xp.zeros((responses, n_components), **like)
    kept = xp.zeros((responses, 1), **like)

    s = xp.asarray(covariance, copy=True)
    alive = xp.ones((responses, 1), dtype=xp.bool, device=like["device"])
    smallest = floor * xp.sqrt(size * response_square)[:, None]
    for a in range(n_components):
        norm = xp.sqrt(xp.vecdot(s, s))[:, None]
        alive = alive & (norm > smallest)
        w = s * _reciprocal(norm, alive, xp)
        if a:
            past = weights[:, :a, :]
            w -= _combine(past @ w[:, :, None], past, xp)
            w *= _reciprocal(xp.sqrt(xp.vecdot(w, w))[:, None], alive, xp)
        r = xp.asarray(w, copy=True)
        if a:
            r -= _combine(loadings[:, :a, :] @ w[:, :, None], rotations[:, :a, :], xp)
        image = r @ cross
        square = xp.vecdot(r, image)[:, None]
        alive = alive & (square > floor * size * xp.vecdot(r, r)[:, None])
        length = xp.sqrt(xp.where(alive, square, xp.ones_like(square)))
        scale = _reciprocal(length, alive, xp)
        r *= scale
        image *= scale
        step = xp.vecdot(r, s)[:, None]
        s -= step * image
        rotations[:, a, :] = r
        weights[:, a, :] = w
        loadings[:, a, :] = image
        q[:, a] = step[:, 0]
        lengths[:, a] = xp.where(alive, length, xp.zeros_like(length))[:, 0]
        kept += xp.astype(alive, kept.dtype)
    return CrossProductComponents(rotations, weights, loadings, q, lengths, kept[:, 0])


def _reciprocal(value: Array, alive: Array, xp: Any) -> Array:
    """Return 1 / value where alive, else 0."""
    one = xp.ones_like(value)
    return xp.where(alive, one / xp.where(alive, value, one), xp.zeros_like(value))


def _combine(coefficient: Array, rows: Array, xp: Any) -> Array:
    """Return the sum of rows (…, a, n) by coefficients (…, a, 1), as (…, n)."""
    return (xp.matrix_transpose(coefficient) @ rows)[:, 0, :]

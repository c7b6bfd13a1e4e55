"""Gram matrices of spectra, and the means and scales of channels.

Every function takes an array of any array-API namespace and floating type and returns
float64 of the same namespace and device.  Channels of lower precision are widened a
block at a time, so no float64 copy of the spectra is made.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import array_api_compat

from calib.regress import pls_threads
from calib.regress.pls_core import ROUNDINGS

Array = Any

# Channels taken at a time where a product is built up by blocks: 500 rows of them are
# about a megabyte.
_BLOCK = 256

# Values of X from which its Gram matrix is worth threads.
_WORTH_THREADS = 200_000

# Of the trace of K; a mean that leaves less than this to the rest is taken out first.
_CENTRED_SHARE = 0.05


def blocks(start: int, stop: int, size: int = _BLOCK) -> list[slice]:
    """Cut range(start, stop) into slices of at most ``size``."""
    return [slice(low, min(low + size, stop)) for low in range(start, stop, size)]


def widened(part: Array) -> Array:
    """Return an array as float64, itself where it is."""
    xp = array_api_compat.array_namespace(part)
    return xp.astype(part, xp.float64, copy=False)


def gram_matrix(X: Array) -> Array:
    """Return X Xᵀ in double precision, centred first where the mean outweighs the rest.

    Parameters
    ----------
    X : array (n, p)
        Spectra, any floating type.

    Returns
    -------
    array (n, n)
        float64.  Equal to X Xᵀ up to a shift of all rows of X, which no centred model
        sees; the shift is taken only where keeping the mean would cost digits.
    """
    xp = array_api_compat.array_namespace(X)
    p = X.shape[1]
    size = p if X.dtype == xp.float64 else None
    gram = _sum_of_products(X, lambda block: widened(X[:, block]), size)
    trace = float(xp.linalg.trace(gram))
    centred = trace - float(xp.sum(gram)) / X.shape[0]
    if not centred < _CENTRED_SHARE * trace:
        return gram

    def without_mean(block: slice) -> Array:
        part = widened(X[:, block])
        return part - xp.mean(part, axis=0)

    return _sum_of_products(X, without_mean)


def scaled_gram_matrix(X: Array, weight: Array) -> Array:
    """Return the Gram matrix of X, each channel centred and scaled on weighted rows.

    Parameters
    ----------
    X : array (n, p)
        Spectra.
    weight : array (n,)
        float64 row weights, 0 outside the training set.

    Returns
    -------
    array (n, n)
        float64, for all rows of X.
    """
    xp = array_api_compat.array_namespace(X, weight)
    total = _Total(weight)

    def scaled(block: slice) -> Array:
        part, _, deviation = total.centred(X[:, block])
        part /= xp.where(deviation > 0, deviation, xp.ones_like(deviation))
        return part

    return _sum_of_products(X, scaled)


def channel_moments(X: Array, weight: Array) -> tuple[Array, Array]:
    """Return each channel's weighted mean and standard deviation.

    Parameters
    ----------
    X : array (n, p)
        Spectra.
    weight : array (n,)
        float64 row weights; 0 leaves a row out.

    Returns
    -------
    mean, deviation : array (p,)
        float64.  The deviation has divisor n − 1 for rows of equal weight; that of a
        constant channel is 0, not what rounding makes of it.
    """
    xp = array_api_compat.array_namespace(X, weight)
    total = _Total(weight)
    found = [total.centred(X[:, block])[1:] for block in blocks(0, X.shape[1])]
    return xp.concat([mean for mean, _ in found]), xp.concat([spread for _, spread in found])


class _Total:
    """Weights of rows, and the moments of channels under them."""

    def __init__(self, weight: Array) -> None:
        xp = array_api_compat.array_namespace(weight)
        rows = float(xp.sum(xp.astype(weight > 0, xp.float64)))
        self.share = weight / xp.sum(weight)
        self.freedom = rows / max(rows - 1, 1.0)

    def centred(self, part: Array) -> tuple[Array, Array, Array]:
        """Return channels less their mean, the mean, and the standard deviation."""
        xp = array_api_compat.array_namespace(part)
        part = widened(part)
        mean = self.share @ part
        part = part - mean
        deviation = xp.sqrt(self.share @ (part * part) * self.freedom)
        constant = deviation <= ROUNDINGS * xp.finfo(xp.float64).eps * xp.abs(mean)
        return part, mean, xp.where(constant, xp.zeros_like(deviation), deviation)


def _sum_of_products(X: Array, piece: Callable[[slice], Array], size: int | None = None) -> Array:
    """Return Σ Z Zᵀ over blocks of channels, Z = ``piece`` of the block.

    Channels are shared out between the threads BLAS may use.  BLAS's own threads, once
    they have worked, spin for some milliseconds in wait of more, in the way of whatever
    runs side by side next; so none are woken here.
    """
    xp = array_api_compat.array_namespace(X)
    n, p = X.shape
    threads = array_api_compat.is_numpy_array(X) and n * p >= _WORTH_THREADS
    size = size or max(_BLOCK, n // 2)  # so that the sum of blocks costs little
    shares = min(p, pls_threads.workers()) if threads else 1
    products: list[Array] = [None] * shares

    def work(k: int) -> None:
        for block in blocks(p * k // shares, p * (k + 1) // shares, size):
            part = piece(block)
            product = part @ xp.matrix_transpose(part)
            if products[k] is None:
                products[k] = product
            else:
                products[k] += product

    pls_threads.each(work, range(shares))
    gram = products[0]
    for product in products[1:]:
        gram += product
    return gram

"""Choosing along a path of settings that one attempt tries at once."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.floating]


def least(predicted: Floats, y: Floats) -> int:
    """Return the first point of the path with the least mean squared error.

    Parameters
    ----------
    predicted : ndarray of shape (points, ..., n)
        Out-of-fold predictions, NaN where there is none yet.
    y : ndarray of shape (n,)
        Certified values, NaN where not certified.
    """
    square = (predicted - y) ** 2
    known = np.isfinite(square)
    axes = tuple(range(1, square.ndim))
    return int(np.argmin(np.where(known, square, 0.0).sum(axis=axes) / known.sum(axis=axes)))

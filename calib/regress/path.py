"""Choosing along a path of settings that one attempt tries at once, the simplest first."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calib.regress.pls_components import Rule, choose_components

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


def choose(predicted: Floats, y: Floats, standards: NDArray[np.generic], rule: Rule) -> int:
    """Return the point of a path that a rule takes.

    Parameters
    ----------
    predicted : ndarray of shape (points, repeats, n)
        Out-of-fold predictions.
    y : ndarray of shape (n,)
        Certified values, NaN where not certified.
    standards : ndarray of shape (n,)
    rule : {"minimum", "one-standard-error", "randomisation"}
        As in `calib.regress.pls_components.choose_components`.
    """
    points, repeats, _ = predicted.shape
    chosen = choose_components(
        predicted.reshape(points, -1), np.tile(y, repeats), np.tile(standards, repeats), rule
    )
    return chosen.n_components - 1

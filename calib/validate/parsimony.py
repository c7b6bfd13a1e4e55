"""Choosing among models: the simplest whose error is not shown to be larger than the least.

One-standard-error rule (Breiman et al. 1984, Classification and Regression Trees, section 3.4.3),
with the standard error of the *difference* of two mean squared errors: both models met the same
standards, and what is hard about a standard is hard for both.
"""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.floating]

Rule = Literal["one-standard-error", "minimum"]


def choose(
    squares: Floats, counts: Floats, weights: NDArray[np.number] | None = None, *, rule: Rule
) -> int:
    """Choose a model.

    Parameters
    ----------
    squares : ndarray of shape (models, standards)
        Sums of squared errors over the spectra of each standard, the simplest model first.
    counts : ndarray of shape (standards,)
        Spectra of each standard.
    weights : ndarray of shape (standards,), optional
        How often each standard counts (a bootstrap sample); default once.
    rule : {"one-standard-error", "minimum"}

    Returns
    -------
    int
        Row of the chosen model; the first of those that do equally well.

    Examples
    --------
    The second is better by 0.9 a spectrum, with a standard error of 1.04: the simple one is taken.

    >>> choose(np.array([[4.0, 4, 4, 4], [4, 4, 0, 4.4]]), np.ones(4), rule="one-standard-error")
    0
    >>> choose(np.array([[4.0, 4, 4, 4], [4, 4, 0, 4.4]]), np.ones(4), rule="minimum")
    1
    """
    w = np.ones(counts.size) if weights is None else weights
    if rule == "minimum":
        return int(np.argmin(squares @ w))
    difference, error = behind(squares, counts, w)
    return int(np.argmax(difference <= error))


def behind(
    squares: Floats, counts: Floats, weights: NDArray[np.number] | None = None
) -> tuple[Floats, Floats]:
    """Say how far models are behind the best.

    Parameters
    ----------
    squares, counts, weights
        As in `choose`; the order of the models does not matter.

    Returns
    -------
    difference, error : ndarray of shape (models,)
        Mean squared error less that of the best, and its standard error; both 0 for the best.
    """
    w = np.ones(counts.size) if weights is None else weights
    total, drawn = float(counts @ w), float(w.sum())
    away = squares - squares[int(np.argmin(squares @ w))]
    difference: Floats = away @ w / total
    spread = away - difference[:, None] * counts
    error: Floats = np.sqrt(drawn / max(drawn - 1, 1) * (spread**2 @ w)) / total
    return difference, error

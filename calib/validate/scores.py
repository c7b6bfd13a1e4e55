"""Scores of predictions against certified values.

Errors of the spectra of one standard are one piece of evidence, so every uncertainty here resamples
or averages over standards, never over spectra.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calib.errors import DataError


class Score(NamedTuple):
    """RMSEP with its interval, in the analyte's unit.

    Attributes
    ----------
    rmsep : float
        Root mean square error over spectra.
    low, high : float
        Interval for it, by bootstrap over standards.
    bias : float
        Mean of predicted minus certified (ISO 12099:2017, 3.1 gives the opposite sign; this is
        the sign of the error).
    sep : float
        Standard deviation of the errors about the bias, with n − 1 (ISO 12099:2017).
    r2 : float
        1 − error sum of squares over the sum of squares about the certified mean.
    n_standards, n_spectra : int
    """

    rmsep: float
    low: float
    high: float
    bias: float
    sep: float
    r2: float
    n_standards: int
    n_spectra: int


def rmse(predicted: ArrayLike, certified: ArrayLike) -> float:
    """Root mean square error over the pairs where both are known; NaN if there is none."""
    error = np.asarray(predicted, dtype=float) - np.asarray(certified, dtype=float)
    error = error[np.isfinite(error)]
    return float(np.sqrt(np.mean(error**2))) if error.size else float("nan")


def per_standard(
    errors: NDArray[np.floating], standards: NDArray[np.generic]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Sum of squared errors and number of spectra of each standard, NaN errors left out."""
    known = np.isfinite(errors)
    _, member = np.unique(standards[known], return_inverse=True)
    size = int(member.max()) + 1 if member.size else 0
    squares = np.bincount(member, weights=errors[known] ** 2, minlength=size).astype(np.float64)
    return squares, np.bincount(member, minlength=size).astype(np.float64)


def score(
    predicted: ArrayLike,
    certified: ArrayLike,
    standards: ArrayLike,
    *,
    level: float = 0.95,
    samples: int = 2000,
    seed: int = 0,
) -> Score:
    """Score predictions, with a percentile bootstrap over standards for the RMSEP.

    Efron & Tibshirani 1993, An Introduction to the Bootstrap, chapter 13 (percentile interval),
    with standards as the units drawn (cluster bootstrap: Davison & Hinkley 1997, section 3.8).

    Parameters
    ----------
    predicted, certified : array_like of shape (n,)
        In one unit; pairs with a NaN are left out.
    standards : array_like of shape (n,)
    level : float, default 0.95
    samples : int, default 2000
    seed : int, default 0

    Returns
    -------
    Score
        All NaN where no pair is known; the interval NaN below 3 standards.

    Raises
    ------
    DataError
        If the lengths differ.
    """
    p, c = np.asarray(predicted, dtype=float), np.asarray(certified, dtype=float)
    groups = np.asarray(standards)
    if not p.shape == c.shape == groups.shape:
        raise DataError(
            f"score: found shapes {p.shape}, {c.shape}, {groups.shape}, need three alike"
        )
    errors = p - c
    squares, counts = per_standard(errors, groups)
    n_standards, n_spectra = squares.size, int(counts.sum())
    if n_spectra == 0:
        nan = float("nan")
        return Score(nan, nan, nan, nan, nan, nan, 0, 0)
    known = np.isfinite(errors)
    e, truth = errors[known], c[known]
    low = high = float("nan")
    if n_standards >= 3:
        draws = np.random.default_rng(seed).integers(n_standards, size=(samples, n_standards))
        boot = np.sqrt(squares[draws].sum(axis=1) / counts[draws].sum(axis=1))
        low, high = np.quantile(boot, [(1 - level) / 2, (1 + level) / 2]).tolist()
    spread = float(np.sum((truth - truth.mean()) ** 2))
    return Score(
        rmsep=float(np.sqrt(squares.sum() / counts.sum())),
        low=low,
        high=high,
        bias=float(e.mean()),
        sep=float(e.std(ddof=1)) if e.size > 1 else float("nan"),
        r2=1 - float(e @ e) / spread if spread > 0 else float("nan"),
        n_standards=n_standards,
        n_spectra=n_spectra,
    )

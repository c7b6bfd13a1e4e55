"""Error bars that depend on what was predicted, from out-of-fold predictions.

The local error is a table: a window slides over the out-of-fold predictions in order and the root
mean square error in it stands at the window's mean prediction. An interval is the prediction plus
and minus a multiple of the local error, the multiple being the conformal quantile of
|error| / local error (normalised score: Lei et al. 2018, J. Am. Stat. Assoc. 113:1094,
doi 10.1080/01621459.2017.1307116; from out-of-fold residuals as in Barber et al. 2021, Ann. Stat.
49:486, doi 10.1214/20-AOS1965). Standards, not spectra, are the pieces of evidence: each of m
standards weighs 1/(m + 1), shared among its spectra (hierarchical conformal prediction: Lee,
Barber & Willett 2023, arXiv 2306.06342).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.floating]

MIN_WINDOW = 30
"""Out-of-fold predictions in the narrowest window."""


@dataclass(frozen=True)
class LocalError:
    """Error as a function of the prediction, and the multiple that makes an interval.

    Attributes
    ----------
    predicted : ndarray of shape (knots,)
        Increasing, in the analyte's unit.
    error : ndarray of shape (knots,)
        Local RMSEP at each, in the analyte's unit: the standard uncertainty of a prediction.
    multiple : float
        Half width of the interval over the local error; infinite where there are too few
        standards for the level.
    level : float
    """

    predicted: Floats
    error: Floats
    multiple: float
    level: float


def local_error(
    predicted: Floats, certified: Floats, standards: NDArray[np.generic], *, level: float = 0.90
) -> LocalError:
    """Tabulate the local error and calibrate the interval.

    Parameters
    ----------
    predicted, certified : ndarray of shape (n,)
        Out-of-fold predictions and certified values; pairs with a NaN are left out.
    standards : ndarray of shape (n,)
    level : float, default 0.90

    Returns
    -------
    LocalError
    """
    known = np.isfinite(predicted) & np.isfinite(certified)
    order = np.argsort(predicted[known], kind="stable")
    p, e = predicted[known][order], (predicted - certified)[known][order]
    names = standards[known][order]
    window = min(p.size, max(MIN_WINDOW, p.size // 10))
    starts = np.unique(
        np.linspace(0, p.size - window, min(50, p.size - window + 1)).round()
    ).astype(int)
    cumulative, squares = np.cumsum(np.r_[0.0, p]), np.cumsum(np.r_[0.0, e**2])
    middle = (cumulative[starts + window] - cumulative[starts]) / window
    error = np.sqrt(np.maximum(squares[starts + window] - squares[starts], 0) / window)
    knots, first = np.unique(middle, return_index=True)
    error = np.maximum(error[first], np.finfo(float).tiny)
    return LocalError(
        knots, error, _conformal(np.abs(e) / np.interp(p, knots, error), names, level), level
    )


def _conformal(scores: Floats, standards: NDArray[np.generic], level: float) -> float:
    """Return the smallest score that holds `level` of the weight, 1/(m + 1) of it at infinity."""
    _, member = np.unique(standards, return_inverse=True)
    spectra = np.bincount(member)
    order = np.argsort(scores, kind="stable")
    weight = np.cumsum(1.0 / ((spectra.size + 1) * spectra[member[order]]))
    reached = np.flatnonzero(weight >= level - 1e-12)
    return float(scores[order[reached[0]]]) if reached.size else float("inf")

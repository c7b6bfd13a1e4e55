"""Figures of merit: sensitivity, selectivity, limits of detection and quantitation.

Olivieri et al. 2006, Pure Appl. Chem. 78:633, doi 10.1351/pac200678030633, for sensitivity,
selectivity and analytical sensitivity; Allegrini & Olivieri 2014, Anal. Chem. 86:7858, doi
10.1021/ac501786u, for the limit of detection of a multivariate calibration, which is an interval:
a blank may lie anywhere in the space of the other constituents.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.floating]

DETECTION = 3.3
"""Standard deviations between blank and limit of detection: errors of both kinds of 5 %
(Allegrini & Olivieri 2014)."""

QUANTITATION = 10.0
"""Standard deviations for the limit of quantitation (Olivieri et al. 2006)."""


CONCENTRATIONS = ("wt%", "ppm")
"""Units of which a negative value is nonsense and a limit of detection makes sense."""


def reported(value: Floats, unit: str) -> Floats:
    """Return predictions as they are reported: a concentration is never below zero.

    Scores, error bars and checks are of what is reported.

    Examples
    --------
    >>> reported(np.array([-0.2, 1.0]), "wt%").tolist()
    [0.0, 1.0]
    """
    if unit not in CONCENTRATIONS:
        return value
    out: Floats = np.maximum(value, 0.0)
    return out


@dataclass(frozen=True)
class Limits:
    """Figures of merit of one analyte.

    Attributes
    ----------
    sensitivity : float, optional
        Change of the net signal for a change of one unit of the analyte; None for a model that is
        not linear in the spectrum.
    selectivity : float, optional
        Mean share of the centred signal of the training spectra that is net analyte signal.
    analytical_sensitivity : float, optional
        1 / unit of the analyte: its inverse is the least difference that repeated spectra show.
    noise : float
        Standard deviation of predictions of one standard, the analyte's unit.
    lod_low, lod_high : float
        Ends of the limit of detection, the analyte's unit.
    loq_low, loq_high : float
        Ends of the limit of quantitation.
    method : str
        ``interval``, or ``blank``: from predictions of the least concentrated standards.
    """

    sensitivity: float | None
    selectivity: float | None
    analytical_sensitivity: float | None
    noise: float
    lod_low: float
    lod_high: float
    loq_low: float
    loq_high: float
    method: str

    def plain(self) -> dict[str, float | str | None]:
        """Return the figures as plain data."""
        return asdict(self)


def detection_interval(
    certified: Floats, leverage: Floats, noise: float, certified_uncertainty: float
) -> tuple[float, float]:
    """Least and largest standard deviation of the prediction of a blank.

    Allegrini & Olivieri 2014: variance = SEN⁻² σx² (1 + h₀) + h₀ σy², where a blank's leverage h₀
    lies between ȳ²/Σ(y − ȳ)² and the largest, over the calibration samples, of their leverage plus
    that times 1 − ((y − ȳ)/ȳ)²: a sample with its analyte taken away.

    Parameters
    ----------
    certified : ndarray of shape (n,)
        Calibration values.
    leverage : ndarray of shape (n,)
        Of the calibration spectra in the centred score space, without the 1/n of the mean.
    noise : float
        SEN⁻¹ σx: what the noise of the signal is in the analyte's unit.
    certified_uncertainty : float
        Standard uncertainty of the calibration values, σy.

    Returns
    -------
    low, high : float
        In the analyte's unit; times `DETECTION` they are the limit of detection.
    """
    mean = float(certified.mean())
    away = certified - mean
    least = mean**2 / float(away @ away)
    ratio = away / mean if mean else np.full_like(away, np.inf)
    most = max(float(np.max(leverage + least * (1 - ratio**2))), least)
    low, high = (
        float(np.sqrt(noise**2 * (1 + h) + h * certified_uncertainty**2)) for h in (least, most)
    )
    return low, high


def linear_limits(
    coefficients: Floats,
    spectra: Floats,
    certified: Floats,
    leverage: Floats,
    *,
    noise: float,
    certified_uncertainty: float = 0.0,
) -> Limits:
    """Figures of merit of a model that is a sum over channels.

    Sensitivity is 1 / ‖b‖ (Olivieri et al. 2006, for inverse models). Selectivity is the length of
    the net analyte signal over that of the signal, |b·x| / (‖b‖ ‖x‖) for centred spectra x,
    averaged. The noise is not taken as equal in all channels: the scatter of predictions of one
    standard carries through the model whatever the noise and its correlations are (Allegrini,
    Wentzell & Olivieri 2016, Anal. Chim. Acta 903:51, propagate a covariance to the same end).

    Parameters
    ----------
    coefficients : ndarray of shape (channels,)
        b, the analyte's unit per unit of signal.
    spectra : ndarray of shape (n, channels)
        Calibration spectra.
    certified, leverage : ndarray of shape (n,)
        As in `detection_interval`.
    noise : float
        Standard deviation of predictions of one standard (`calib.validate.breakdown.repeatability`)
        or, for noise σx equal in all channels, σx ‖b‖.
    certified_uncertainty : float, default 0

    Returns
    -------
    Limits
    """
    low, high = detection_interval(certified, leverage, noise, certified_uncertainty)
    length = float(np.linalg.norm(coefficients))
    if length == 0:
        selectivity, sensitivity = 0.0, 0.0
    else:
        sensitivity = 1 / length
        centred = spectra - spectra.mean(axis=0)
        along = np.abs(centred @ coefficients) / length
        lengths = np.linalg.norm(centred, axis=1)
        selectivity = float(np.mean(along[lengths > 0] / lengths[lengths > 0]))
    return Limits(
        sensitivity=sensitivity,
        selectivity=selectivity,
        analytical_sensitivity=1 / noise if noise > 0 else None,
        noise=noise,
        lod_low=DETECTION * low,
        lod_high=DETECTION * high,
        loq_low=QUANTITATION * low,
        loq_high=QUANTITATION * high,
        method="interval",
    )


def blank_limits(error_at_zero: float, noise: float) -> Limits:
    """Limits of a model of any kind, from its local error at zero.

    The error of the least concentrated standards, out of fold, stands for the standard deviation of
    a blank; it holds matrix effects, so the limit is one number (common practice, no source).

    Parameters
    ----------
    error_at_zero, noise : float
        In the analyte's unit.

    Returns
    -------
    Limits
    """
    detection, quantitation = DETECTION * error_at_zero, QUANTITATION * error_at_zero
    return Limits(
        sensitivity=None,
        selectivity=None,
        analytical_sensitivity=1 / noise if noise > 0 else None,
        noise=noise,
        lod_low=detection,
        lod_high=detection,
        loq_low=quantitation,
        loq_high=quantitation,
        method="blank",
    )

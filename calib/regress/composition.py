"""Oxides of one rock add up: predictions reconciled to the total.

Model: the true contents x are what was predicted, y, with errors of covariance Σ (the error bars
and how the errors of analytes go together), and their sum is normal with the mean m and standard
deviation s of the certified totals of the training standards. Generalised least squares, which is
conditioning of a normal distribution on its sum [1]_, gives

    x̂ = y + Σ1 (m − 1ᵀy) / (1ᵀΣ1 + s²),    cov(x̂) = Σ − Σ1 1ᵀΣ / (1ᵀΣ1 + s²):

what is missing from the total goes to the analytes that are least well known. Where that makes an
analyte negative, the same sum of squares is minimised over contents ≥ 0 by active sets [2]_.

Only numpy is imported, so that a frozen model can do it; learning the total also needs
scikit-learn.

References
----------
.. [1] Rasmussen & Williams 2006, Gaussian Processes for Machine Learning, equation A.6.
.. [2] Lawson & Hanson 1974, Solving Least Squares Problems, chapter 23.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.errors import DataError

Floats = NDArray[np.floating]

LEAST_STANDARDS = 10
"""Fewest standards with every analyte certified from which a total is learned."""

_ROUNDINGS = 1e3


@dataclass(frozen=True)
class Total:
    """What is known of the sum of some analytes.

    Attributes
    ----------
    mean, sd : float
        Of the certified totals, in the analytes' unit.
    correlation : ndarray of shape (analytes, analytes)
        Of the errors of predictions.
    """

    mean: float
    sd: float
    correlation: Floats

    @property
    def finite(self) -> bool:
        """Whether every number is, and the standard deviation not negative."""
        numbers = np.append(self.correlation, [self.mean, self.sd])
        return bool(np.isfinite(numbers).all()) and self.sd >= 0

    def reconcile(self, value: Floats, uncertainty: Floats) -> tuple[Floats, Floats]:
        """Reconcile predictions to the total.

        Parameters
        ----------
        value : ndarray of shape (rows, analytes)
            Predictions; may be negative.
        uncertainty : ndarray of shape (rows, analytes)
            Their standard uncertainties.

        Returns
        -------
        value : ndarray of shape (rows, analytes)
            Never negative.
        uncertainty : ndarray of shape (rows, analytes)
            Standard uncertainties given the total, not larger than before. Where a content was
            held at zero they are those without that bound, which are larger.
        """
        weight = uncertainty * np.einsum("jk,ik->ij", self.correlation, uncertainty)  # Σ1
        spread = _summed(weight) + self.sd**2
        gain = weight / np.where(spread > 0, spread, 1.0)[:, None]
        found = value + gain * (self.mean - _summed(value))[:, None]
        variance = np.maximum(uncertainty**2 - gain * weight, 0.0)
        for i in np.flatnonzero((found < 0).any(axis=1)):
            sigma = self.correlation * np.outer(uncertainty[i], uncertainty[i])
            covariance = sigma - np.outer(gain[i], weight[i])
            found[i] = bounded(found[i], covariance)
        return found, np.sqrt(variance)


def _summed(rows: Floats) -> Floats:
    """Add up the columns one after another, so that a row's sum is the same among any others."""
    total: Floats = np.cumsum(rows, axis=1)[:, -1]
    return total


def bounded(mean: Floats, covariance: Floats) -> Floats:
    """Return the most likely values ≥ 0 of a normal distribution.

    Parameters
    ----------
    mean : ndarray of shape (k,)
    covariance : ndarray of shape (k, k)

    Returns
    -------
    ndarray of shape (k,)
        The x ≥ 0 of least (x − mean)ᵀ covariance⁻¹ (x − mean). With a push λ ≥ 0 on each value
        that the bound holds, x = mean + covariance λ; the pushed set grows by the most negative
        value and loses those whose push would turn negative (Lawson & Hanson's algorithm on λ).
    """
    push = np.zeros(mean.size)
    pushed = np.zeros(mean.size, dtype=bool)
    size = np.sqrt(np.diagonal(covariance))
    slack = _ROUNDINGS * np.finfo(float).eps * (np.abs(mean).max() + size.max())
    for _ in range(3 * mean.size):
        found = mean + covariance @ push
        open_ = ~pushed & (size > 0)
        if not (found[open_] < -slack).any():
            break
        pushed[np.flatnonzero(open_)[np.argmin(found[open_])]] = True
        while pushed.any():
            block = covariance[np.ix_(pushed, pushed)]
            wanted = np.zeros(mean.size)
            wanted[pushed] = np.linalg.lstsq(block, -mean[pushed], rcond=None)[0]
            if (wanted[pushed] > 0).all():
                push = wanted
                break
            against = pushed & (wanted <= 0)
            share = (push[against] / (push[against] - wanted[against])).min()
            push = push + share * (wanted - push)
            pushed &= push > 0
            push[~pushed] = 0.0
    out: Floats = np.where(pushed, 0.0, np.maximum(mean + covariance @ push, 0.0))
    return out


def learn_total(certified: Floats, errors: Floats, standards: NDArray[np.generic]) -> Total:
    """Learn a total from training standards and out-of-fold errors.

    Parameters
    ----------
    certified : ndarray of shape (n, analytes)
        Certified values of each row, NaN where there is none.
    errors : ndarray of shape (n, analytes)
        Predicted out of fold, less certified; NaN where unknown.
    standards : ndarray of shape (n,)

    Returns
    -------
    Total
        Every standard weighs alike. The correlation is of the standards' mean errors, shrunk
        towards none as Ledoit & Wolf (2004, J. Multivar. Anal. 88:365,
        doi 10.1016/S0047-259X(03)00096-4) find best.

    Raises
    ------
    DataError
        If fewer than `LEAST_STANDARDS` have all analytes certified.
    """
    from sklearn.covariance import ledoit_wolf

    complete = np.isfinite(certified).all(axis=1)
    totals = _means(certified[complete].sum(axis=1, keepdims=True), standards[complete])
    if len(totals) < LEAST_STANDARDS:
        raise DataError(
            f"total: {len(totals)} standards have all {certified.shape[1]} analytes certified, "
            f"need {LEAST_STANDARDS}"
        )
    known = complete & np.isfinite(errors).all(axis=1)
    each = _means(errors[known], standards[known])
    scale = np.sqrt((each**2).mean(axis=0)) if len(each) else np.zeros(certified.shape[1])
    correlation = np.eye(certified.shape[1])
    if len(each) > 1 and (scale > 0).all():
        shrunk, _ = ledoit_wolf(each / scale)
        size = np.sqrt(np.diagonal(shrunk))
        correlation = shrunk / np.outer(size, size)
    return Total(float(totals.mean()), float(totals.std(ddof=1)), correlation)


def _means(rows: Floats, standards: NDArray[np.generic]) -> Floats:
    """Return the mean row of each standard."""
    names, member = np.unique(standards, return_inverse=True)
    sums = np.zeros((names.size, rows.shape[1]))
    np.add.at(sums, member, rows)
    means: Floats = sums / np.bincount(member, minlength=names.size)[:, None]
    return means

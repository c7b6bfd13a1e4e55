"""The path of an elastic net over its penalties, on thousands of channels.

Least squares with a penalty, per training row,

    |z − Z b|² / (2 n) + α (λ |b|₁ + (1 − λ) |b|² / 2)

with λ the share of the absolute values (1: LASSO): Zou & Hastie (2005), J. R. Stat. Soc. B 67:301,
doi 10.1111/j.1467-9868.2005.00503.x, in scikit-learn's scaling. Penalties fall from the least that
leaves every coefficient zero. Only the channels that are or may be in the model are worked on, by
scikit-learn's coordinate descent on their own Gram matrix, which grows with the path; then every
other channel is checked against the conditions of optimality and let in where it breaks them, so
that nothing is left out that belongs in: Tibshirani et al. (2012), J. R. Stat. Soc. B 74:245.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from sklearn.exceptions import ConvergenceWarning
from sklearn.linear_model import enet_path

from calib.regress.pls_gram import channel_moments

Floats = NDArray[np.floating]

PENALTIES = np.logspace(0, -3.5, 29)
"""Penalties tried, in units of the least that leaves every coefficient zero."""

TOLERANCE = 1e-4
"""Where coordinate descent stops: dual gap over the analyte's sum of squares."""

MOST_PASSES = 1000
"""Passes of coordinate descent over the channels at one penalty."""

_SLACK = 10.0
"""Share of the penalty by which a channel may break its condition, in units of the tolerance."""

_LET_IN = 50
"""Channels let into the model at a time, the worst first."""


@dataclass(frozen=True)
class Sparse:
    """Coefficients at each penalty of a path.

    Attributes
    ----------
    channels : ndarray of int, shape (k,)
        Channels that enter anywhere along the path.
    coefficients : ndarray of shape (points, k)
    intercept : ndarray of shape (points,)
    """

    channels: NDArray[np.intp]
    coefficients: Floats
    intercept: Floats

    def predict(self, X: Floats) -> Floats:
        """Return predictions (points, rows) of spectra (rows, channels)."""
        predicted: Floats = self.coefficients @ X[:, self.channels].T + self.intercept[:, None]
        return predicted


def sparse_path(
    X: Floats,
    trains: NDArray[np.bool_],
    y: Floats,
    *,
    l1_share: float,
    scale: bool,
    penalties: Floats = PENALTIES,
    tolerance: float = TOLERANCE,
) -> Sparse:
    """Fit an elastic net at falling penalties, each from the one before.

    Parameters
    ----------
    X : ndarray of shape (n, channels)
    trains : ndarray of bool, shape (n,)
        Rows to learn from.
    y : ndarray of shape (n,)
        Certified values; those of other rows are not looked at.
    l1_share : float
        λ, above 0 to 1.
    scale : bool
        Divide each channel by its standard deviation; else all by one number.
    penalties : ndarray of shape (points,)
        Falling, in units of the least penalty that leaves every coefficient zero.
    tolerance : float

    Returns
    -------
    Sparse
    """
    weight = trains.astype(np.float64)
    mean, deviation = channel_moments(X, weight)
    varies = deviation > 0
    common = float(np.sqrt((deviation**2).mean())) or 1.0
    divisor = np.where(varies, deviation, 1.0) if scale else np.full_like(mean, common)
    centre, spread = float(y[trains].mean()), float(y[trains].std()) or 1.0
    z = np.where(trains, (y - centre) / spread, 0.0)
    count, slack = int(trains.sum()), _SLACK * tolerance

    def gradient(residual: Floats) -> Floats:
        """Return Zᵀ residual / n of every channel; the residual sums to zero."""
        found: Floats = np.where(varies, (residual @ X) / divisor, 0.0) / count
        return found

    working = _Working(X, trains, mean, divisor, z[trains])
    slope = gradient(z)
    top = float(np.abs(slope).max()) / l1_share
    paths = np.zeros((len(penalties), 0))
    before = penalties[0]
    for point, penalty in enumerate(penalties):
        alpha = penalty * top
        # the strong rule: what may enter on the way from the last penalty to this one
        likely = np.abs(slope) >= l1_share * top * max(2 * penalty - before, 0.0)
        working.let_in(slope, likely & (np.abs(slope) > 0), _LET_IN)
        before = penalty
        while top > 0:
            working.solve(alpha, l1_share, tolerance)
            residual = np.zeros(len(y))
            residual[trains] = working.residual()
            slope = gradient(residual)
            if not working.let_in(slope, np.abs(slope) > alpha * l1_share * (1 + slack), _LET_IN):
                break
        wide = np.zeros((len(penalties), len(working.channels)))
        wide[:, : paths.shape[1]] = paths
        wide[point] = working.coefficients
        paths = wide
    channels = np.array(working.channels, dtype=np.intp)
    coefficients = paths * (spread / divisor[channels])
    return Sparse(channels, coefficients, centre - coefficients @ mean[channels])


class _Working:
    """The channels worked on: their Gram matrix, and their coefficients so far."""

    def __init__(
        self, X: Floats, trains: NDArray[np.bool_], mean: Floats, divisor: Floats, z: Floats
    ) -> None:
        self._X, self._trains, self._mean, self._divisor = X, trains, mean, divisor
        self._z = z
        self.channels: list[int] = []
        self.coefficients: Floats = np.zeros(0)
        self._Z: Floats = np.zeros((len(z), 0), order="F")
        self._gram: Floats = np.zeros((0, 0))

    def let_in(self, slope: Floats, wanted: NDArray[np.bool_], most: int) -> bool:
        """Let in the channels of steepest slope among those wanted; say whether there were any."""
        wanted = wanted.copy()
        wanted[self.channels] = False
        new = np.flatnonzero(wanted)
        if not new.size:
            return False
        new = new[np.argsort(-np.abs(slope[new]), kind="stable")[:most]]
        Z = (self._X[np.ix_(self._trains, new)] - self._mean[new]) / self._divisor[new]
        across = self._Z.T @ Z
        self._gram = np.block([[self._gram, across], [across.T, Z.T @ Z]])
        self._Z = np.asfortranarray(np.concatenate([self._Z, Z], axis=1))
        self.channels += new.tolist()
        self.coefficients = np.concatenate([self.coefficients, np.zeros(len(new))])
        return True

    def solve(self, alpha: float, l1_share: float, tolerance: float) -> None:
        """Run coordinate descent at one penalty from where the coefficients are."""
        if not self.channels:
            return
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", ConvergenceWarning)
            _, path, _ = enet_path(
                self._Z, self._z, l1_ratio=l1_share, alphas=[alpha], precompute=self._gram,
                Xy=self._Z.T @ self._z, coef_init=self.coefficients, tol=tolerance,
                max_iter=MOST_PASSES, check_input=False,
            )  # fmt: skip
        self.coefficients = path[:, 0]

    def residual(self) -> Floats:
        """Return what is left of the standardised analyte, less its mean (rounding)."""
        left = self._z - self._Z @ self.coefficients
        rest: Floats = left - left.mean()
        return rest

"""Steps that take out what scatter, baseline and scale do to a whole row: SNV, MSC, derivative."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import ClassVar, Self, cast

import numpy as np
from numpy.typing import NDArray

from calib.preprocess.step import LEARNED, Acquisition, Floats, Step, is_count, require


@dataclass(frozen=True)
class SNV(Step):
    """Standard normal variate: each row minus its mean, over its standard deviation (n − 1).

    Barnes, Dhanoa & Lister 1989, Appl. Spectrosc. 43:772, doi 10.1366/0003702894202201. A row
    that does not vary becomes zero. Masked channels do not count.
    """

    name: ClassVar[str] = "snv"

    def apply(
        self, counts: Floats, wavelength: NDArray[np.float64], shot: Acquisition | None = None
    ) -> Floats:
        """Return rows of mean 0 and standard deviation 1."""
        used = (shot or Acquisition()).used(counts.shape[1])
        if used.sum() < 2:
            return np.zeros_like(counts)
        kept = counts if used.all() else counts[:, used]
        spread = kept.std(axis=1, ddof=1, keepdims=True)
        centred = counts - kept.mean(axis=1, keepdims=True)
        return np.where(used & (spread > 0), centred / np.where(spread > 0, spread, 1), 0)


@dataclass(frozen=True)
class MSC(Step):
    """Multiplicative scatter correction against the mean of the training rows.

    Each row x is regressed on the reference r, x = a + b r, and becomes (x − a) / b (Geladi,
    MacDougall & Martens 1985, Appl. Spectrosc. 39:491, doi 10.1366/0003702854248656). A row that
    does not follow the reference at all (b = 0) becomes zero. Masked channels do not count.
    """

    name: ClassVar[str] = "msc"
    reference: NDArray[np.float64] | None = field(
        default=None, repr=False, compare=False, metadata=LEARNED
    )

    @property
    def learns(self) -> bool:
        """Always: the reference is the mean of the training rows."""
        return True

    def fit(
        self, counts: Floats, wavelength: NDArray[np.float64], shot: Acquisition | None = None
    ) -> Self:
        """Learn the reference."""
        return replace(self, reference=counts.mean(axis=0).astype(np.float64))

    def apply(
        self, counts: Floats, wavelength: NDArray[np.float64], shot: Acquisition | None = None
    ) -> Floats:
        """Return the corrected rows.

        Raises
        ------
        DataError
            If the step is not fitted.
        """
        used = (shot or Acquisition()).used(counts.shape[1])
        reference = cast("NDArray[np.float64]", self.fitted(self.reference))
        centre = reference[used].mean()
        shape = reference[used] - centre
        power = float((shape * shape).sum())
        level = counts[:, used].mean(axis=1, keepdims=True)
        slope = ((counts[:, used] - level) * shape).sum(axis=1, keepdims=True)
        slope = slope / power if power > 0 else np.zeros_like(slope)
        good = used & (slope != 0)
        corrected = (counts - level) / np.where(slope != 0, slope, 1) + centre
        return np.where(good, corrected, 0).astype(counts.dtype, copy=False)


HIGHEST = 20
"""Degree of the highest polynomial that may be asked for: beyond, rounding errors are all it
fits, slowly."""


@dataclass(frozen=True)
class Derivative(Step):
    """Savitzky–Golay derivative along the channels, each spectrometer alone.

    Savitzky & Golay 1964, Anal. Chem. 36:1627, doi 10.1021/ac60214a047.

    Parameters
    ----------
    order : int, default 1
        0 smooths only.
    window : int, default 11
        Channels, odd.
    polynomial : int, default 2
        Degree, below `window` and at least `order`.
    """

    name: ClassVar[str] = "derivative"
    order: int = 1
    window: int = 11
    polynomial: int = 2

    def __post_init__(self) -> None:
        odd = is_count(self.window, 3) and self.window % 2 == 1
        require(self, "window", odd, "an odd whole number ≥ 3")
        good = is_count(self.polynomial) and self.polynomial < min(self.window, HIGHEST + 1)
        require(self, "polynomial", good, f"a whole number from 0 to window − 1, at most {HIGHEST}")
        good = is_count(self.order) and self.order <= self.polynomial
        require(self, "order", good, "a whole number from 0 to polynomial")

    def apply(
        self, counts: Floats, wavelength: NDArray[np.float64], shot: Acquisition | None = None
    ) -> Floats:
        """Return the derivative for each channel step."""
        from scipy import signal  # here, so that loading a model does not wait for it

        out = np.empty_like(counts)
        for part in (shot or Acquisition()).parts(counts.shape[1]):
            rows = counts[:, part]
            window = min(self.window, rows.shape[1] - 1 + rows.shape[1] % 2)
            require(self, "window", window > self.polynomial, "fewer channels than a spectrometer")
            out[:, part] = signal.savgol_filter(
                rows, window, self.polynomial, deriv=self.order, axis=1
            )
        return out

"""Steps that make spectra comparable: masks, normalisation, square root, SNV, derivative."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar, Literal

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from calib.preprocess.step import Acquisition, Floats, Need, Step, require


@dataclass(frozen=True)
class Mask(Step):
    """Set channels to zero, so that no model can use them.

    Parameters
    ----------
    ranges_nm : tuple of (first, last)
        Ranges to mask, nm, both ends included.
    edges : int, default 0
        Channels to mask at both ends of every spectrometer.
    """

    name: ClassVar[str] = "mask"
    ranges_nm: tuple[tuple[float, float], ...] = ()
    edges: int = 0

    def __post_init__(self) -> None:
        good = all(len(pair) == 2 and pair[0] <= pair[1] for pair in self.ranges_nm)
        require(self, "ranges_nm", good, "pairs [first, last] of wavelengths in nm")
        require(self, "edges", type(self.edges) is int and self.edges >= 0, "a whole number ≥ 0")

    def apply(
        self, counts: Floats, wavelength: NDArray[np.float64], shot: Acquisition | None = None
    ) -> Floats:
        """Return the rows with the masked channels zero."""
        keep = np.ones(wavelength.size, dtype=bool)
        for first, last in self.ranges_nm:
            keep[(wavelength >= first) & (wavelength <= last)] = False
        if self.edges:
            for part in (shot or Acquisition()).parts(wavelength.size):
                keep[part][: self.edges] = False
                keep[part][-self.edges :] = False
        return np.where(keep, counts, counts.dtype.type(0))


@dataclass(frozen=True)
class Normalise(Step):
    """Divide by the total light, which varies with distance, energy and coupling.

    Parameters
    ----------
    by : {"spectrometer", "whole"}, default "spectrometer"
        Divide each spectrometer by its own total, or all by the whole's. The result is scaled so
        that the mean over the channels concerned is 1. Totals that are not positive become 0.
    """

    name: ClassVar[str] = "normalise"
    needs: ClassVar[frozenset[Need]] = frozenset({"lines"})
    by: Literal["spectrometer", "whole"] = "spectrometer"

    def __post_init__(self) -> None:
        require(self, "by", self.by in ("spectrometer", "whole"), "'spectrometer' or 'whole'")

    def apply(
        self, counts: Floats, wavelength: NDArray[np.float64], shot: Acquisition | None = None
    ) -> Floats:
        """Return rows whose mean is 1 over each spectrometer, or over all."""
        whole = (slice(0, counts.shape[1]),)
        parts = (shot or Acquisition()).parts(counts.shape[1])
        out = np.empty_like(counts)
        for part in parts if self.by == "spectrometer" else whole:
            mean = counts[:, part].mean(axis=1, keepdims=True)
            good = mean > 0
            out[:, part] = np.where(good, counts[:, part] / np.where(good, mean, 1), 0)
        return out


@dataclass(frozen=True)
class Root(Step):
    """Signed square root, which evens out photon noise and tames strong lines."""

    name: ClassVar[str] = "root"
    needs: ClassVar[frozenset[Need]] = frozenset({"lines"})

    def apply(
        self, counts: Floats, wavelength: NDArray[np.float64], shot: Acquisition | None = None
    ) -> Floats:
        """Return ``sign(x) √|x|``."""
        return np.sign(counts) * np.sqrt(np.abs(counts))


@dataclass(frozen=True)
class SNV(Step):
    """Standard normal variate: each row minus its mean, over its standard deviation (n − 1).

    Barnes, Dhanoa & Lister 1989, Appl. Spectrosc. 43:772, doi 10.1366/0003702894202201. A row
    that does not vary becomes zero.
    """

    name: ClassVar[str] = "snv"

    def apply(
        self, counts: Floats, wavelength: NDArray[np.float64], shot: Acquisition | None = None
    ) -> Floats:
        """Return rows of mean 0 and standard deviation 1."""
        if counts.shape[1] < 2:
            return np.zeros_like(counts)
        centred = counts - counts.mean(axis=1, keepdims=True)
        spread = centred.std(axis=1, ddof=1, keepdims=True)
        return np.where(spread > 0, centred / np.where(spread > 0, spread, 1), 0)


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
        odd = type(self.window) is int and self.window % 2 == 1 and self.window >= 3
        require(self, "window", odd, "an odd whole number ≥ 3")
        require(self, "polynomial", 0 <= self.polynomial < self.window, "0 to window − 1")
        require(self, "order", 0 <= self.order <= self.polynomial, "0 to polynomial")

    def apply(
        self, counts: Floats, wavelength: NDArray[np.float64], shot: Acquisition | None = None
    ) -> Floats:
        """Return the derivative for each channel step."""
        out = np.empty_like(counts)
        for part in (shot or Acquisition()).parts(counts.shape[1]):
            rows = counts[:, part]
            window = min(self.window, rows.shape[1] - 1 + rows.shape[1] % 2)
            require(self, "window", window > self.polynomial, "fewer channels than a spectrometer")
            out[:, part] = signal.savgol_filter(
                rows, window, self.polynomial, deriv=self.order, axis=1
            )
        return out

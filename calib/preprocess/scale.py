"""Steps that make spectra comparable: masks, normalisation, square root."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import ClassVar, Literal

import numpy as np
from numpy.typing import NDArray

from calib.errors import DataError
from calib.preprocess.line_areas import area_weights, line_area
from calib.preprocess.step import (
    Acquisition,
    Floats,
    Need,
    Step,
    is_count,
    is_number,
    require,
)


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
        require(self, "edges", is_count(self.edges), "a whole number ≥ 0")

    def apply(
        self, counts: Floats, wavelength: NDArray[np.float64], shot: Acquisition | None = None
    ) -> Floats:
        """Return the rows with the masked channels zero."""
        return np.where(self.masked(wavelength, shot), counts.dtype.type(0), counts)

    def masked(
        self, wavelength: NDArray[np.float64], shot: Acquisition | None = None
    ) -> NDArray[np.bool_]:
        """Return which channels this step masks."""
        out = np.zeros(wavelength.size, dtype=bool)
        for first, last in self.ranges_nm:
            out[(wavelength >= first) & (wavelength <= last)] = True
        if self.edges:
            for part in (shot or Acquisition()).parts(wavelength.size):
                out[part][: self.edges] = True
                out[part][-self.edges :] = True
        return out

    def after(
        self, wavelength: NDArray[np.float64], shot: Acquisition
    ) -> tuple[NDArray[np.float64], Acquisition]:
        """Return the acquisition with the channels masked for the steps that follow."""
        masked = self.masked(wavelength, shot)
        return wavelength, replace(shot, masked=masked | ~shot.used(wavelength.size))


@dataclass(frozen=True)
class Normalise(Step):
    """Divide by the total light, which varies with distance, energy and coupling.

    Parameters
    ----------
    by : {"spectrometer", "whole", "line"}, default "spectrometer"
        Divide each spectrometer by its own total, all by the whole's total, or all by the area
        of a reference line. Totals are scaled so that the mean over the channels concerned that
        are not masked is 1. What would be divided by a total or area that is not positive
        becomes 0.
    line_nm : float, optional
        Centre of the reference line.
    half_width_nm : float, default 0.3
        Half the window that is summed, see `calib.preprocess.line_areas.LineAreas`.
    """

    name: ClassVar[str] = "normalise"
    needs: ClassVar[frozenset[Need]] = frozenset({"lines"})
    by: Literal["spectrometer", "whole", "line"] = "spectrometer"
    line_nm: float | None = None
    half_width_nm: float = 0.3

    def __post_init__(self) -> None:
        good = self.by in ("spectrometer", "whole", "line")
        require(self, "by", good, "'spectrometer', 'whole' or 'line'")
        good = is_number(self.line_nm, 0) if self.by == "line" else self.line_nm is None
        require(self, "line_nm", good, "a wavelength in nm with by = 'line', else nothing")
        require(self, "half_width_nm", is_number(self.half_width_nm, 0), "a number above 0")

    def apply(
        self, counts: Floats, wavelength: NDArray[np.float64], shot: Acquisition | None = None
    ) -> Floats:
        """Return rows whose mean is 1 over each spectrometer, or over all, or whose line is 1.

        Raises
        ------
        DataError
            If the reference line does not lie whole within a spectrometer.
        """
        shot = shot or Acquisition()
        if self.by == "line":
            return _divided(counts, self._line(counts, wavelength, shot)[:, None])
        whole = (slice(0, counts.shape[1]),)
        used = shot.used(counts.shape[1])
        out = np.empty_like(counts)
        for part in shot.parts(counts.shape[1]) if self.by == "spectrometer" else whole:
            rows, kept = counts[:, part], used[part]
            mean = (rows if kept.all() else rows[:, kept]).sum(axis=1, keepdims=True)
            out[:, part] = _divided(rows, mean / max(1, int(kept.sum())))
        return out

    def _line(self, counts: Floats, wavelength: NDArray[np.float64], shot: Acquisition) -> Floats:
        line = float(self.line_nm or 0.0)
        weights = area_weights(wavelength, shot, line, self.half_width_nm)
        if weights is None:
            raise DataError(
                f"preprocess step 'normalise': line_nm {line:g} with {2 * self.half_width_nm:g} nm "
                f"on both sides does not lie within a spectrometer ({wavelength[0]:g} to "
                f"{wavelength[-1]:g} nm)"
            )
        return line_area(counts, weights)


def _divided(rows: Floats, by: Floats) -> Floats:
    good = by > 0
    return np.where(good, rows / np.where(good, by, 1), 0).astype(rows.dtype, copy=False)


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

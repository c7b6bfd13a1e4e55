"""From channels to the areas of lines."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from calib.errors import DataError
from calib.preprocess.register import LINES_NM
from calib.preprocess.step import Acquisition, Floats, Need, Step, is_number, require


@dataclass(frozen=True)
class LineAreas(Step):
    """Replace the channels by the areas of lines above a straight background.

    Parameters
    ----------
    lines_nm : tuple of float
        Centres. Lines outside the axis, or whose window is not whole within a spectrometer, are
        left out; two lines are not told apart within a window. Afterwards the axis is the
        centres, increasing.
    half_width_nm : float, default 0.3
        Half the window that is summed; the background is the straight line through the means of
        the windows of half that width on both sides.
    """

    name: ClassVar[str] = "line_areas"
    needs: ClassVar[frozenset[Need]] = frozenset({"lines"})
    lines_nm: tuple[float, ...] = LINES_NM
    half_width_nm: float = 0.3

    def __post_init__(self) -> None:
        good = len(self.lines_nm) > 0 and all(is_number(x, 0) for x in self.lines_nm)
        require(self, "lines_nm", good, "wavelengths in nm")
        require(self, "half_width_nm", is_number(self.half_width_nm, 0), "a number above 0")

    def _weights(
        self, wavelength: NDArray[np.float64], shot: Acquisition | None
    ) -> tuple[NDArray[np.float64], list[NDArray[np.float64]]]:
        lines, weights = [], []
        for line in sorted(set(self.lines_nm)):
            found = area_weights(wavelength, shot, line, self.half_width_nm)
            if found is not None:
                lines.append(line)
                weights.append(found)
        if not lines:
            raise DataError(
                f"preprocess step 'line_areas': none of {len(self.lines_nm)} lines lies whole "
                f"within {wavelength[0]:g} to {wavelength[-1]:g} nm"
            )
        return np.array(lines), weights

    def apply(
        self, counts: Floats, wavelength: NDArray[np.float64], shot: Acquisition | None = None
    ) -> Floats:
        """Return areas, counts times nm, one column a line.

        Raises
        ------
        DataError
            If no line lies within the axis.
        """
        _, weights = self._weights(wavelength, shot)
        out = np.empty((len(counts), len(weights)), dtype=counts.dtype)
        for j, weight in enumerate(weights):
            out[:, j] = line_area(counts, weight)
        return out

    def after(
        self, wavelength: NDArray[np.float64], shot: Acquisition
    ) -> tuple[NDArray[np.float64], Acquisition]:
        """Return the lines as axis, one spectrometer."""
        return self._weights(wavelength, shot)[0], replace(shot, spectrometers=(), masked=None)


def area_weights(
    wavelength: NDArray[np.float64], shot: Acquisition | None, line_nm: float, half_width_nm: float
) -> NDArray[np.float64] | None:
    """Return the weight of every channel in a line's area above its background, or None.

    Returns
    -------
    ndarray of shape (channels,), optional
        ``counts @ weights`` is the area: the sum over the window of counts above the line through
        the mean counts of the two windows beside it, each times the channel's width in nm. None
        where the windows do not lie whole within one spectrometer.
    """
    reach = 2 * half_width_nm
    for part in (shot or Acquisition()).parts(wavelength.size):
        axis = wavelength[part]
        if axis.size < 3 or not axis[0] <= line_nm - reach or not line_nm + reach <= axis[-1]:
            continue
        off = axis - line_nm
        inside = np.abs(off) <= half_width_nm
        left = (off < -half_width_nm) & (off >= -reach)
        right = (off > half_width_nm) & (off <= reach)
        if not (inside.any() and left.any() and right.any()):
            return None
        width = np.gradient(axis) * inside
        x0, x1 = axis[left].mean(), axis[right].mean()
        share = (axis - x0) / (x1 - x0)
        out = np.zeros(wavelength.size)
        out[part] = width
        out[part] -= left / left.sum() * (width * (1 - share)).sum()
        out[part] -= right / right.sum() * (width * share).sum()
        return out
    return None


def line_area(counts: Floats, weights: NDArray[np.float64]) -> Floats:
    """Return the area of one line in each row, the same whatever the other rows are."""
    near = np.flatnonzero(weights)
    area: Floats = (counts[:, near] * weights[near]).sum(axis=1)
    return area

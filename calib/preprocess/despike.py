"""Taking out spikes and dips too narrow to be a line of the instrument."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from calib.preprocess.step import (
    Acquisition,
    Floats,
    Need,
    Step,
    is_count,
    is_number,
    require,
)

GAUSS = 0.6745
"""Median absolute deviation of a normal distribution of standard deviation 1."""

WIDEST = 50
"""Channels of the widest spike that may be asked for: the work grows with its square."""


def noise_level(rows: Floats) -> Floats:
    """Estimate the noise of each row from its neighbouring channels' differences.

    Parameters
    ----------
    rows : ndarray of shape (rows, channels)

    Returns
    -------
    ndarray of shape (rows, 1)
        Standard deviation of white noise, from the median absolute second difference: second
        differences cancel a sloping background, the median ignores lines. For white noise of
        standard deviation σ their standard deviation is √6 σ.
    """
    if rows.shape[1] < 3:
        return np.zeros((len(rows), 1), dtype=rows.dtype)
    bend = np.abs(rows[:, 2:] - 2 * rows[:, 1:-1] + rows[:, :-2])
    middle: Floats = np.median(bend, axis=1, keepdims=True) / (GAUSS * np.sqrt(6.0))
    return middle


@dataclass(frozen=True)
class Despike(Step):
    """Replace spikes and dips: one or two channels that stand out as no line can.

    A line is spread over several channels by the instrument, so the channel beside its peak
    stands well above the one after that. A spike (a cosmic hit, a hot channel) rises by more than
    `k` noise levels above its nearest neighbours while these stand above their outer neighbours
    by less than `sharpness` of its height. A dip (a dead channel) is the same upside down. Both
    become the straight line between the channels beside them. The rule is our own; it compares
    shape, so a strong line is no spike. Without this step one dead channel pulls a continuum
    found from below down over the whole window.

    Parameters
    ----------
    k : float, default 8
        Noise levels (`noise_level`) by which a spike rises.
    width : int, default 2
        Most channels of a spike.
    sharpness : float, default 0.1
        0.1 spares every Gaussian line at least 1.6 channels wide (full width at half height).
    """

    name: ClassVar[str] = "despike"
    needs: ClassVar[frozenset[Need]] = frozenset({"lines"})
    k: float = 8.0
    width: int = 2
    sharpness: float = 0.1

    def __post_init__(self) -> None:
        require(self, "k", is_number(self.k, 0), "a number above 0")
        good = is_count(self.width, 1) and self.width <= WIDEST
        require(self, "width", good, f"a whole number from 1 to {WIDEST}")
        good = is_number(self.sharpness, 0) and self.sharpness < 1
        require(self, "sharpness", good, "a number between 0 and 1")

    def apply(
        self, counts: Floats, wavelength: NDArray[np.float64], shot: Acquisition | None = None
    ) -> Floats:
        """Return the rows without spikes; the two channels at each end are left as they are."""
        out = counts.copy()
        for part in (shot or Acquisition()).parts(counts.shape[1]):
            rows = counts[:, part]
            noise = noise_level(rows)
            for width in range(1, self.width + 1):
                if rows.shape[1] >= width + 4:
                    self._replace(out[:, part], rows, noise, width, 1)
                    self._replace(out[:, part], rows, noise, width, -1)
        return out

    def _replace(self, out: Floats, rows: Floats, noise: Floats, width: int, sign: int) -> None:
        """Replace in `out` the spikes (sign 1) or dips (−1) of `width` channels found in `rows`."""
        starts = rows.shape[1] - width - 3  # a spike may begin at channels 2 … starts + 1
        least, most = (np.minimum, np.maximum) if sign > 0 else (np.maximum, np.minimum)
        inner = rows[:, 2 : 2 + starts]
        for i in range(1, width):
            inner = least(inner, rows[:, 2 + i : 2 + i + starts])
        near = most(rows[:, 1 : 1 + starts], rows[:, 2 + width : 2 + width + starts])
        found = np.argwhere(sign * (inner - near) > self.k * noise)
        if not found.size:
            return
        row, start = found[:, 0], found[:, 1] + 2
        left, right = rows[row, start - 1], rows[row, start + width]
        far = least(rows[row, start - 2], rows[row, start + width + 1])
        high = sign * (inner[row, start - 2] - far)
        sharp = sign * (most(left, right) - far) < self.sharpness * high
        row, start, left, right = row[sharp], start[sharp], left[sharp], right[sharp]
        for i in range(width):
            share = (i + 1) / (width + 1)
            out[row, start + i] = (1 - share) * left + share * right

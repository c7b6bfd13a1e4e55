"""Removing the plasma's continuum from under the lines."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from calib.preprocess.step import Acquisition, Floats, Need, Step, require


@dataclass(frozen=True)
class Continuum(Step):
    """Subtract a continuum found by a morphological opening, smoothed.

    The opening (erosion then dilation) of a spectrum follows it from below and passes under
    everything narrower than its window (Perez-Pueyo et al. 2010, Appl. Spectrosc. 64:595,
    doi 10.1366/000370210791414281); a mean over the same window smooths its steps, and the lower
    of the two is kept. Each spectrometer is treated alone.

    Parameters
    ----------
    window_nm : float, default 4
        Width of the window: wider than any line with its wings, narrower than the continuum's
        own bends.
    """

    name: ClassVar[str] = "continuum"
    needs: ClassVar[frozenset[Need]] = frozenset({"lines"})
    window_nm: float = 4.0

    def __post_init__(self) -> None:
        require(self, "window_nm", self.window_nm > 0, "a number above 0")

    def apply(
        self, counts: Floats, wavelength: NDArray[np.float64], shot: Acquisition | None = None
    ) -> Floats:
        """Return what stands above the continuum."""
        out = np.empty_like(counts)
        for part in (shot or Acquisition()).parts(counts.shape[1]):
            rows = counts[:, part]
            spacing = float(np.median(np.diff(wavelength[part]))) if rows.shape[1] > 1 else 1.0
            width = min(2 * max(1, round(self.window_nm / spacing / 2)) + 1, 2 * rows.shape[1] - 1)
            eroded = ndimage.minimum_filter1d(rows, width, axis=1, mode="nearest")
            opened = ndimage.maximum_filter1d(eroded, width, axis=1, mode="nearest")
            smooth = ndimage.uniform_filter1d(opened, width, axis=1, mode="nearest")
            out[:, part] = rows - np.minimum(opened, smooth)
        return out

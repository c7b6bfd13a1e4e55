"""Removing noise by thresholding a stationary wavelet transform."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar, Literal

import numpy as np
from numpy.typing import NDArray

from calib.preprocess.despike import GAUSS
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
class Denoise(Step):
    """Threshold the details of a stationary wavelet transform, each spectrometer alone.

    The noise of each level is the median absolute value of its details over 0.6745 (Donoho &
    Johnstone 1994, Biometrika 81:425, doi 10.1093/biomet/81.3.425), taken over one detail in
    2 ** level, those that are nearly independent; details within `k` of it go.
    The transform is PyWavelets' ``swt`` and ``iswt`` with ``norm=True``; both ends are extended
    by reflection, because it takes the rows as periodic.

    Parameters
    ----------
    wavelet : str, default "sym4"
        A discrete wavelet that PyWavelets knows.
    levels : int, default 4
        Fewer where a spectrometer has fewer than 2 ** (levels + 1) channels.
    k : float, default 3
        Threshold in noise levels.
    mode : {"hard", "soft"}, default "hard"
        Hard keeps larger details as they are; soft shrinks them by the threshold.
    """

    name: ClassVar[str] = "denoise"
    needs: ClassVar[frozenset[Need]] = frozenset({"lines"})
    wavelet: str = "sym4"
    levels: int = 4
    k: float = 3.0
    mode: Literal["hard", "soft"] = "hard"

    def __post_init__(self) -> None:
        require(self, "wavelet", _is_wavelet(self.wavelet), "a discrete wavelet, as 'sym4'")
        require(self, "levels", is_count(self.levels, 1), "a whole number ≥ 1")
        require(self, "k", is_number(self.k, 0), "a number above 0")
        require(self, "mode", self.mode in ("hard", "soft"), "'hard' or 'soft'")

    def apply(
        self, counts: Floats, wavelength: NDArray[np.float64], shot: Acquisition | None = None
    ) -> Floats:
        """Return the rows without the details that noise explains."""
        out = counts.copy()
        for part in (shot or Acquisition()).parts(counts.shape[1]):
            channels = part.stop - part.start
            levels = min(self.levels, channels.bit_length() - 2)
            if levels >= 1:
                out[:, part] = self._spectrometer(counts[:, part], levels)
        return out

    def _spectrometer(self, rows: Floats, levels: int) -> Floats:
        import pywt

        channels = rows.shape[1]
        block = 1 << levels
        extra = min(-channels % block + 2 * block, 2 * (channels - 1))
        extra -= (channels + extra) % block
        left = extra // 2
        padded = np.pad(rows, ((0, 0), (left, extra - left)), mode="reflect")
        details = pywt.swt(padded, self.wavelet, levels, axis=-1, trim_approx=True, norm=True)
        for i, detail in enumerate(details[1:]):
            size = np.abs(detail)
            few = size[:, left : left + channels : 1 << (levels - i)]
            limit = self.k * np.median(few, axis=1, keepdims=True) / GAUSS
            if self.mode == "hard":
                detail *= size > limit
            else:
                detail *= np.maximum(size - limit, 0) / np.where(size > 0, size, 1)
        back: Floats = pywt.iswt(details, self.wavelet, norm=True, axis=-1)
        return back[:, left : left + channels]


def _is_wavelet(name: object) -> bool:
    import pywt

    return isinstance(name, str) and name in pywt.wavelist(kind="discrete")

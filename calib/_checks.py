"""Small checkers whose messages say which argument, what was found, and what is needed."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calib.errors import DataError

Floats = NDArray[np.floating]


def spectra(counts: ArrayLike, *, channels: int | None = None, where: str = "counts") -> Floats:
    """Return finite spectra as a 2-d float array, one a row; integers become float64.

    Raises
    ------
    DataError
        If `counts` is not 2-d, not numeric, not finite, or of another number of channels.
    """
    array = np.asarray(counts)
    if array.ndim == 1:
        array = array[np.newaxis]
    if array.ndim != 2:
        raise DataError(f"{where}: found {array.ndim} dimensions, need rows by channels")
    if not np.issubdtype(array.dtype, np.number) or np.iscomplexobj(array):
        raise DataError(f"{where}: found dtype {array.dtype}, need real numbers")
    if channels is not None and array.shape[1] != channels:
        raise DataError(f"{where}: found {array.shape[1]} channels, need {channels}")
    if not np.issubdtype(array.dtype, np.floating):
        return array.astype(np.float64)
    bad = ~np.isfinite(array)
    if bad.any():
        row, channel = np.argwhere(bad)[0]
        raise DataError(
            f"{where}: row {row}, channel {channel} is {array[row, channel]}, need finite numbers"
        )
    return array


def wavelength_axis(wavelength: ArrayLike, *, where: str = "wavelength") -> NDArray[np.float64]:
    """Return a wavelength axis in nm, checked to be finite, positive and strictly increasing.

    Raises
    ------
    DataError
        If it is not.
    """
    try:
        axis = np.asarray(wavelength, dtype=np.float64)
    except (ValueError, TypeError):
        raise DataError(f"{where}: found {wavelength!r:.60}, need numbers in nm") from None
    if axis.ndim != 1 or axis.size == 0:
        raise DataError(f"{where}: found shape {axis.shape}, need one wavelength a channel")
    if not np.isfinite(axis).all() or axis[0] <= 0:
        raise DataError(f"{where}: found a value that is not a positive number, need nm")
    steps = np.diff(axis)
    if (steps <= 0).any():
        at = int(np.flatnonzero(steps <= 0)[0])
        raise DataError(
            f"{where}: channel {at + 1} is {axis[at + 1]:g} nm after {axis[at]:g} nm, "
            "need an increasing axis"
        )
    return axis

"""What a model is given: counts of one kind or another, on its own axis or another one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calib import _checks
from calib.errors import DataError

Floats = NDArray[np.floating]

AXIS_TOLERANCE = 0.1
"""Channels by which an axis may differ from the model's before it is refused."""

COARSEST = 2.0
"""Channels of the model's that two neighbours of an axis may be apart to be interpolated between:
wider, and lines fall between them. Common practice, no source."""


def bursts(counts: ArrayLike | Sequence[ArrayLike]) -> tuple[Sequence[Floats], bool]:
    """Return one (shots, channels) array a target, and whether they are raw bursts.

    Raises
    ------
    DataError
        If the counts are of another shape.
    """
    if isinstance(counts, list | tuple) and counts and np.ndim(counts[0]) == 2:
        return [np.asarray(burst) for burst in counts], True
    try:
        array = np.asarray(counts)
    except ValueError:
        raise DataError("counts: found rows of different lengths, need one a channel") from None
    raw = array.ndim == 3
    if array.ndim == 1:
        array = array[np.newaxis]
    if array.ndim == 2:
        array = array[:, np.newaxis]
    if array.ndim != 3 or len(array) == 0:
        raise DataError(
            f"counts: found shape {array.shape}, need (channels), (rows, channels) or "
            "(bursts, shots, channels)"
        )
    return list(array), raw


def distances(distance_m: ArrayLike, targets: int) -> Floats:
    """Return one distance a target.

    Raises
    ------
    DataError
        If there are neither one nor as many as targets.
    """
    given = np.asarray(distance_m, dtype=np.float64)
    if given.shape not in ((), (targets,)):
        raise DataError(f"distance_m: found shape {given.shape}, need one number or {targets}")
    return np.broadcast_to(given, (targets,))


def check_axis(axis: NDArray[np.float64], own: NDArray[np.float64], model: str) -> None:
    """Refuse an axis that is not the model's.

    Raises
    ------
    DataError
        If the number of channels differs, or a channel is off by more than `AXIS_TOLERANCE`.
    """
    if axis.size != own.size:
        raise DataError(
            f"wavelength: found {axis.size} channels from {axis[0]:g} to {axis[-1]:g} nm, "
            f"{model} needs {own.size} from {own[0]:g} to {own[-1]:g} nm"
        )
    off = np.abs(axis - own) / (np.gradient(own) if own.size > 1 else 1.0)
    worst = int(np.argmax(off))
    if off[worst] > AXIS_TOLERANCE:
        raise DataError(
            f"wavelength: channel {worst} is {axis[worst]:.4f} nm, {model} needs {own[worst]:.4f} "
            "nm; 'resample' interpolates"
        )


@dataclass(frozen=True)
class Resampled:
    """Linear interpolation from an axis onto a model's.

    Attributes
    ----------
    channels : int
        Of the axis that counts are given on.
    left : ndarray of int, shape (model's channels,)
        Channel before each of the model's.
    share : ndarray of shape (model's channels,)
        Weight of the channel after it, 0 to 1.
    """

    channels: int
    left: NDArray[np.intp]
    share: NDArray[np.float64]

    @classmethod
    def onto(
        cls,
        axis: NDArray[np.float64],
        own: NDArray[np.float64],
        spectrometers: Sequence[tuple[str, slice]],
    ) -> Resampled:
        """Prepare interpolation within each spectrometer.

        Parameters
        ----------
        axis : ndarray of shape (channels,)
            nm, increasing.
        own : ndarray of shape (model's channels,)
            nm.
        spectrometers : sequence of (name, slice)
            The model's.

        Raises
        ------
        DataError
            If the axis ends within a spectrometer of the model, or is too coarse there: nothing is
            made up.
        """
        left = np.empty(own.size, dtype=np.intp)
        share = np.empty(own.size)
        for name, part in spectrometers:
            wanted = own[part]
            step = float(np.median(np.diff(wanted))) if wanted.size > 1 else np.inf
            slack = AXIS_TOLERANCE * step if np.isfinite(step) else 0.0
            if axis.size < 2 or axis[0] > wanted[0] + slack or axis[-1] < wanted[-1] - slack:
                raise DataError(
                    f"wavelength: found {axis[0]:.2f} to {axis[-1]:.2f} nm, spectrometer {name} of "
                    f"the model needs {wanted[0]:.2f} to {wanted[-1]:.2f} nm"
                )
            at = np.clip(np.searchsorted(axis, wanted, side="right") - 1, 0, axis.size - 2)
            gap = axis[at + 1] - axis[at]
            worst = int(np.argmax(gap))
            if gap[worst] > COARSEST * step:
                raise DataError(
                    f"wavelength: channels are {gap[worst]:.3g} nm apart at {wanted[worst]:.2f} "
                    f"nm, spectrometer {name} of the model needs at most {COARSEST * step:.3g} nm"
                )
            left[part] = at
            share[part] = np.clip((wanted - axis[at]) / gap, 0.0, 1.0)
        return cls(axis.size, left, share)

    def __call__(self, counts: ArrayLike) -> Floats:
        """Return rows on the model's axis.

        Parameters
        ----------
        counts : array_like of shape (rows, channels)

        Raises
        ------
        DataError
            If they are no finite numbers, or of another number of channels.
        """
        rows = _checks.spectra(counts, channels=self.channels)
        out: Floats = (1 - self.share) * rows[:, self.left] + self.share * rows[:, self.left + 1]
        return out

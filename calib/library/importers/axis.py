"""Joining spectrometers into one increasing axis, without interpolating."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from calib.errors import DataError
from calib.library.description import GAP_FACTOR, Spectrometer, split_spectrometers

SHORTEST = 8
"""Channels that a piece between two backward steps needs to count as a spectrometer."""


@dataclass(frozen=True)
class Joined:
    """An axis made increasing.

    Attributes
    ----------
    channels : ndarray of int
        Which of the file's channels are kept, in their new order.
    wavelength : ndarray of float
        nm, increasing.
    spectrometers : tuple of Spectrometer
    notes : list of str
    """

    channels: NDArray[np.intp]
    wavelength: NDArray[np.float64]
    spectrometers: tuple[Spectrometer, ...]
    notes: list[str]


def join_axis(
    wavelength: NDArray[np.float64],
    *,
    overlap: Literal["cut", "refuse"] = "cut",
    gap_factor: float = GAP_FACTOR,
    where: str = "wavelength",
) -> Joined:
    """Order the channels by wavelength, spectrometer after spectrometer.

    A step backwards starts a new spectrometer, and so does a gap much wider than the spacing
    around it. Where two spectrometers see the same wavelengths, both are cut at the middle of the
    overlap: channels are dropped, never mixed or interpolated.

    Parameters
    ----------
    wavelength : ndarray of shape (channels,)
        nm, as in the file.
    overlap : {"cut", "refuse"}
    gap_factor : float
        See `calib.library.split_spectrometers`.
    where : str
        For messages.

    Raises
    ------
    DataError
        If the axis jumps back and forth, repeats a wavelength, one spectrometer lies within
        another, or an overlap is refused.
    """
    notes: list[str] = []
    index = np.arange(wavelength.size)
    if (np.diff(wavelength) < 0).all():
        index = index[::-1]
        notes.append("the axis decreases: channels are reversed")
    axis = wavelength[index]
    starts = [0, *(np.flatnonzero(np.diff(axis) <= 0) + 1).tolist(), axis.size]
    pieces = [index[a:b] for a, b in itertools.pairwise(starts)]
    if len(pieces) > 1 and min(map(len, pieces)) < SHORTEST:
        at = starts[1]
        raise DataError(
            f"{where}: channel {at + 1} is {axis[at]:g} nm after {axis[at - 1]:g} nm, need an "
            f"increasing axis (or spectrometers of {SHORTEST} channels or more)"
        )
    pieces.sort(key=lambda piece: float(wavelength[piece[0]]))
    for i in range(len(pieces) - 1):
        pieces[i], pieces[i + 1] = _cut(wavelength, pieces[i], pieces[i + 1], overlap, notes, where)
    found: list[Spectrometer] = []
    for piece in pieces:
        for each in split_spectrometers(wavelength[piece], gap_factor=gap_factor):
            name = f"S{len(found) + 1}"
            found.append(Spectrometer(name, each.first_nm, each.last_nm, each.channels))
    if len(found) > 1:
        ranges = ", ".join(f"{s.name} {s.first_nm:g} to {s.last_nm:g} nm" for s in found)
        notes.append(f"{len(found)} spectrometers: {ranges}")
    channels = np.concatenate(pieces)
    return Joined(channels, wavelength[channels], tuple(found), notes)


def _cut(
    wavelength: NDArray[np.float64],
    one: NDArray[np.intp],
    two: NDArray[np.intp],
    overlap: str,
    notes: list[str],
    where: str,
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Cut two neighbouring spectrometers at the middle of their overlap."""
    first, last = float(wavelength[two[0]]), float(wavelength[one[-1]])
    if first > last:
        return one, two
    if wavelength[two[-1]] <= last:
        raise DataError(
            f"{where}: the spectrometer {first:g} to {wavelength[two[-1]]:g} nm lies within the "
            f"one to {last:g} nm; import one of them"
        )
    if overlap == "refuse":
        raise DataError(
            f"{where}: two spectrometers overlap from {first:g} to {last:g} nm; remove the "
            "channels of one, or let the import cut both in the middle (--overlap cut)"
        )
    middle = (first + last) / 2
    kept = one[wavelength[one] <= middle], two[wavelength[two] > middle]
    dropped = len(one) + len(two) - len(kept[0]) - len(kept[1])
    notes.append(
        f"overlap from {first:g} to {last:g} nm cut at {middle:g} nm: {dropped} channels dropped"
    )
    return kept

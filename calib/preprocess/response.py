"""From counts to light: the instrument's response, and the solid angle it sees."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from calib.errors import DataError
from calib.preprocess.step import Acquisition, Floats, Need, Step, is_number, require


@dataclass(frozen=True)
class Response(Step):
    """Divide by the instrument's response, straight between the points given.

    Parameters
    ----------
    points : tuple of (nm, response)
        Counts for a unit of light at a wavelength, in increasing order, from the first channel
        to the last: nothing is extrapolated.
    """

    name: ClassVar[str] = "response"
    needs: ClassVar[frozenset[Need]] = frozenset({"lines"})
    points: tuple[tuple[float, float], ...] = ()

    def __post_init__(self) -> None:
        pairs = all(
            isinstance(p, tuple) and len(p) == 2 and is_number(p[0], 0) and is_number(p[1], 0)
            for p in self.points
        )
        good = pairs and len(self.points) >= 2
        good = good and bool((np.diff([p[0] for p in self.points]) > 0).all())
        need = "two or more pairs [nm, response], wavelengths increasing, responses above 0"
        require(self, "points", good, need)

    def apply(
        self, counts: Floats, wavelength: NDArray[np.float64], shot: Acquisition | None = None
    ) -> Floats:
        """Return light.

        Raises
        ------
        DataError
            If the axis reaches beyond the points.
        """
        at, response = np.array(self.points).T
        if wavelength[0] < at[0] or wavelength[-1] > at[-1]:
            raise DataError(
                f"preprocess step 'response': points run from {at[0]:g} to {at[-1]:g} nm, the "
                f"axis from {wavelength[0]:g} to {wavelength[-1]:g} nm; need points for all of it"
            )
        light: Floats = counts / np.interp(wavelength, at, response)
        return light.astype(counts.dtype, copy=False)


@dataclass(frozen=True)
class SolidAngle(Step):
    """Multiply by the square of the stand-off distance over a reference distance.

    The light that a telescope's opening collects from a small plasma falls with the square of
    the distance (geometry). Makes a difference only where no step normalises afterwards.

    Parameters
    ----------
    reference_m : float, default 3
        Distance at which rows are left as they are.
    """

    name: ClassVar[str] = "solid_angle"
    needs: ClassVar[frozenset[Need]] = frozenset({"lines", "distance"})
    reference_m: float = 3.0

    def __post_init__(self) -> None:
        require(self, "reference_m", is_number(self.reference_m, 0), "metres, a number above 0")

    def apply(
        self, counts: Floats, wavelength: NDArray[np.float64], shot: Acquisition | None = None
    ) -> Floats:
        """Return the rows as if shot at the reference distance.

        Raises
        ------
        DataError
            If a distance is not known or not above 0.
        """
        ratio = distances(self, shot, len(counts))[:, None] / self.reference_m
        return (counts * ratio**2).astype(counts.dtype, copy=False)


def distances(step: Step, shot: Acquisition | None, rows: int) -> NDArray[np.float64]:
    """Return the distance of each row, or refuse.

    Raises
    ------
    DataError
        If a distance is not known or not above 0.
    """
    given = shot.distance_m if shot is not None else None
    found = np.full(rows, np.nan) if given is None else np.asarray(given, dtype=np.float64)
    bad = np.flatnonzero(~(np.isfinite(found) & (found > 0)))
    if bad.size:
        raise DataError(
            f"preprocess step {step.name!r}: row {bad[0]}: distance_m is {found[bad[0]]}, need the "
            "stand-off distance in metres"
        )
    return found

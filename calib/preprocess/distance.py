"""Taking out what the stand-off distance does to the balance between channels."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import ClassVar, Literal, Self, cast

import numpy as np
from numpy.typing import NDArray

from calib.errors import DataError
from calib.preprocess.response import distances
from calib.preprocess.step import (
    LEARNED,
    Acquisition,
    Floats,
    Need,
    Step,
    is_count,
    is_number,
    require,
)


@dataclass(frozen=True)
class Distance(Step):
    """Multiply each group of channels by a factor that depends on the distance alone.

    The factor brings a row to the reference distance. ``curve`` fits, over the training rows,
    the logarithm of a group's mean against the logarithm of the distance, each standard with a
    level of its own, so that composition does not pass for distance. ``proxy`` takes the ratios
    of one standard's mean spectra at its distances, straight in the logarithms between them. Put
    it after `normalise` and before any step that gives negative values.

    Parameters
    ----------
    by : {"curve", "proxy"}, default "curve"
    proxy : str
        The proxy standard; it must be among the rows that train.
    reference_m : float, default 3
        The distance all rows are brought to.
    group_nm : float, default 20
        Width of a channel group; groups do not cross spectrometers.
    degree : int, default 2
        Of the curve's polynomial in the logarithm of the distance.
    """

    name: ClassVar[str] = "distance"
    needs: ClassVar[frozenset[Need]] = frozenset({"lines", "distance"})
    by: Literal["curve", "proxy"] = "curve"
    proxy: str = ""
    reference_m: float = 3.0
    group_nm: float = 20.0
    degree: int = 2
    knots: NDArray[np.float64] | None = field(
        default=None, repr=False, compare=False, metadata=LEARNED
    )
    table: NDArray[np.float64] | None = field(
        default=None, repr=False, compare=False, metadata=LEARNED
    )

    def __post_init__(self) -> None:
        require(self, "by", self.by in ("curve", "proxy"), "'curve' or 'proxy'")
        named = isinstance(self.proxy, str) and (self.by == "curve") == (self.proxy == "")
        require(self, "proxy", named, "the name of a standard with by = 'proxy', else nothing")
        require(self, "reference_m", is_number(self.reference_m, 0), "metres, a number above 0")
        require(self, "group_nm", is_number(self.group_nm, 0), "a number above 0")
        require(self, "degree", is_count(self.degree, 1), "a whole number ≥ 1")

    @property
    def learns(self) -> bool:
        """Always: the factors come from the training rows."""
        return True

    def groups(self, wavelength: NDArray[np.float64], shot: Acquisition | None) -> NDArray[np.intp]:
        """Return the group of each channel, counted from 0."""
        out = np.empty(wavelength.size, dtype=np.intp)
        first = 0
        for part in (shot or Acquisition()).parts(wavelength.size):
            axis = wavelength[part]
            count = max(1, round((axis[-1] - axis[0]) / self.group_nm))
            share = (axis - axis[0]) / max(axis[-1] - axis[0], np.finfo(float).tiny)
            out[part] = first + np.minimum((share * count).astype(int), count - 1)
            first += count
        return out

    def fit(
        self, counts: Floats, wavelength: NDArray[np.float64], shot: Acquisition | None = None
    ) -> Self:
        """Learn the logarithm of each group's level at some distances.

        Raises
        ------
        DataError
            If distances or standards are not known, there is one distance only, or the proxy
            standard is not among the rows.
        """
        far = distances(self, shot, len(counts))
        standards = shot.standards if shot is not None else None
        if standards is None:
            raise DataError("preprocess step 'distance': the rows' standards are not known")
        group = self.groups(wavelength, shot)
        size = np.bincount(group)
        level = np.stack([np.bincount(group, row) / size for row in counts])
        level = np.log(np.where(level > 0, level, np.nan))
        if self.by == "proxy":
            return self._fit_proxy(level, far, standards)
        knots = np.unique(far)
        if knots.size < 2:
            raise DataError(
                f"preprocess step 'distance': all rows are at {knots[0]:g} m, need two distances"
            )
        degree = min(self.degree, knots.size - 1)
        powers: Floats = np.log(far)[:, None] ** np.arange(1.0, degree + 1)
        at = np.geomspace(knots[0], knots[-1], 33)
        curve: Floats = np.log(at)[:, None] ** np.arange(1.0, degree + 1)
        table = np.zeros((at.size, level.shape[1]))
        for j in range(level.shape[1]):
            known = np.isfinite(level[:, j])
            if known.any():
                x, y = powers[known], level[known, j]
                mine = standards[known]
                slope = np.linalg.pinv(_within(x, mine)) @ _within(y[:, None], mine)
                table[:, j] = (curve @ slope)[:, 0]
        return replace(self, knots=at, table=table)

    def _fit_proxy(self, level: Floats, far: Floats, standards: NDArray[np.generic]) -> Self:
        mine = standards == self.proxy
        knots = np.unique(far[mine])
        if knots.size < 2:
            raise DataError(
                f"preprocess step 'distance': proxy standard {self.proxy!r} is at {knots.size} "
                "distances among the training rows, need two or more"
            )
        table = np.stack([np.nanmean(level[mine & (far == d)], axis=0) for d in knots])
        return replace(self, knots=knots, table=np.where(np.isfinite(table), table, 0.0))

    def apply(
        self, counts: Floats, wavelength: NDArray[np.float64], shot: Acquisition | None = None
    ) -> Floats:
        """Return the rows brought to the reference distance; distances are held at the ends.

        Raises
        ------
        DataError
            If a distance is not known, or the step is not fitted.
        """
        far = distances(self, shot, len(counts))
        knots = np.log(cast("NDArray[np.float64]", self.fitted(self.knots)))
        table = cast("NDArray[np.float64]", self.fitted(self.table))
        group = self.groups(wavelength, shot)
        factor = np.empty((len(counts), table.shape[1]))
        for j, column in enumerate(table.T):
            home = np.interp(np.log(self.reference_m), knots, column)
            factor[:, j] = np.exp(home - np.interp(np.log(far), knots, column))
        return (counts * factor[:, group]).astype(counts.dtype, copy=False)


def _within(values: Floats, groups: NDArray[np.generic]) -> Floats:
    """Subtract from each row the mean of its group."""
    _, code = np.unique(groups, return_inverse=True)
    size = np.bincount(code)[:, None]
    means = np.stack([np.bincount(code, column) for column in values.T], axis=1) / size
    centred: Floats = values - means[code]
    return centred

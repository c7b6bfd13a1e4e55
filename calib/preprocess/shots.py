"""Steps on the shots of one burst: dark, leading shots, outlier shots, average."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar, Literal

import numpy as np
from numpy.typing import NDArray

from calib.errors import DataError
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
class Dark(Step):
    """Subtract the burst's dark spectrum; without one the counts are left as they are.

    Parameters
    ----------
    by : {"matched", "interpolated"}, default "matched"
        The dark that belongs to the burst, or one interpolated in time between the darks shot
        before and after it (`dark_at`; the library chooses, this step subtracts).
    """

    name: ClassVar[str] = "dark"
    level: ClassVar[Literal["shot", "spectrum"]] = "shot"
    needs: ClassVar[frozenset[Need]] = frozenset({"dark"})
    by: Literal["matched", "interpolated"] = "matched"

    def __post_init__(self) -> None:
        require(self, "by", self.by in ("matched", "interpolated"), "'matched' or 'interpolated'")

    def apply(
        self, counts: Floats, wavelength: NDArray[np.float64], shot: Acquisition | None = None
    ) -> Floats:
        """Subtract ``shot.dark`` (counts, one value a channel) from every shot."""
        if shot is None or shot.dark is None:
            return counts
        return counts - shot.dark


def dark_at(time: float, times: Floats, darks: Floats) -> Floats:
    """Interpolate darks in time.

    Parameters
    ----------
    time : float
        When the burst was shot, in any unit.
    times : ndarray of shape (n,)
        When each dark was shot, increasing, in the same unit.
    darks : ndarray of shape (n, channels)

    Returns
    -------
    ndarray of shape (channels,)
        Straight between the darks before and after; the first or the last one beyond the ends.
    """
    at = float(np.interp(time, times, np.arange(len(times))))
    before = int(at)
    after = min(before + 1, len(times) - 1)
    share = at - before
    between: Floats = (1 - share) * darks[before] + share * darks[after]
    return between


@dataclass(frozen=True)
class DropShots(Step):
    """Drop the first shots of a burst, which see dust rather than rock.

    Parameters
    ----------
    first : int, default 5
        Shots to drop (common practice, no source). A row that is already one averaged spectrum
        is kept.
    """

    name: ClassVar[str] = "drop_shots"
    level: ClassVar[Literal["shot", "spectrum"]] = "shot"
    needs: ClassVar[frozenset[Need]] = frozenset({"shots"})
    first: int = 5

    def __post_init__(self) -> None:
        require(self, "first", is_count(self.first), "a whole number ≥ 0")

    def apply(
        self, counts: Floats, wavelength: NDArray[np.float64], shot: Acquisition | None = None
    ) -> Floats:
        """Return the shots after the first ones.

        Raises
        ------
        DataError
            If a burst of several shots has none left.
        """
        if len(counts) == 1:
            return counts
        if len(counts) <= self.first:
            raise DataError(
                f"preprocess step 'drop_shots': found a burst of {len(counts)} shots, "
                f"need more than the {self.first} that are dropped"
            )
        return counts[self.first :]


@dataclass(frozen=True)
class RejectShots(Step):
    """Reject shots unlike the rest of their burst: a missed pulse, a cosmic hit, an edge.

    A shot's distance is the root mean square difference of its shape (counts over their total)
    and of its light (total over the median total) from the burst's median. Shots whose distance
    exceeds the median distance by `k` robust standard deviations (1.4826 × the median absolute
    deviation; Rousseeuw & Croux 1993, J. Am. Stat. Assoc. 88:1273) are dropped, at most half.

    Parameters
    ----------
    k : float, default 5
    """

    name: ClassVar[str] = "reject_shots"
    level: ClassVar[Literal["shot", "spectrum"]] = "shot"
    needs: ClassVar[frozenset[Need]] = frozenset({"shots"})
    k: float = 5.0

    def __post_init__(self) -> None:
        require(self, "k", is_number(self.k, 0), "a number above 0")

    def apply(
        self, counts: Floats, wavelength: NDArray[np.float64], shot: Acquisition | None = None
    ) -> Floats:
        """Return the shots that agree; bursts of fewer than 4 shots are left whole."""
        if len(counts) < 4:
            return counts
        keep = np.ones(len(counts), dtype=bool)
        light = counts.sum(axis=1)
        middle = np.median(light)
        if middle > 0:
            shape = counts / np.where(light == 0, middle, light)[:, None]
            centre = np.median(shape, axis=0)
            scale = np.sqrt(np.mean(centre**2)) or 1.0
            off = np.sqrt(np.mean((shape - centre) ** 2, axis=1)) / scale
            for distance in (off, np.abs(light / middle - 1.0)):
                typical = np.median(distance)
                spread = 1.4826 * np.median(np.abs(distance - typical))
                keep &= distance <= typical + self.k * spread + 1e-9
        return counts[keep] if 2 * keep.sum() >= len(counts) else counts


@dataclass(frozen=True)
class Average(Step):
    """Average the shots of a burst into one spectrum; without this step every shot is a row.

    Parameters
    ----------
    by : {"mean", "median", "trimmed"}, default "mean"
        ``trimmed`` leaves out, in each channel, the share `trim` of the shots at both ends.
    trim : float, default 0.1
        At least 0 and below 0.5.
    """

    name: ClassVar[str] = "average"
    level: ClassVar[Literal["shot", "spectrum"]] = "shot"
    by: Literal["mean", "median", "trimmed"] = "mean"
    trim: float = 0.1

    def __post_init__(self) -> None:
        good = self.by in ("mean", "median", "trimmed")
        require(self, "by", good, "'mean', 'median' or 'trimmed'")
        good = is_number(self.trim, -1e-12) and self.trim < 0.5
        require(self, "trim", good, "a number from 0 to below 0.5")

    def apply(
        self, counts: Floats, wavelength: NDArray[np.float64], shot: Acquisition | None = None
    ) -> Floats:
        """Return one row."""
        if len(counts) == 1:
            return counts
        if self.by == "median":
            return np.median(counts, axis=0)[np.newaxis]
        cut = int(self.trim * len(counts)) if self.by == "trimmed" else 0
        if cut == 0:
            return np.asarray(counts.mean(axis=0))[np.newaxis]
        inner = np.sort(counts, axis=0)[cut : len(counts) - cut]
        return np.asarray(inner.mean(axis=0))[np.newaxis]

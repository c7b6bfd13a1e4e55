"""What the bench needs to know of a run."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from typing import Any, NamedTuple, Protocol

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Floats = NDArray[np.floating]


class Neighbour(NamedTuple):
    """A training spectrum near another.

    Attributes
    ----------
    burst, standard : str
    distance : float
        Mahalanobis distance in the space of the domain's scores.
    """

    burst: str
    standard: str
    distance: float


class Shots(NamedTuple):
    """A burst shot by shot, arrays of shape (shots,).

    Attributes
    ----------
    total : ndarray
        Counts of all channels, the dark subtracted where there is one.
    own : ndarray
        Counts of the channels within the analyte's own lines, NaN where it has none.
    """

    total: Floats
    own: Floats


class Refit(NamedTuple):
    """PLS cross-validated with and without some standards.

    Attributes
    ----------
    before, after : float
        RMSECV of the standards that stay, the analyte's unit, with all and without the dropped.
    n_standards : int
        Standards that stay.
    n_components : int
    dropped : list of (str, float, float)
        Standard, certified value, mean prediction by models without it.
    seconds : float
        What the refit took.
    note : str
        Where the refit is not the winner's own family.
    """

    before: float
    after: float
    n_standards: int
    n_components: int
    dropped: list[tuple[str, float, float]]
    seconds: float
    note: str


class Subject(Protocol):
    """A run to look at."""

    name: str
    analytes: Mapping[str, Mapping[str, Any]]
    problem: str
    """Why there are no spectra, or empty."""

    def points(self, analyte: str) -> pd.DataFrame:
        """Return one row a certified spectrum.

        Columns burst, standard, use, distance_m, acquired_at, certified, predicted, u, low, high,
        flags, t2, q.
        """

    def limits(self) -> Mapping[str, float | None]:
        """Return the limits of T² and Q."""

    def spectrum(self, burst: str, analyte: str) -> tuple[Floats, Floats]:
        """Return wavelength (nm) and preprocessed spectrum of a burst."""

    def neighbours(self, burst: str, analyte: str, count: int) -> Sequence[Neighbour]:
        """Return the nearest training spectra, without the burst itself."""

    def shots(self, burst: str, analyte: str) -> Shots:
        """Return a burst shot by shot."""

    def refit(self, analyte: str, dropped: Collection[str]) -> Refit:
        """Cross-validate without some standards."""

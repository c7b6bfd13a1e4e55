"""From bursts on disk to the matrix a regressor sees."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from calib.errors import DataError
from calib.library import Library
from calib.preprocess import Acquisition, Chain
from calib.preprocess.step import Need

Floats = NDArray[np.floating]
Report = Callable[[str, int, int], None]
"""Called with what is being done, how much of it is done, and how much there is."""


@dataclass(frozen=True)
class Spectra:
    """Reduced bursts: the rows of ``bursts.csv`` they come from, and one spectrum each.

    Attributes
    ----------
    bursts : DataFrame
        One row a spectrum.
    counts : ndarray of shape (rows, channels)
        After the steps on shots, before those on spectra.
    """

    bursts: pd.DataFrame
    counts: Floats


def lacking(library: Library) -> set[Need]:
    """Say what a library lacks that a step may need."""
    bursts = library.bursts
    found: dict[Need, bool] = {
        "dark": bool((bursts["dark"] >= 0).any()),
        "shots": bool((bursts["shots"] > 1).any()),
        "lines": library.description.signal == "emission",
        "distance": bool(bursts["distance_m"].notna().any()),
    }
    return {need for need, there in found.items() if not there}


def reduce_bursts(
    library: Library, bursts: pd.DataFrame, chain: Chain, report: Report, label: str
) -> Spectra:
    """Run the steps on shots over bursts, in the order they stand on disk.

    Parameters
    ----------
    library : Library
    bursts : DataFrame
        Rows of ``library.bursts``.
    chain : Chain
    report : callable
    label : str
        What the progress says.

    Returns
    -------
    Spectra

    Raises
    ------
    DataError
        If a burst has too few shots or counts that are not finite; the message names it.
    """
    slices = library.description.slices()
    rows = bursts["first_row"].sort_values(kind="stable").index
    reduced: list[Floats] = []
    darks: dict[int, Floats | None] = {}
    for done, (row, counts) in enumerate(library.walk([int(r) for r in rows]), start=1):
        index = int(library.bursts["dark"].iloc[row])
        if index not in darks:
            darks[index] = library.dark(index)
        shot = Acquisition(slices, dark=darks[index])
        try:
            reduced.append(chain.burst(counts.astype(np.float64), library.wavelength, shot))
        except DataError as error:
            raise DataError(
                f"{library.path}: burst {library.bursts['burst'].iloc[row]!r}: {error}"
            ) from None
        report(label, done, len(rows))
    owner = np.repeat(np.arange(len(rows)), [len(each) for each in reduced])
    stacked = np.concatenate(reduced) if reduced else np.empty((0, library.wavelength.size))
    return Spectra(bursts.loc[rows].iloc[owner], stacked)

"""From bursts on disk to the matrix a regressor sees."""

from __future__ import annotations

import uuid
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from calib.errors import DataError
from calib.experiment.workers import SERIAL, Engine, ordered
from calib.library import Library, open_library
from calib.library.guard import restrict
from calib.library.store import READ_ROWS
from calib.preprocess import Acquisition, Chain
from calib.preprocess.shots import dark_at
from calib.preprocess.step import Need

Floats = NDArray[np.floating]
Report = Callable[[str, int, int], None]
"""Called with what is being done, how much of it is done, and how much there is."""

BATCH = 256
"""Bursts worked on at once at the most."""

WORTH_SPREADING = 100_000
"""Shots from which on workers share them: some ten seconds of work for one."""


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


class Darks:
    """The dark spectrum of each burst, as a chain's step ``dark`` wants it.

    Parameters
    ----------
    library : Library
    chain : Chain
    """

    def __init__(self, library: Library, chain: Chain) -> None:
        self.library = library
        self._held: dict[int, Floats | None] = {}
        self._times = np.empty(0)
        self._darks = np.empty((0, library.wavelength.size))
        wanted = any(getattr(step, "by", "") == "interpolated" for step in chain.steps)
        if wanted:
            self._shot = utc_seconds(library.bursts["acquired_at"])
            bursts = pd.DataFrame({"dark": library.bursts["dark"], "time": self._shot})
            known = bursts[bursts["dark"] >= 0].groupby("dark")["time"].mean().dropna()
            known = known.sort_values()
            if len(known) < 2:
                raise DataError(
                    f"{library.path / 'bursts.csv'}: darks of known time (acquired_at): found "
                    f"{len(known)}, need two or more to interpolate darks in time"
                )
            self._times = known.to_numpy()
            self._darks = np.stack([np.asarray(library.dark(int(i))) for i in known.index])

    def __call__(self, row: int) -> Floats | None:
        """Return the dark of the burst in row `row`, counts, or None.

        A burst whose time is not known has the dark that it names.
        """
        if self._times.size and np.isfinite(self._shot[row]):
            return dark_at(float(self._shot[row]), self._times, self._darks)
        index = int(self.library.bursts["dark"].iloc[row])
        if index not in self._held:
            self._held[index] = self.library.dark(index)
        return self._held[index]


def utc_seconds(text: pd.Series) -> Floats:
    """Turn ISO 8601 times into seconds since 1970 UTC, NaN where empty or not readable."""
    times = pd.to_datetime(text, utc=True, format="ISO8601", errors="coerce")
    seconds = (times - pd.Timestamp(0, tz="UTC")).dt.total_seconds()
    return seconds.to_numpy(dtype=float)


def acquisition(library: Library, bursts: pd.DataFrame) -> Acquisition:
    """Say how the spectra of some bursts were shot: spectrometers, distances, standards."""
    return Acquisition(
        library.description.slices(),
        distance_m=bursts["distance_m"].to_numpy(float),
        standards=bursts["standard"].to_numpy(dtype=str),
    )


def first_to_last(bursts: pd.DataFrame) -> pd.Index:
    """Return the rows of ``bursts.csv`` in the order in which their shots stand on disk."""
    return bursts["first_row"].sort_values(kind="stable").index


def reduce_bursts(
    library: Library,
    bursts: pd.DataFrame,
    chain: Chain,
    report: Report,
    label: str,
    *,
    whole: bool = False,
    engine: Engine = SERIAL,
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
    whole : bool, default False
        Give each burst one row, as the runtime does, also where the chain does not average.
    engine : Engine, optional
        Its workers open the library by its path and share many shots; a few are not worth it.

    Returns
    -------
    Spectra

    Raises
    ------
    DataError
        If a burst has too few shots or counts that are not finite; the message names it.
    """
    rows = [int(row) for row in first_to_last(bursts)]
    if not rows:
        return Spectra(bursts, np.empty((0, library.wavelength.size)))
    spread = not engine.here and int(bursts["shots"].sum()) >= WORTH_SPREADING
    reduced: list[Floats] = []
    if not spread:
        source = _Source(library, Darks(library, chain), chain, whole)
        for done, each in enumerate(source.reduce(rows), start=1):
            reduced.append(each)
            report(label, done, len(rows))
    else:
        place = _Place(library.path.resolve(), tuple(rows), chain, whole, uuid.uuid4().hex)
        report(label, 0, len(rows))
        with engine.open() as pool:
            for part in ordered(pool, _reduce_batch, ((place, b) for b in batches(library, rows))):
                reduced.extend(part)
                report(label, len(reduced), len(rows))
    owner = np.repeat(np.arange(len(rows)), [len(each) for each in reduced])
    return Spectra(bursts.loc[rows].iloc[owner], np.concatenate(reduced))


def batches(library: Library, rows: Sequence[int]) -> Iterator[list[int]]:
    """Divide bursts, in the order of their shots, into what is read from disk at once."""
    shots = library.bursts["shots"].to_numpy()
    batch: list[int] = []
    held = 0
    for row in rows:
        if batch and (len(batch) == BATCH or held + shots[row] > READ_ROWS):
            yield batch
            batch, held = [], 0
        batch.append(row)
        held += int(shots[row])
    yield batch


@dataclass(frozen=True, eq=False)
class _Source:
    """An opened library and what is done to its bursts."""

    library: Library
    darks: Darks
    chain: Chain
    whole: bool

    def reduce(self, rows: Sequence[int]) -> Iterator[Floats]:
        """Yield the spectra of each burst."""
        library = self.library
        slices = library.description.slices()
        for row, counts in library.walk(rows):
            shot = Acquisition(slices, dark=self.darks(row))
            try:
                each = self.chain.burst(counts.astype(np.float64), library.wavelength, shot)
            except DataError as error:
                raise DataError(
                    f"{library.path}: burst {library.bursts['burst'].iloc[row]!r}: {error}"
                ) from None
            yield each.mean(axis=0, keepdims=True) if self.whole and len(each) > 1 else each


@dataclass(frozen=True, eq=False)
class _Place:
    """Where a worker finds a library, and the only bursts of it that it may open."""

    library: Path
    rows: tuple[int, ...]
    chain: Chain
    whole: bool
    token: str

    def open(self) -> _Source:
        """Open the library, or return what this process opened before."""
        if self.token not in _OPENED:
            _OPENED.clear()
            library = restrict(open_library(self.library), self.rows)
            _OPENED[self.token] = _Source(
                library, Darks(library, self.chain), self.chain, self.whole
            )
        return _OPENED[self.token]


_OPENED: dict[str, _Source] = {}


def _reduce_batch(place: _Place, batch: list[int]) -> list[Floats]:
    """Reduce some bursts where a worker is."""
    return list(place.open().reduce(batch))

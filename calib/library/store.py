"""Opening a library: the tables checked and in memory, the bulk left on disk."""

from __future__ import annotations

import hashlib
import os
import textwrap
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import zarr
from numpy.typing import NDArray

from calib import _checks
from calib._show import html_table
from calib.errors import DataError
from calib.library import description as describe
from calib.library.description import Description
from calib.library.tables import (
    BURST_COLUMNS,
    STANDARD_COLUMNS,
    check_bursts,
    check_standards,
    read_csv,
    totals,
)

Counts = Any
"""A Zarr array of shape (rows, channels), read in slices."""

READ_ROWS = 1024
"""Shots read from disk at once when bursts are walked in order."""


@dataclass(frozen=True, repr=False)
class Library:
    """Standards and the bursts shot at them.

    Attributes
    ----------
    path : Path
    description : Description
        What ``library.toml`` says.
    standards : DataFrame
        Descriptive columns, indexed by standard.
    values, uncertainty : DataFrame
        Certified values and their standard uncertainties (k = 1), indexed by standard, in the
        analyte's unit; NaN where not certified, or not given.
    bursts : DataFrame
        The columns of ``bursts.csv``; ``dark`` is −1 where there is none.
    wavelength : ndarray of shape (channels,)
        nm, in air or vacuum as the description says.
    """

    path: Path
    description: Description
    standards: pd.DataFrame
    values: pd.DataFrame
    uncertainty: pd.DataFrame
    bursts: pd.DataFrame
    wavelength: NDArray[np.float64]
    _counts: Counts
    _darks: Counts | None

    @property
    def analytes(self) -> list[str]:
        """Names of the analytes, in the order of ``standards.csv``."""
        return list(self.values.columns)

    @property
    def totals(self) -> pd.Series:
        """Certified total of each standard, wt%."""
        return totals(self.values, self.description.units)

    def select(self, *uses: str) -> pd.DataFrame:
        """Bursts whose ``use`` is one of `uses`, all columns, the library's row numbers kept."""
        return self.bursts[self.bursts["use"].isin(uses)]

    def dark(self, index: int) -> NDArray[np.floating] | None:
        """Dark spectrum number `index` in counts, or None for −1."""
        if index < 0 or self._darks is None:
            return None
        if index >= self._darks.shape[0]:
            raise DataError(
                f"{self.path / 'bursts.csv'}: dark {index} is named, "
                f"spectra.zarr holds {self._darks.shape[0]}"
            )
        return np.asarray(self._darks[index])

    def counts(self, row: int) -> NDArray[np.generic]:
        """Shots of the burst in row `row` of `bursts`, shape (shots, channels)."""
        return next(iter(self.walk([row])))[1]

    def walk(self, rows: Sequence[int]) -> Iterator[tuple[int, NDArray[np.generic]]]:
        """Yield (row, shots by channels) for rows of `bursts`, reading the disk in blocks.

        Raises
        ------
        DataError
            If a count is NaN or infinite.
        """
        firsts = self.bursts["first_row"].to_numpy()
        shots = self.bursts["shots"].to_numpy()
        block: NDArray[np.generic] = np.empty((0, self.wavelength.size))
        start = 0
        for row in rows:
            first, n = int(firsts[row]), int(shots[row])
            if not (start <= first and first + n <= start + len(block)):
                start = first
                block = self._read(first, max(n, READ_ROWS))
            burst = block[first - start : first - start + n]
            if burst.dtype.kind == "f" and not np.isfinite(burst).all():
                shot, channel = np.argwhere(~np.isfinite(burst))[0]
                raise DataError(
                    f"{self.path / 'spectra.zarr'}: burst {self.bursts['burst'].iloc[row]!r}, "
                    f"shot {shot}, channel {channel} is {burst[shot, channel]}, "
                    "need finite numbers"
                )
            yield row, burst

    def _read(self, first: int, rows: int) -> NDArray[np.generic]:
        try:
            return np.asarray(self._counts[first : first + rows])
        except (RuntimeError, ValueError, OSError) as error:
            raise DataError(
                f"{self.path / 'spectra.zarr'}: shots {first} to {first + rows - 1} "
                f"cannot be read: {str(error).splitlines()[0]}"
            ) from None

    def digest(self) -> str:
        """SHA-256 over every file of the library, names and contents, in hexadecimal."""
        total = hashlib.sha256()
        for file in sorted(p for p in self.path.rglob("*") if p.is_file()):
            total.update(file.relative_to(self.path).as_posix().encode() + b"\0")
            total.update(hashlib.sha256(file.read_bytes()).digest())
        return total.hexdigest()

    def summary(self) -> dict[str, Any]:
        """Return what the library holds as plain data, for JSON."""
        uses = self.bursts["use"].value_counts()
        return {
            "path": str(self.path),
            "title": self.description.title,
            "signal": self.description.signal,
            "standards": len(self.standards),
            "bursts": {str(use): int(n) for use, n in uses.items()},
            "shots": int(self.bursts["shots"].sum()),
            "channels": int(self.wavelength.size),
            "first_nm": float(self.wavelength[0]),
            "last_nm": float(self.wavelength[-1]),
            "analytes": {name: int(self.values[name].notna().sum()) for name in self.analytes},
        }

    def _repr_html_(self) -> str:
        """Show the analytes in a notebook: how often they are certified, and their range."""
        held = self.summary()
        rows = []
        for name, n in held["analytes"].items():
            values = self.values[name]
            ends = f"{values.min():.4g} to {values.max():.4g}" if n else "–"
            rows.append((name, n, ends, self.description.unit(name)))
        bursts = ", ".join(f"{n} {use}" for use, n in held["bursts"].items())
        caption = (
            f"{held['title']}: {held['standards']} standards, bursts: {bursts}; "
            f"{held['channels']} channels, {held['first_nm']:g} to {held['last_nm']:g} nm"
        )
        return html_table(caption, ["analyte", "certified standards", "range", "unit"], rows)

    def __repr__(self) -> str:
        """One line a section: counts of standards, bursts, channels, analytes."""
        uses = self.bursts["use"].value_counts()
        return (
            f"Library {self.path}\n"
            f"  {self.description.title}\n"
            f"  {len(self.standards)} standards, {len(self.bursts)} bursts "
            f"({', '.join(f'{n} {use}' for use, n in uses.items())}), "
            f"{int(self.bursts['shots'].sum())} shots\n"
            f"  {self.wavelength.size} channels in {len(self.description.spectrometers)} "
            f"spectrometer(s), {self.wavelength[0]:g} to {self.wavelength[-1]:g} nm "
            f"({self.description.wavelengths})\n"
            + textwrap.fill(
                f"analytes: {', '.join(self.analytes)}",
                78,
                initial_indent="  ",
                subsequent_indent="    ",
            )
        )


def open_library(directory: str | os.PathLike[str]) -> Library:
    """Open a library and check its tables; counts are read when asked for.

    Parameters
    ----------
    directory : path

    Returns
    -------
    Library

    Raises
    ------
    DataError
        If a file is missing or breaks a rule; the message names file, row and column.
    """
    path = Path(directory)
    if not path.is_dir():
        raise DataError(
            f"{path}: no such library; make one with 'calib library simulate {path}' "
            f"or 'calib library import TABLE.csv {path}'"
        )
    described = describe.load(path / "library.toml")
    info, values, uncertainty = check_standards(
        read_csv(path / "standards.csv", known=STANDARD_COLUMNS),
        described.units,
        where=str(path / "standards.csv"),
    )
    bursts_file = path / "bursts.csv"
    bursts = check_bursts(
        read_csv(bursts_file, known=BURST_COLUMNS), info.index, where=str(bursts_file)
    )
    counts, darks, wavelength = _open_arrays(path / "spectra.zarr", described)
    beyond = np.flatnonzero((bursts["first_row"] + bursts["shots"] > counts.shape[0]).to_numpy())
    if beyond.size:
        raise DataError(
            f"{bursts_file}: row {beyond[0] + 2}: burst {bursts['burst'].iloc[beyond[0]]!r} ends "
            f"beyond the {counts.shape[0]} shots of spectra.zarr"
        )
    held = 0 if darks is None else darks.shape[0]
    missing = np.flatnonzero((bursts["dark"] >= held).to_numpy())
    if missing.size:
        raise DataError(
            f"{bursts_file}: row {missing[0] + 2}: dark {bursts['dark'].iloc[missing[0]]} is "
            f"named, spectra.zarr holds {held} darks"
        )
    return Library(path, described, info, values, uncertainty, bursts, wavelength, counts, darks)


def _open_arrays(
    path: Path, described: Description
) -> tuple[Counts, Counts | None, NDArray[np.float64]]:
    try:
        group: Any = zarr.open_group(path, mode="r")
        counts: Counts = group["counts"]
        wavelength = np.asarray(group["wavelength"])
    except (FileNotFoundError, KeyError, ValueError) as error:
        raise DataError(f"{path}: need a Zarr group with counts and wavelength: {error}") from None
    axis = _checks.wavelength_axis(wavelength, where=f"{path}: wavelength")
    if counts.ndim != 2 or counts.shape[1] != axis.size or described.channels != axis.size:
        raise DataError(
            f"{path}: counts are {counts.shape}, wavelength {axis.size}, and library.toml says "
            f"{described.channels} channels; need one number"
        )
    return counts, group.get("darks"), axis

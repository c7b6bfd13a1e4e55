"""Importing a wide table: one spectrum a row, metadata columns first, then the channels."""

from __future__ import annotations

import os
from collections.abc import Callable, Generator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from calib import _checks, oxides
from calib.errors import DataError, UsageError
from calib.library.description import GAP_FACTOR, Description, split_spectrometers
from calib.library.tables import USES, check_standards
from calib.library.writer import LibraryWriter
from calib.validate.folds import choose_held_out

READ_ROWS = 500
"""Rows of the table in memory at once."""

_KNOWN = ("standard", "family", "distance_m", "use")


@dataclass(frozen=True)
class TableSettings:
    """How to read a wide table.

    Parameters
    ----------
    analytes : tuple of str, optional
        Analyte columns. Default: the columns that are elements or oxides.
    units : dict of str to str
        Unit of each analyte; wt% where not listed.
    axis : tuple (first_nm, last_nm, count), optional
        The last `count` columns are channels, evenly spaced from first to last. Default:
        channels are the columns whose names are numbers, the wavelengths.
    signal : {"auto", "emission", "absorption"}
        ``auto`` judges by the roughness of the mean spectrum (`judge_signal`).
    vacuum : bool
        The wavelengths are in vacuum, not air.
    held_out : float, optional
        Share of the families to mark as held out, where the table has no ``use`` column.
    seed : int
        Of that choice.
    gap_factor : float
        See `split_spectrometers`.
    title : str
    """

    analytes: tuple[str, ...] = ()
    units: dict[str, str] = field(default_factory=dict)
    axis: tuple[float, float, int] | None = None
    signal: Literal["auto", "emission", "absorption"] = "auto"
    vacuum: bool = False
    held_out: float | None = None
    seed: int = 1
    gap_factor: float = GAP_FACTOR
    title: str = ""


def judge_signal(spectrum: NDArray[np.floating]) -> Literal["emission", "absorption"]:
    """Judge whether a spectrum has sharp lines (emission) or broad bands (absorption).

    Broad bands are smooth from channel to channel, so neighbouring first differences agree:
    their lag-1 autocorrelation is near 1. Lines a few channels wide give about 0.5, noise −0.5.
    The limit is 0.8 (chosen here, no source).
    """
    slope = np.diff(np.asarray(spectrum, dtype=float))
    if slope.size < 3 or not slope.any():
        return "emission"
    slope = slope - slope.mean()
    power = float(slope @ slope)
    return "absorption" if power > 0 and slope[1:] @ slope[:-1] > 0.8 * power else "emission"


def import_table(
    source: str | os.PathLike[str],
    directory: str | os.PathLike[str],
    settings: TableSettings | None = None,
    *,
    progress: Callable[[int, int], None] | None = None,
) -> Path:
    """Make a library from a wide CSV table.

    Parameters
    ----------
    source : path
        UTF-8 CSV with a header. Optional columns ``standard`` (default: one standard a row),
        ``family``, ``distance_m`` and ``use`` (calibration, held-out or check); analyte
        columns, ``NAME_u`` their standard uncertainties; then one column a channel.
    directory : path
        The library to make; must not exist.
    settings : TableSettings, optional
    progress : callable, optional
        Called with (rows done, rows in all).

    Returns
    -------
    Path
        The library.

    Raises
    ------
    UsageError
        If `directory` exists.
    DataError
        If the table breaks a rule: file, row, column, what was found, what is needed. Nothing
        is left behind.
    """
    settings = settings or TableSettings()
    path = Path(source)
    table = SpectraTable(path, settings.axis)
    meta = table.metadata
    analytes = _analytes(path, meta, settings)
    if "standard" not in meta:
        meta["standard"] = [f"row-{i + 1:0{len(str(len(meta)))}d}" for i in range(len(meta))]
    standards = _standards(path, meta, analytes, settings)
    use = _uses(path, meta, standards, analytes, settings)
    description = Description(
        title=settings.title or f"Imported from {path.name}",
        spectrometers=split_spectrometers(table.wavelength, gap_factor=settings.gap_factor),
        signal=(
            judge_signal(table.first_block().mean(axis=0))
            if settings.signal == "auto"
            else settings.signal
        ),
        wavelengths="vacuum" if settings.vacuum else "air",
        units={a: settings.units.get(a, "wt%") for a in analytes},
        held_out_rule=_held_out_rule(meta, settings),
    )
    with LibraryWriter(directory, description, table.wavelength, dtype=np.float64) as writer:
        row = 0
        for block in table.blocks():
            for spectrum in block:
                name = meta["standard"].iloc[row]
                distance = meta["distance_m"].iloc[row] if "distance_m" in meta else ""
                writer.add_burst(
                    spectrum, burst=f"b{row + 1:05d}", standard=name, use=use[row],
                    distance_m=distance,
                )  # fmt: skip
                row += 1
            if progress is not None:
                progress(row, len(meta))
        return writer.finish(standards)


class SpectraTable:
    """A wide CSV table opened for reading: metadata in memory, spectra in blocks.

    Parameters
    ----------
    path : Path
    axis : tuple (first_nm, last_nm, count), optional
        As in `TableSettings`.

    Attributes
    ----------
    channels : list of str
        Names of the channel columns.
    wavelength : ndarray of shape (channels,)
        nm.
    metadata : DataFrame of str
        The other columns.

    Raises
    ------
    UsageError
        If there is no such file, or `axis` asks for more columns than there are.
    DataError
        If it is no CSV, repeats a column, has no rows or no channels.
    """

    def __init__(self, path: Path, axis: tuple[float, float, int] | None = None) -> None:
        self.path = path
        header = _header(path)
        self.channels, self.wavelength = _channels(path, header, axis)
        taken = set(self.channels)
        others = [c for c in header if c not in taken]
        self.metadata = pd.read_csv(
            path, usecols=others or header[:1], dtype=str, keep_default_na=False,
            encoding="utf-8-sig",
        )[others]  # fmt: skip
        if self.metadata.empty and not len(self.metadata):
            raise DataError(f"{path}: found no rows, need one spectrum a row")

    def blocks(self) -> Generator[NDArray[np.float64]]:
        """Yield (rows, channels), a block of rows at a time.

        Raises
        ------
        DataError
            At the first cell that is no finite number; the message names row and column.
        """
        start = 0
        with pd.read_csv(
            self.path, usecols=self.channels, dtype=str, keep_default_na=False,
            chunksize=READ_ROWS, encoding="utf-8-sig",
        ) as reader:  # fmt: skip
            for text in reader:
                block = self._numbers(text[self.channels], start)
                start += len(block)
                yield block

    def _numbers(self, text: pd.DataFrame, start: int) -> NDArray[np.float64]:
        try:
            block = text.to_numpy().astype(np.float64)
        except ValueError:
            block = text.apply(pd.to_numeric, errors="coerce").to_numpy(dtype=np.float64)
        bad = np.argwhere(~np.isfinite(block))
        if bad.size:
            row, column = bad[0]
            raise DataError(
                f"{self.path}: row {start + row + 2}, column {self.channels[column]!r}: found "
                f"{text.iloc[row, column]!r}, need a finite number"
            )
        return block

    def first_block(self) -> NDArray[np.float64]:
        """Read the first rows only, (rows, channels)."""
        blocks = self.blocks()
        try:
            return next(blocks)
        finally:
            blocks.close()


def _header(path: Path) -> list[str]:
    try:
        frame = pd.read_csv(path, header=None, nrows=1, dtype=str, encoding="utf-8-sig")
    except FileNotFoundError:
        raise UsageError(f"{path}: no such table") from None
    except IsADirectoryError:
        raise UsageError(f"{path}: is a folder, need a CSV table") from None
    except pd.errors.EmptyDataError:
        raise DataError(f"{path}: found an empty file, need a header and rows") from None
    except (pd.errors.ParserError, UnicodeDecodeError) as error:
        raise DataError(f"{path}: not UTF-8 CSV: {error}") from None
    names = [str(name) for name in frame.iloc[0].tolist()]
    for name in names:
        if names.count(name) > 1:
            raise DataError(f"{path}: column {name!r} stands twice, need each once")
    return names


def _channels(
    path: Path, header: list[str], axis: tuple[float, float, int] | None
) -> tuple[list[str], NDArray[np.float64]]:
    if axis is not None:
        first, last, count = axis
        if not 2 <= count < len(header):
            raise UsageError(
                f"{path}: --axis asks for {count} channels, the table has {len(header)} columns"
            )
        return header[-count:], _checks.wavelength_axis(
            np.linspace(first, last, count), where="--axis"
        )
    wavelengths = pd.to_numeric(
        pd.Series(header).str.strip().str.removesuffix("nm").str.strip(), errors="coerce"
    ).to_numpy(dtype=float)
    at = np.flatnonzero(np.isfinite(wavelengths))
    if at.size < 2:
        raise DataError(
            f"{path}: found {at.size} columns named by a wavelength, need one a channel "
            "(or give --axis first:last:count)"
        )
    named = _checks.wavelength_axis(wavelengths[at], where=f"{path}: column names")
    return [header[i] for i in at], named


def _analytes(path: Path, meta: pd.DataFrame, settings: TableSettings) -> list[str]:
    other = [c for c in meta.columns if c not in _KNOWN]
    if settings.analytes:
        missing = [a for a in settings.analytes if a not in other]
        if missing:
            raise UsageError(
                f"{path}: no column {missing[0]!r}; columns that may be analytes: "
                f"{', '.join(other) or 'none'}"
            )
        return list(settings.analytes)
    found = [c for c in other if oxides.is_formula(c)]
    if not found:
        raise UsageError(
            f"{path}: no column is an element or oxide; name the analytes with --analytes "
            f"(candidates: {', '.join(other) or 'none'})"
        )
    return found


def _standards(
    path: Path, meta: pd.DataFrame, analytes: list[str], settings: TableSettings
) -> pd.DataFrame:
    """One row a standard; rows of one standard must agree."""
    columns = [
        "standard",
        *(["family"] if "family" in meta else []),
        *(c for a in analytes for c in (a, f"{a}_u") if c in meta),
    ]
    table = meta[columns]
    first = table.drop_duplicates("standard")
    expected = first.set_index("standard").loc[table["standard"]].to_numpy()
    differs = np.argwhere(table[columns[1:]].to_numpy() != expected)
    if differs.size:
        row, column = differs[0]
        name = columns[1 + column]
        raise DataError(
            f"{path}: row {row + 2}: {name} of standard {table['standard'].iloc[row]!r} is "
            f"{table[name].iloc[row]!r}, an earlier row says {expected[row, column]!r}"
        )
    try:
        check_standards(first.reset_index(drop=True), settings.units, where=str(path))
    except DataError as error:
        raise DataError(_with_row(str(error), first.index)) from None
    return first.reset_index(drop=True)


def _with_row(message: str, index: pd.Index) -> str:
    """Turn the row number among standards into the row number of the table."""
    head, mark, tail = message.partition(": row ")
    number, _, rest = tail.partition(":")
    if not mark or not number.isdigit():
        return message
    return f"{head}: row {int(index[int(number) - 2]) + 2}:{rest}"


def _uses(
    path: Path,
    meta: pd.DataFrame,
    standards: pd.DataFrame,
    analytes: list[str],
    settings: TableSettings,
) -> list[str]:
    if "use" in meta:
        if settings.held_out is not None:
            raise UsageError(f"{path}: has a column 'use'; --held-out cannot choose anew")
        given = meta["use"].replace("", "calibration")
        wrong = np.flatnonzero(~given.isin(USES))
        if wrong.size:
            raise DataError(
                f"{path}: row {wrong[0] + 2}: use is {given.iloc[wrong[0]]!r}, "
                f"need one of {', '.join(USES)}"
            )
        return given.tolist()
    if settings.held_out is None:
        return ["calibration"] * len(meta)
    info, values, _ = check_standards(standards, settings.units, where=str(path))
    out = choose_held_out(
        info["family"].to_numpy(str), values[analytes], settings.held_out, seed=settings.seed
    )
    marked = dict(zip(info.index, out, strict=True))
    return ["held-out" if marked[name] else "calibration" for name in meta["standard"]]


def _held_out_rule(meta: pd.DataFrame, settings: TableSettings) -> str:
    if "use" in meta:
        return "as the imported table's column 'use' says"
    if settings.held_out is None:
        return "none held out"
    return (
        f"{settings.held_out:g} of the families, spread over the composition, chosen at import "
        f"with seed {settings.seed}"
    )

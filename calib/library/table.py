"""Importing a wide table: one spectrum a row, metadata columns first, then the channels."""

from __future__ import annotations

import contextlib
import os
import warnings
from collections import Counter
from collections.abc import Callable, Generator, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from calib import _checks, oxides
from calib.errors import CalibWarning, DataError, UsageError
from calib.library.csvfile import check_csv
from calib.library.description import GAP_FACTOR, Description
from calib.library.tables import STANDARD_COLUMNS, USES, check_standards
from calib.library.writer import LibraryWriter
from calib.validate.folds import choose_held_out

if TYPE_CHECKING:
    from calib.library.importers.source import Source

READ_ROWS = 100
"""Rows of the table in memory at once."""

_FACTS = ("spot", "distance_m", "energy_mJ", "pressure_pa", "acquired_at", "detector_c")
_KNOWN = ("standard", "family", "use", "burst", "file", "row", "title", "field", *_FACTS)


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
    table : path, optional
        A CSV with the metadata of spectra whose files hold none, see `calib.library.metadata`.
    overlap : {"cut", "refuse"}
        What to do where two spectrometers see the same wavelengths, see
        `calib.library.importers.axis.join_axis`.
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
    table: Path | None = None
    overlap: Literal["cut", "refuse"] = "cut"


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
    say: Callable[[str], None] | None = None,
) -> Path:
    """Make a library from spectra in a wide CSV table or another format.

    Parameters
    ----------
    source : path
        What `calib.library.importers.open_source` opens. A wide table is UTF-8 CSV with a header:
        metadata and analyte columns, then one column a channel. Metadata columns, there or in
        ``settings.table``: ``standard`` (default: one standard a row), ``family``, ``use``
        (calibration, held-out or check), ``burst`` (consecutive rows of one burst are its shots),
        ``spot``, ``distance_m``, ``energy_mJ``, ``pressure_pa``, ``acquired_at``, ``detector_c``;
        analytes, ``NAME_u`` their standard uncertainties.
    directory : path
        The library to make; must not exist.
    settings : TableSettings, optional
    progress : callable, optional
        Called with (rows done, rows in all).
    say : callable, optional
        Called with what was decided: spectrometers found, channels dropped.

    Returns
    -------
    Path
        The library.

    Raises
    ------
    UsageError
        If `directory` exists, or a package that the format needs is not installed.
    DataError
        If the table breaks a rule: file, row, column, what was found, what is needed. Nothing
        is left behind.

    Warns
    -----
    CalibWarning
        If a column is not used, or there is no column ``standard``.
    """
    from calib.library.importers.axis import join_axis
    from calib.library.importers.source import open_source
    from calib.library.metadata import with_metadata

    settings = settings or TableSettings()
    path = Path(source)
    opened = open_source(path, settings.axis)
    meta = with_metadata(opened.metadata, settings.table, path)
    where = settings.table or path
    analytes = _analytes(where, meta, settings)
    _check_names(where, analytes, settings)
    _say_what_is_guessed(analytes, settings.units)
    _say_what_is_not_used(meta, analytes)
    if "standard" not in meta:
        meta["standard"] = [f"row-{i + 1:0{len(str(len(meta)))}d}" for i in range(len(meta))]
    _check_distances(where, meta)
    standards = _standards(where, meta, analytes, settings)
    use = _uses(where, meta, standards, analytes, settings)
    joined = join_axis(
        opened.wavelength, overlap=settings.overlap, gap_factor=settings.gap_factor,
        where=f"{path}: wavelength",
    )  # fmt: skip
    notes = [*opened.notes, *joined.notes]
    for note in notes if say is not None else ():
        say(note)  # type: ignore[misc]
    description = Description(
        title=settings.title or f"Imported from {path.name}",
        spectrometers=joined.spectrometers,
        signal=(
            judge_signal(_first_block(opened).mean(axis=0)[joined.channels])
            if settings.signal == "auto"
            else settings.signal
        ),
        wavelengths="vacuum" if settings.vacuum or opened.vacuum else "air",
        units={a: settings.units.get(a, "wt%") for a in analytes},
        held_out_rule=_held_out_rule(meta, settings),
        notes="; ".join(notes),
    )
    with LibraryWriter(directory, description, joined.wavelength, dtype=np.float64) as writer:
        for done in _write_bursts(writer, opened.blocks(), meta, use, joined.channels, where):
            if progress is not None:
                progress(done, len(meta))
        return writer.finish(standards)


def _first_block(opened: Source) -> NDArray[np.float64]:
    """Read the first spectra only."""
    blocks = opened.blocks()
    try:
        return next(blocks)
    finally:
        blocks.close()


def _write_bursts(
    writer: LibraryWriter,
    blocks: Iterator[NDArray[np.float64]],
    meta: pd.DataFrame,
    use: list[str],
    channels: NDArray[np.intp],
    where: Path,
) -> Iterator[int]:
    """Write rows, consecutive rows of one burst together; yield the rows read so far."""
    if "burst" in meta:
        names = meta["burst"].tolist()
    else:
        names = [f"b{i + 1:05d}" for i in range(len(meta))]
    # pandas before 3 gives no records where there is no column
    facts = meta[[c for c in _FACTS if c in meta]].to_dict("records") or [{}] * len(meta)
    standards = meta["standard"].tolist()
    whole = np.array_equal(channels, np.arange(channels.size))
    held: list[NDArray[np.float64]] = []
    first = row = 0

    def flush() -> None:
        known = {str(key): value for key, value in facts[first].items()}
        writer.add_burst(
            np.stack(held), burst=names[first], standard=standards[first], use=use[first], **known
        )

    for block in blocks:
        for spectrum in block if whole else block[:, channels]:
            if held and names[row] != names[first]:
                flush()
                held, first = [], row
            if standards[row] != standards[first]:
                raise DataError(
                    f"{where}: row {row + 2}: burst {names[row]!r} is of standard "
                    f"{standards[row]!r}, its earlier rows are of {standards[first]!r}"
                )
            held.append(spectrum.copy())
            row += 1
        yield row
    flush()


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
        self.notes: list[str] = []
        self.vacuum = False
        if not path.exists():
            raise UsageError(f"{path}: no such table")
        header = check_csv(path, known=_KNOWN)
        self.channels, self.wavelength = _channels(path, header, axis)
        taken = set(self.channels)
        others = [c for c in header if c not in taken]
        self.metadata = pd.read_csv(
            path, usecols=others or header[:1], dtype=str, keep_default_na=False,
            encoding="utf-8-sig", index_col=False,
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
        with contextlib.suppress(ValueError), self._read(np.float64) as reader:
            for frame in reader:
                block = frame[self.channels].to_numpy()
                if not np.isfinite(block).all():
                    break
                start += len(block)
                yield block
            else:
                return
        # a cell is not plainly a finite number: read on as text, to name it
        with self._read(str, skip=start) as reader:
            for text in reader:
                block = self._numbers(text[self.channels], start)
                start += len(block)
                yield block

    def _read(self, dtype: Any, skip: int = 0) -> Any:
        as_text: dict[str, Any] = {"keep_default_na": False} if dtype is str else {}
        return pd.read_csv(
            self.path, usecols=self.channels, dtype=dtype, chunksize=READ_ROWS,
            encoding="utf-8-sig", index_col=False, skiprows=range(1, skip + 1), **as_text,
        )  # fmt: skip

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
    named = wavelengths[at]
    if (named <= 0).any():
        wrong = header[at[int(np.argmax(named <= 0))]]
        raise DataError(f"{path}: column {wrong!r}: need wavelengths in nm, above 0")
    return [header[i] for i in at], named


def _analytes(path: Path, meta: pd.DataFrame, settings: TableSettings) -> list[str]:
    other = [c for c in meta.columns if c not in _KNOWN]
    if settings.analytes:
        missing = [a for a in settings.analytes if a not in other]
        twice = [a for a, times in Counter(settings.analytes).items() if times > 1]
        if twice:
            raise UsageError(f"--analytes: {twice[0]!r} stands twice, need each once")
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


def _check_names(path: Path, analytes: list[str], settings: TableSettings) -> None:
    """Refuse analytes that a library's tables could not hold, and units of what is no analyte."""
    for name in analytes:
        if name in STANDARD_COLUMNS or (name.endswith("_u") and name[:-2] in analytes):
            raise UsageError(f"{path}: analyte {name!r}: the name is taken, rename the column")
    for name in settings.units:
        if name not in analytes:
            raise UsageError(
                f"{path}: a unit is given for {name!r}, need one of {', '.join(analytes)}"
            )


def _say_what_is_guessed(analytes: list[str], units: dict[str, str]) -> None:
    """Warn where wt% is taken for what is no element or oxide."""
    guessed = [a for a in analytes if a not in units and not oxides.is_formula(a)]
    if guessed:
        text = (
            f"no unit given for {', '.join(guessed)}: taken as wt%; give --unit {guessed[0]}=UNIT"
        )
        warnings.warn(CalibWarning(text), stacklevel=3)


def _say_what_is_not_used(meta: pd.DataFrame, analytes: list[str]) -> None:
    """Warn of what a slip of the pen may have caused."""
    used = {*_KNOWN, *analytes, *(f"{a}_u" for a in analytes)}
    unused = [c for c in meta.columns if c not in used]
    if unused:
        warnings.warn(CalibWarning(f"columns not used: {', '.join(unused)}"), stacklevel=3)
    if "standard" not in meta:
        text = "no column 'standard': each row is taken as a standard of its own"
        warnings.warn(CalibWarning(text), stacklevel=3)


def _check_distances(path: Path, meta: pd.DataFrame) -> None:
    if "distance_m" not in meta:
        return
    text = meta["distance_m"].str.strip()
    metres = pd.to_numeric(text, errors="coerce").to_numpy(dtype=float)
    wrong = np.flatnonzero((text != "").to_numpy() & ~((metres > 0) & np.isfinite(metres)))
    if wrong.size:
        raise DataError(
            f"{path}: row {wrong[0] + 2}: distance_m is {text.iloc[wrong[0]]!r}, "
            "need metres above 0"
        )


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

"""``standards.csv`` and ``bursts.csv``: reading, and the rules every row must keep.

Certified values are text in the file because they say three things: a number, nothing
(not certified, never zero), or ``<0.01`` (below that limit). A value below a limit L is taken
as L/2 with standard uncertainty L/√12, the mean and standard deviation of a rectangular
distribution on [0, L] (JCGM 100:2008, GUM, 4.3.7).
"""

from __future__ import annotations

from collections.abc import Collection
from pathlib import Path

import numpy as np
import pandas as pd

from calib import oxides
from calib.errors import DataError
from calib.library.csvfile import check_csv

STANDARD_COLUMNS = ("standard", "name", "family", "kind", "form", "source")
BURST_COLUMNS = (
    "burst", "standard", "spot", "distance_m", "energy_mJ", "pressure_pa", "acquired_at",
    "dark", "detector_c", "first_row", "shots", "use",
)  # fmt: skip
USES = ("calibration", "held-out", "check")
MAX_TOTAL = 110.0
"""A total above this many wt% is a typing error, not an analysis (common practice, no source)."""

_BURST_NUMBERS = ("distance_m", "energy_mJ", "pressure_pa", "detector_c")
_BURST_COUNTS = ("first_row", "shots")


def analytes_of(standards: pd.DataFrame) -> list[str]:
    """Name the analytes of a standards table: every column that is not descriptive or ``_u``."""
    names = [c for c in standards.columns if c not in STANDARD_COLUMNS]
    return [c for c in names if not (c.endswith("_u") and c[:-2] in names)]


def read_csv(path: Path, *, known: Collection[str] = ()) -> pd.DataFrame:
    """Read a CSV whole as text, empty cells as empty text.

    Raises
    ------
    DataError
        As `calib.library.csvfile.check_csv`.
    """
    check_csv(path, known=known)
    return pd.read_csv(
        path, dtype=str, keep_default_na=False, encoding="utf-8-sig", index_col=False
    )


def check_standards(
    table: pd.DataFrame, units: dict[str, str], *, where: str
) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """Check a standards table and turn its certified values into numbers.

    Parameters
    ----------
    table : DataFrame of str
        As read from ``standards.csv``; only ``standard`` must be there.
    units : dict of str to str
        Unit of each analyte; wt% where not listed.
    where : str
        File name for messages.

    Returns
    -------
    info, values, uncertainty : DataFrame
        Indexed by standard: descriptive text; certified values in the analyte's unit (NaN
        where not certified); standard uncertainties (k = 1, NaN where not given).

    Raises
    ------
    DataError
        If a standard is unnamed or repeated, a value is no number, negative, above 100 wt%,
        or the total is above 110 wt%.
    """
    if "standard" not in table.columns:
        raise DataError(f"{where}: column 'standard' is missing")
    names = table["standard"].astype(str)
    _refuse_blank_or_repeated(names, "standard", where)
    analytes = analytes_of(table)
    info = pd.DataFrame(index=pd.Index(names, name="standard"))
    for column in STANDARD_COLUMNS[1:]:
        given = table[column].astype(str).to_numpy() if column in table else ""
        info[column] = given
    info["family"] = np.where(info["family"] == "", info.index, info["family"])
    values, uncertainty = {}, {}
    for analyte in analytes:
        unit = units.get(analyte, "wt%")
        values[analyte], limit_u = _certified(table[analyte], names, analyte, unit, where)
        uncertainty[analyte] = _uncertainty(table, names, analyte, limit_u, where)
    frame = pd.DataFrame(values, index=info.index, dtype=float)
    _check_totals(frame, units, where)
    return info, frame, pd.DataFrame(uncertainty, index=info.index, dtype=float)


def _refuse_blank_or_repeated(names: pd.Series, column: str, where: str) -> None:
    blank = np.flatnonzero(names.str.strip() == "")
    if blank.size:
        raise DataError(f"{where}: row {blank[0] + 2}: column {column!r} is empty")
    repeated = np.flatnonzero(names.duplicated())
    if repeated.size:
        raise DataError(
            f"{where}: row {repeated[0] + 2}: {column} {names.iloc[repeated[0]]!r} stands twice, "
            "need each once"
        )


def _certified(
    column: pd.Series, names: pd.Series, analyte: str, unit: str, where: str
) -> tuple[np.ndarray, np.ndarray]:
    """Values of one analyte, and the uncertainty that a limit implies (NaN elsewhere)."""
    text = column.astype(str).str.strip()
    below = text.str.startswith("<").to_numpy()
    number = pd.to_numeric(text.str.removeprefix("<"), errors="coerce").to_numpy(dtype=float)
    wrong = (text != "").to_numpy() & ~np.isfinite(number)
    high = (number > 100.0) if unit == "wt%" else np.zeros(len(number), dtype=bool)
    for bad, need in (
        (wrong, "a number, nothing, or '<' and a limit"),
        ((number < 0) | (below & (number <= 0)), "a value that is not negative"),
        (high, "at most 100 wt%"),
    ):
        if bad.any():
            at = int(np.flatnonzero(bad)[0])
            raise DataError(
                f"{where}: row {at + 2}: {analyte} of standard {names.iloc[at]!r} is "
                f"{text.iloc[at]!r}, need {need}"
            )
    values = np.where(below, number / 2.0, number)
    return values, np.where(below, number / np.sqrt(12.0), np.nan)


def _uncertainty(
    table: pd.DataFrame, names: pd.Series, analyte: str, limit_u: np.ndarray, where: str
) -> np.ndarray:
    column = f"{analyte}_u"
    if column not in table:
        return limit_u
    text = table[column].astype(str).str.strip()
    number = pd.to_numeric(text, errors="coerce").to_numpy(dtype=float)
    bad = (text != "").to_numpy() & ~(np.isfinite(number) & (number >= 0))
    if bad.any():
        at = int(np.flatnonzero(bad)[0])
        raise DataError(
            f"{where}: row {at + 2}: {column} of standard {names.iloc[at]!r} is "
            f"{text.iloc[at]!r}, need a standard uncertainty that is not negative"
        )
    return np.where(np.isfinite(number), number, limit_u)


def totals(values: pd.DataFrame, units: dict[str, str]) -> pd.Series:
    """Total in wt% of each standard, every element counted once (see `calib.oxides.summed`)."""
    names = [c for c in oxides.summed(values.columns) if units.get(c, "wt%") == "wt%"]
    return values[names].sum(axis=1, min_count=1)


def _check_totals(values: pd.DataFrame, units: dict[str, str], where: str) -> None:
    total = totals(values, units)
    high = np.flatnonzero((total > MAX_TOTAL).to_numpy())
    if high.size:
        at = int(high[0])
        raise DataError(
            f"{where}: row {at + 2}: the composition of standard {values.index[at]!r} adds up to "
            f"{total.iloc[at]:.4g} wt%, need at most {MAX_TOTAL:g}"
        )


def check_bursts(table: pd.DataFrame, standards: pd.Index, *, where: str) -> pd.DataFrame:
    """Check a bursts table and give its columns their types.

    Returns
    -------
    DataFrame
        With the columns of ``bursts.csv``; numbers NaN where empty, ``dark`` −1 where none.

    Raises
    ------
    DataError
        If a burst is unnamed or repeated, names an unknown standard, has an unknown use, or
        numbers that are not.
    """
    missing = [c for c in ("burst", "standard", "first_row", "shots", "use") if c not in table]
    if missing:
        raise DataError(f"{where}: column {missing[0]!r} is missing")
    out = pd.DataFrame({c: table.get(c, "") for c in BURST_COLUMNS}).astype(str)
    _refuse_blank_or_repeated(out["burst"], "burst", where)
    unknown = np.flatnonzero(~out["standard"].isin(standards) & (out["use"] != "check"))
    if unknown.size:
        at = int(unknown[0])
        raise DataError(
            f"{where}: row {at + 2}: standard {out['standard'].iloc[at]!r} of burst "
            f"{out['burst'].iloc[at]!r} is not in standards.csv"
        )
    wrong = np.flatnonzero(~out["use"].isin(USES))
    if wrong.size:
        at = int(wrong[0])
        raise DataError(
            f"{where}: row {at + 2}: use is {out['use'].iloc[at]!r}, need one of {', '.join(USES)}"
        )
    for column in _BURST_NUMBERS:
        out[column] = _numbers(out, column, where, lowest=None, empty=np.nan)
    near = np.flatnonzero((out["distance_m"] <= 0).to_numpy())
    if near.size:
        raise DataError(
            f"{where}: row {near[0] + 2}: distance_m is {out['distance_m'].iloc[near[0]]:g}, "
            "need metres above 0"
        )
    for column in _BURST_COUNTS:
        lowest = 1 if column == "shots" else 0
        out[column] = _numbers(out, column, where, lowest=lowest, empty=None).astype(int)
    out["dark"] = _numbers(out, "dark", where, lowest=0, empty=-1.0).astype(int)
    _refuse_shared_shots(out, where)
    return out


def _refuse_shared_shots(bursts: pd.DataFrame, where: str) -> None:
    """Refuse bursts that overlap: a split could put a shot on both sides."""
    first, shots = bursts["first_row"].to_numpy(), bursts["shots"].to_numpy()
    order = np.argsort(first, kind="stable")
    shared = np.flatnonzero((first + shots)[order[:-1]] > first[order[1:]])
    if shared.size:
        one, other = (bursts["burst"].iloc[order[shared[0] + i]] for i in (0, 1))
        row = int(order[shared[0] + 1]) + 2
        raise DataError(
            f"{where}: row {row}: burst {other!r} shares shots of spectra.zarr with burst {one!r}, "
            "need first_row and shots that do not overlap"
        )


def _numbers(
    table: pd.DataFrame, column: str, where: str, *, lowest: int | None, empty: float | None
) -> np.ndarray:
    text = table[column].str.strip()
    number = pd.to_numeric(text, errors="coerce").to_numpy(dtype=float)
    blank = (text == "").to_numpy()
    bad = ~np.isfinite(number)
    if empty is not None:
        bad &= ~blank
        number = np.where(blank, empty, number)
    if lowest is not None:
        bad |= ~blank & ((number < lowest) | (number != np.round(number)))
    if bad.any():
        at = int(np.flatnonzero(bad)[0])
        need = "a number" if lowest is None else f"a whole number of at least {lowest}"
        raise DataError(
            f"{where}: row {at + 2}: {column} of burst {table['burst'].iloc[at]!r} is "
            f"{text.iloc[at]!r}, need {need}"
        )
    return number

"""A table of metadata for spectra whose files hold none."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from calib.errors import DataError, UsageError
from calib.library.tables import read_csv


def with_metadata(found: pd.DataFrame, table: Path | None, source: Path) -> pd.DataFrame:
    """Add the columns of a metadata table to what the files themselves say.

    Parameters
    ----------
    found : DataFrame of str
        One row a spectrum; ``file`` and ``row`` where the source has files.
    table : Path, optional
        CSV. With a column ``file`` (and ``row``, counted from 1, where a file holds several
        spectra) its rows may stand in any order; without, they are the spectra in order.
    source : Path
        For messages.

    Returns
    -------
    DataFrame of str
        One row a spectrum, in the order of `found`.

    Raises
    ------
    UsageError
        If there is no such table.
    DataError
        If a spectrum has no row, a row no spectrum, or a row stands twice.
    """
    if table is None:
        return found.copy()
    if not table.is_file():
        raise UsageError(f"{table}: no such table of metadata")
    given = read_csv(table)
    if "file" not in given or "file" not in found:
        if len(given) != len(found):
            raise DataError(
                f"{table}: found {len(given)} rows, {source} holds {len(found)} spectra; need one "
                "row each, or a column 'file'"
            )
        kept = found.drop(columns=[c for c in found if c in given])
        return pd.concat([kept, given], axis=1)
    keys = ["file", "row"] if "row" in given else ["file"]
    twice = given[given.duplicated(keys)]
    if len(twice):
        raise DataError(
            f"{table}: row {twice.index[0] + 2}: file {twice['file'].iloc[0]!r} stands twice"
            + ("" if "row" in keys else "; a column 'row' tells the spectra of one file apart")
        )
    known = set(found[keys].itertuples(index=False, name=None))
    wanted = given[keys].itertuples(index=False, name=None)
    for number, key in enumerate(wanted, start=2):
        if key not in known:
            raise DataError(f"{table}: row {number}: no spectrum {' row '.join(key)} in {source}")
    kept = found.drop(columns=[c for c in found if c in given and c not in keys])
    merged = kept.merge(given, on=keys, how="left", sort=False, indicator=True)
    missing = merged[merged["_merge"] == "left_only"]
    if len(missing):
        raise DataError(
            f"{table}: no row for {missing['file'].iloc[0]!r} row {missing['row'].iloc[0]}, which "
            f"{source} holds"
        )
    return merged.drop(columns="_merge")

"""CSV files that people edit: checked before anything reads them.

A parser that guesses is worse than none: a row with one cell too many would shift every value one
column, and a column called ``Standard`` would be ignored.
"""

from __future__ import annotations

import csv
from collections import Counter
from collections.abc import Collection
from pathlib import Path

from calib.errors import DataError


def check_csv(path: Path, *, known: Collection[str] = ()) -> list[str]:
    """Check that a CSV file is a table, and return its column names as they stand.

    Parameters
    ----------
    path : Path
        UTF-8, with or without a byte-order mark.
    known : collection of str
        Names with a meaning; a column that is one of them but for case or blanks is refused.

    Returns
    -------
    list of str

    Raises
    ------
    DataError
        If there is no file or no header, a column has no name, stands twice or is a known name
        written otherwise, or a row has more or fewer cells than the header.
    """
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            rows = csv.reader(file, strict=True)
            names = next(rows, [])
            _check_names(path, names, known)
            for row in rows:
                if row and len(row) != len(names):
                    raise DataError(
                        f"{path}: line {rows.line_num}: found {len(row)} cells, "
                        f"need {len(names)} as in the header"
                    )
    except FileNotFoundError:
        raise DataError(f"{path}: not found") from None
    except IsADirectoryError:
        raise DataError(f"{path}: is a folder, need a CSV table") from None
    except (csv.Error, UnicodeDecodeError) as error:
        raise DataError(f"{path}: not UTF-8 CSV: {error}") from None
    return names


def _check_names(path: Path, names: list[str], known: Collection[str]) -> None:
    if not any(name.strip() for name in names):
        raise DataError(f"{path}: found no header, need a header and rows")
    for name, times in Counter(names).items():
        if not name.strip():
            raise DataError(
                f"{path}: column {names.index(name) + 1} has no name, need a name or one comma less"
            )
        if times > 1:
            raise DataError(f"{path}: column {name!r} stands twice, need each once")
        meant = next((k for k in known if k.casefold() == name.strip().casefold()), name)
        if meant != name:
            raise DataError(f"{path}: column {name!r}: need it written {meant!r}, or another name")

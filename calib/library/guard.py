"""A view of a library whose held-out bursts cannot be opened.

Training gets such a view and nothing else. It refuses the counts of every burst it was not given,
and does not hold the certified values of standards without such a burst; so no mistake in the code
that trains can read what the RMSEP is later measured on.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calib.errors import DataError
from calib.library.store import Library


class _Open:
    """Counts of which some shots are closed; reads stop before the first of them."""

    def __init__(self, counts: Any, closed: NDArray[np.bool_], where: str) -> None:
        self._held = counts
        self._closed = closed
        self._where = where
        self.shape = counts.shape
        self.dtype = counts.dtype

    def __getitem__(self, rows: slice) -> NDArray[np.generic]:
        start, stop, _ = rows.indices(self.shape[0])
        shut = np.flatnonzero(self._closed[start:stop])
        if shut.size:
            stop = start + int(shut[0])
        if stop <= start:
            raise DataError(
                f"{self._where}: shot {start} belongs to a held-out burst, which is closed to "
                "training"
            )
        return np.asarray(self._held[start:stop])


def restrict(library: Library, rows: Iterable[int]) -> Library:
    """Return a view of a library in which only some bursts can be opened.

    Parameters
    ----------
    library : Library
    rows : iterable of int
        Rows of ``library.bursts`` that stay open.

    Returns
    -------
    Library
        Its ``walk`` and ``counts`` raise `DataError` for other rows; ``values`` and
        ``uncertainty`` hold only the standards of open bursts. ``bursts`` and ``standards`` are
        whole, so that row numbers and families keep their meaning.
    """
    bursts = library.bursts
    allowed = np.zeros(len(bursts), dtype=bool)
    allowed[list(rows)] = True
    closed = np.ones(library._counts.shape[0], dtype=bool)
    for first, shots in bursts.loc[allowed, ["first_row", "shots"]].to_numpy():
        closed[first : first + shots] = False
    known = library.values.index.isin(bursts.loc[allowed, "standard"])
    guarded: Any = _Open(library._counts, closed, str(library.path / "spectra.zarr"))
    return replace(
        library,
        values=library.values[known],
        uncertainty=library.uncertainty[known],
        _counts=guarded,
    )

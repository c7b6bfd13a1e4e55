"""Writing a library: whole or not at all.

Everything goes to a hidden folder beside the target and is renamed at the end, so that an
error, a full disk or a kill leaves no half-written library under the target's name.
"""

from __future__ import annotations

import os
import shutil
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import numpy as np
import pandas as pd
import zarr
from numpy.typing import ArrayLike
from zarr.codecs import BloscCodec

from calib import _checks
from calib.errors import DataError, UsageError
from calib.library import description as describe
from calib.library.description import Description
from calib.library.tables import BURST_COLUMNS, check_bursts, check_standards

CHUNK_BYTES = 2_000_000
"""Bytes of counts in one chunk before compression: a few hundred shots."""


class LibraryWriter:
    """Write a library burst by burst, as a context manager.

    Parameters
    ----------
    directory : path
        Where the library will be; must not exist.
    description : Description
        What ``library.toml`` will say.
    wavelength : array_like of shape (channels,)
        nm, increasing.
    dtype : dtype, default uint16
        Type of the counts on disk.

    Raises
    ------
    UsageError
        If `directory` exists.
    DataError
        If the axis does not increase or does not fit the description.

    Notes
    -----
    Leaving the ``with`` block without `finish`, or with an exception, removes all that was
    written.
    """

    def __init__(
        self,
        directory: str | os.PathLike[str],
        description: Description,
        wavelength: ArrayLike,
        dtype: Any = np.uint16,
    ) -> None:
        self.path = Path(directory)
        if self.path.exists() or self.path.is_symlink():
            raise UsageError(f"{self.path}: exists already; give a new folder or remove it")
        self.description = description
        self.wavelength = _checks.wavelength_axis(wavelength)
        if description.channels != self.wavelength.size:
            raise DataError(
                f"spectrometers hold {description.channels} channels, "
                f"the wavelength axis {self.wavelength.size}"
            )
        self.dtype = np.dtype(dtype)
        self._bursts: list[dict[str, Any]] = []
        self._rows = 0
        self._buffer: list[np.ndarray] = []
        self._buffered = 0
        self._darks = 0
        self._finished = False
        self._partial = self.path.with_name(f".{self.path.name}.partial-{os.getpid()}")

    def __enter__(self) -> Self:
        self.path.parent.mkdir(parents=True, exist_ok=True)
        shutil.rmtree(self._partial, ignore_errors=True)
        self._partial.mkdir()
        channels = self.wavelength.size
        self._chunk_rows = max(1, CHUNK_BYTES // (channels * self.dtype.itemsize))
        codec = BloscCodec(cname="zstd", clevel=5, shuffle="bitshuffle")
        group = zarr.open_group(self._partial / "spectra.zarr", mode="w")
        group.create_array("wavelength", data=self.wavelength, compressors=codec)
        self._counts = group.create_array(
            "counts", shape=(0, channels), chunks=(self._chunk_rows, channels),
            dtype=self.dtype, compressors=codec,
        )  # fmt: skip
        self._dark_array = group.create_array(
            "darks", shape=(0, channels), chunks=(self._chunk_rows, channels),
            dtype=np.float32, compressors=codec,
        )  # fmt: skip
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if not self._finished:
            shutil.rmtree(self._partial, ignore_errors=True)

    def add_darks(self, darks: ArrayLike) -> int:
        """Append dark spectra, (n, channels) in counts; return the index of the first."""
        rows = _checks.spectra(darks, channels=self.wavelength.size, where="darks")
        first = self._darks
        self._dark_array.append(rows.astype(np.float32))
        self._darks += len(rows)
        return first

    def add_burst(
        self,
        counts: ArrayLike,
        *,
        burst: str,
        standard: str,
        use: str = "calibration",
        **facts: Any,
    ) -> None:
        """Append the shots of one burst.

        Parameters
        ----------
        counts : array_like of shape (shots, channels)
        burst, standard, use : str
            As in ``bursts.csv``.
        **facts
            Other columns of ``bursts.csv``: spot, distance_m, energy_mJ, pressure_pa,
            acquired_at, dark (index from `add_darks`), detector_c.

        Raises
        ------
        DataError
            If the counts are not finite or of another number of channels.
        """
        where = f"burst {burst!r}"
        shots = np.atleast_2d(np.asarray(counts))
        if np.issubdtype(shots.dtype, np.integer):
            if shots.ndim != 2 or shots.shape[1] != self.wavelength.size:
                raise DataError(
                    f"{where}: found shape {shots.shape}, need shots by {self.wavelength.size}"
                )
        else:
            shots = _checks.spectra(shots, channels=self.wavelength.size, where=where)
        held = shots.astype(self.dtype, copy=False)
        if held.dtype.kind in "iu" and not np.array_equal(held, shots):
            raise DataError(
                f"{where}: found counts from {shots.min():g} to {shots.max():g}, "
                f"need whole numbers that {self.dtype} holds"
            )
        row = {"burst": burst, "standard": standard, "use": use, **facts}
        self._bursts.append(row | {"first_row": self._rows, "shots": len(shots)})
        self._rows += len(shots)
        self._buffer.append(held)
        self._buffered += len(shots)
        if self._buffered >= 2 * self._chunk_rows:
            self._flush(final=False)

    def _flush(self, *, final: bool) -> None:
        if not self._buffered:
            return
        rows = np.concatenate(self._buffer)
        whole = len(rows) if final else len(rows) // self._chunk_rows * self._chunk_rows
        self._counts.append(rows[:whole])
        rest = rows[whole:].copy()
        self._buffer, self._buffered = ([rest], len(rest)) if len(rest) else ([], 0)

    def finish(self, standards: pd.DataFrame) -> Path:
        """Write the tables, check the whole, and give the library its name.

        Parameters
        ----------
        standards : DataFrame
            The columns of ``standards.csv``; cells are written as they are, NaN as empty.

        Returns
        -------
        Path
            The finished library.

        Raises
        ------
        DataError
            If the tables break a rule; nothing is left behind.
        """
        self._flush(final=True)
        bursts = pd.DataFrame(self._bursts, columns=list(BURST_COLUMNS))
        bursts.to_csv(self._partial / "bursts.csv", index=False, lineterminator="\n")
        standards.to_csv(self._partial / "standards.csv", index=False, lineterminator="\n")
        (self._partial / "library.toml").write_text(
            describe.dump(self.description), encoding="utf-8"
        )
        text = standards.astype(object).where(standards.notna(), "").astype(str)
        info, _, _ = check_standards(text, self.description.units, where="standards")
        cells = bursts.astype(object).where(bursts.notna(), "").astype(str)
        for column in ("dark", "first_row", "shots"):  # ints that a gap made floats
            cells[column] = cells[column].str.removesuffix(".0")
        check_bursts(cells, info.index, where="bursts")
        os.replace(self._partial, self.path)
        self._finished = True
        return self.path

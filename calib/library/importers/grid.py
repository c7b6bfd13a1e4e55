"""NetCDF and Zarr through xarray: a variable over spectra and a wavelength dimension."""

from __future__ import annotations

from collections.abc import Generator
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from calib.errors import DataError
from calib.library.importers.source import BLOCK, check_block, need, row_names, to_nm

AXIS_NAMES = ("wavelength", "wavelengths", "wave", "lambda", "wl", "wavenumber")


class Grid:
    """Spectra of one NetCDF file or Zarr store.

    The axis is the one-dimensional variable named ``wavelength`` (wave, lambda, wl, wavenumber)
    with its attribute ``units``; the spectra are the largest variable over its dimension and at
    most one other; one-dimensional variables over that other become metadata.

    Parameters
    ----------
    path : Path

    Raises
    ------
    UsageError
        If xarray (or netCDF4, for NetCDF) is not installed.
    DataError
        If it cannot be read, has no axis or no spectra, or the unit is not known.
    """

    def __init__(self, path: Path) -> None:
        self._xarray = need("xarray", "NetCDF and Zarr")
        if path.suffix != ".zarr":
            need("netCDF4", "NetCDF")
        self.path = path
        self.notes: list[str] = []
        with self._open() as data:
            name = next((n for n in data.variables if str(n).lower() in AXIS_NAMES), None)
            if name is None or data[name].ndim != 1:
                raise DataError(
                    f"{path}: found variables {', '.join(map(str, data.variables)) or 'none'}; "
                    f"need one of {', '.join(AXIS_NAMES)} with one dimension"
                )
            unit = str(data[name].attrs.get("units", ""))
            where = f"{path}: variable {str(name)!r}"
            self.wavelength, self.vacuum = to_nm(np.asarray(data[name].values), unit, where)
            self._channel = str(data[name].dims[0])
            self._variable = self._spectra(data, str(name))
            self._row = next(
                (str(d) for d in data[self._variable].dims if d != self._channel), None
            )
            count = int(data.sizes[self._row]) if self._row else 1
            columns = row_names(path, count)
            for other, values in data.variables.items():
                if self._row and values.dims == (self._row,):
                    columns[str(other)] = [_text(v) for v in np.asarray(values.values)]
            self.metadata = pd.DataFrame(columns)

    def _open(self) -> Any:
        engine = "zarr" if self.path.suffix == ".zarr" else "netcdf4"
        options = {"consolidated": False} if engine == "zarr" else {}
        try:
            return self._xarray.open_dataset(
                self.path, engine=engine, chunks=None, decode_times=False, **options
            )
        except (OSError, ValueError, KeyError, RuntimeError, AttributeError) as error:
            reason = " ".join(str(error).split())
            raise DataError(f"{self.path}: not readable as {engine}: {reason}") from None

    def _spectra(self, data: Any, axis: str) -> str:
        fit = [
            n for n, v in data.variables.items()
            if n != axis and self._channel in v.dims and v.ndim <= 2 and v.dtype.kind in "fiu"
            and (v.ndim == 2 or v.size == self.wavelength.size)
        ]  # fmt: skip
        if not fit:
            raise DataError(
                f"{self.path}: found no variable of numbers over {self._channel!r} and at most "
                "one other dimension"
            )
        best = max(fit, key=lambda n: data[n].size)
        if len(fit) > 1:
            others = ", ".join(str(n) for n in fit if n != best)
            self.notes.append(f"spectra are variable {str(best)!r}; not read: {others}")
        return str(best)

    def blocks(self) -> Generator[NDArray[np.float64]]:
        """Yield spectra, a block of rows at a time.

        Raises
        ------
        DataError
            If a value is missing or not finite.
        """
        with self._open() as data:
            values = data[self._variable]
            if self._row is None:
                yield check_block(values.values[np.newaxis], str(self.path))
                return
            values = values.transpose(self._row, self._channel)
            for start in range(0, values.sizes[self._row], BLOCK):
                part = values.isel({self._row: slice(start, start + BLOCK)}).values
                yield check_block(part, str(self.path), start)


def _text(value: Any) -> str:
    if isinstance(value, float | np.floating):
        return "" if not np.isfinite(value) else repr(float(value))
    return str(value).strip()

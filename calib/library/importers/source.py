"""What an importer gives: an axis, a table of metadata, and spectra in blocks."""

from __future__ import annotations

import importlib
from collections.abc import Generator
from pathlib import Path
from typing import Any, Protocol

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from calib.errors import DataError, UsageError

BLOCK = 256
"""Spectra in memory at once."""

EXTRAS = {
    "astropy": "fits", "pds4_tools": "pds4", "jcamp": "jcamp", "xarray": "netcdf",
    "netCDF4": "netcdf",
}  # fmt: skip
"""The optional dependency group that brings each package."""

FACTORS_NM = {
    "nm": 1.0, "nanometer": 1.0, "nanometers": 1.0, "nanometre": 1.0, "nanometres": 1.0,
    "um": 1e3, "µm": 1e3, "μm": 1e3, "micron": 1e3, "microns": 1e3, "micrometer": 1e3,
    "micrometers": 1e3, "micrometre": 1e3, "micrometres": 1e3,
    "angstrom": 0.1, "angstroms": 0.1, "a": 0.1, "å": 0.1, "m": 1e9,
}  # fmt: skip
WAVENUMBERS = ("1/cm", "cm-1", "cm^-1", "cm**-1", "wavenumber", "wavenumbers", "1 / cm")


class Source(Protocol):
    """Spectra opened for reading.

    Attributes
    ----------
    path : Path
    wavelength : ndarray of shape (channels,)
        nm, in the file's order.
    metadata : DataFrame of str
        One row a spectrum; ``file`` and ``row`` say where it stands.
    notes : list of str
        What the user should know of how the file was read.
    vacuum : bool
        Whether the file itself says that the wavelengths are in vacuum.
    """

    path: Path
    wavelength: NDArray[np.float64]
    metadata: pd.DataFrame
    notes: list[str]
    vacuum: bool

    def blocks(self) -> Generator[NDArray[np.float64]]:
        """Yield (rows, channels), a block of spectra at a time."""


def open_source(path: Path, axis: tuple[float, float, int] | None = None) -> Source:
    """Open spectra in the format their path shows.

    Parameters
    ----------
    path : Path
        ``.csv``: a wide table. A folder: two-column text files or JCAMP-DX files. ``.fits``,
        ``.fit``, ``.fts`` (also ``.gz``): FITS. ``.xml``, ``.lblx``: a PDS4 label. ``.jdx``,
        ``.dx``, ``.jcamp``: JCAMP-DX. ``.nc``: NetCDF. ``.zarr``: a Zarr store.
    axis : tuple (first_nm, last_nm, count), optional
        For a wide table.

    Raises
    ------
    UsageError
        If there is no such path, its format is not known, or the package that reads it is not
        installed.
    DataError
        If it is not what its name says.
    """
    if not path.exists():
        raise UsageError(f"{path}: no such table, file or folder")
    name = path.name.lower().removesuffix(".gz")
    for suffixes, module, kind in _FORMATS:
        if name.endswith(suffixes) and (path.is_file() or suffixes == (".zarr",)):
            opened: Source = getattr(importlib.import_module(module), kind)(path)
            return opened
    if path.is_dir():
        from calib.library.importers.text import TextFolder

        if any(_is_jcamp(each) for each in path.iterdir()):
            from calib.library.importers.jcamp import Jcamp

            return Jcamp(path)
        return TextFolder(path)
    from calib.library.table import SpectraTable

    return SpectraTable(path, axis)


_FORMATS = (
    ((".fits", ".fit", ".fts"), "calib.library.importers.fits", "Fits"),
    ((".xml", ".lblx"), "calib.library.importers.pds4", "Pds4"),
    ((".jdx", ".dx", ".jcamp"), "calib.library.importers.jcamp", "Jcamp"),
    ((".nc", ".nc4", ".cdf"), "calib.library.importers.grid", "Grid"),
    ((".zarr",), "calib.library.importers.grid", "Grid"),
)


def _is_jcamp(path: Path) -> bool:
    return path.suffix.lower() in (".jdx", ".dx", ".jcamp")


def need(package: str, what: str) -> Any:
    """Import an optional package.

    Raises
    ------
    UsageError
        If it is not installed: one line with the command that adds it.
    """
    try:
        return importlib.import_module(package)
    except ImportError:
        extra = EXTRAS[package.partition(".")[0]]
        raise UsageError(
            f"reading {what} needs {package}: pip install 'calib-workbench[{extra}]'"
        ) from None


def to_nm(values: NDArray[Any], unit: str, where: str) -> tuple[NDArray[np.float64], bool]:
    """Turn wavelengths or wavenumbers into nm.

    Returns
    -------
    wavelength : ndarray
        nm.
    vacuum : bool
        True for wavenumbers, which are those of vacuum.

    Raises
    ------
    DataError
        If the unit is not known, or a value is not a positive number.
    """
    axis = np.asarray(values, dtype=np.float64)
    if axis.ndim != 1 or axis.size < 2:
        raise DataError(f"{where}: found {axis.size} channels, need two or more")
    bad = np.flatnonzero(~(np.isfinite(axis) & (axis > 0)))
    if bad.size:
        raise DataError(f"{where}: channel {bad[0]} is at {axis[bad[0]]}, need a positive number")
    word = unit.strip().lower()
    if word in WAVENUMBERS:
        return 1e7 / axis, True
    if word not in FACTORS_NM:
        raise DataError(f"{where}: unit of the axis is {unit!r}, need nm, um, angstrom, m or 1/cm")
    return axis * FACTORS_NM[word], False


def check_block(block: Any, where: str, start: int = 0) -> NDArray[np.float64]:
    """Return spectra as finite floats.

    Raises
    ------
    DataError
        At the first value that is no finite number.
    """
    rows = np.asarray(np.ma.filled(np.ma.asarray(block, dtype=np.float64), np.nan))
    bad = np.argwhere(~np.isfinite(rows))
    if bad.size:
        row, channel = bad[0]
        raise DataError(
            f"{where}: spectrum {start + row + 1}, channel {channel + 1} is "
            f"{rows[row, channel]}, need a finite number"
        )
    return rows


def row_names(path: Path, count: int) -> dict[str, list[str]]:
    """Return the columns ``file`` and ``row`` of the spectra of one file."""
    return {"file": [path.name] * count, "row": [str(i + 1) for i in range(count)]}

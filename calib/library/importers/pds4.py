"""PDS4 products: an XML label with delimited, character or binary tables, or an array."""

from __future__ import annotations

from collections.abc import Generator
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from calib.errors import DataError
from calib.library.importers.source import BLOCK, check_block, need, row_names, to_nm


class Pds4:
    """Spectra of one PDS4 product, read by ``pds4_tools``.

    One of three shapes: a table with a field whose name holds "wavelength", one channel a record,
    where every other field of numbers is a spectrum; a table with a group field, one spectrum a
    record, whose scalar fields become metadata; an array of two dimensions. The latter two take
    the axis from another structure: a table field whose name holds "wavelength", or an array so
    named. The label's unit is used.

    Parameters
    ----------
    path : Path
        The label.

    Raises
    ------
    UsageError
        If ``pds4_tools`` is not installed.
    DataError
        If the label or its data cannot be read, or there are no spectra or no axis.
    """

    def __init__(self, path: Path) -> None:
        self._tools = need("pds4_tools", "PDS4")
        self.path = path
        self.notes: list[str] = []
        self.vacuum = False
        structures = self._read()
        self._rows, columns = self._spectra(structures)
        if self._rows.shape[1] != self.wavelength.size:
            raise DataError(
                f"{path}: spectra of {self._rows.shape[1]} channels, the axis has "
                f"{self.wavelength.size}"
            )
        self.metadata = pd.DataFrame(row_names(path, len(self._rows)) | columns)

    def _read(self) -> list[Any]:
        try:
            read = list(self._tools.read(str(self.path), quiet=True, lazy_load=False))
        except Exception as error:  # the package raises many kinds for one malformed label
            reason = " ".join(str(error).split())
            raise DataError(f"{self.path}: not readable as PDS4: {reason}") from None
        return [each for each in read if each.is_table() or each.is_array()]

    def _spectra(self, structures: list[Any]) -> tuple[NDArray[Any], dict[str, list[str]]]:
        for each in structures:
            found = _wavelength_field(each)
            if found is not None and each.data.size > 1:
                name, unit = found
                self._set_axis(np.asarray(each[name]), unit)
                others = _numbers(each, name)
                if others:
                    return np.stack([np.asarray(each[n]) for n in others]), {"field": others}
                return self._elsewhere(structures, each)
            if each.is_array() and "wavelength" in each.id.lower():
                unit = str(each.meta_data.get("Element_Array", {}).get("unit", ""))
                self._set_axis(np.ravel(np.asarray(each.data)), unit)
                return self._elsewhere(structures, each)
        raise DataError(
            f"{self.path}: found {len(structures)} tables and arrays; need a field or an array "
            "whose name holds 'wavelength'"
        )

    def _set_axis(self, values: NDArray[Any], unit: str) -> None:
        self.wavelength, self.vacuum = to_nm(values, unit, f"{self.path}: wavelength")

    def _elsewhere(self, structures: list[Any], axis: Any) -> tuple[Any, dict[str, list[str]]]:
        for each in structures:
            if each is axis:
                continue
            if each.is_array() and each.data.ndim in (1, 2):
                return np.atleast_2d(np.asarray(each.data)), {}
            if each.is_table():
                for name in each.data.dtype.names or ():
                    if np.asarray(each[name]).ndim == 2:
                        return np.asarray(each[name]), _scalars(each)
        raise DataError(f"{self.path}: found an axis, but no array or group field of spectra")

    def blocks(self) -> Generator[NDArray[np.float64]]:
        """Yield spectra, a block of rows at a time.

        Raises
        ------
        DataError
            If a value is not finite.
        """
        for start in range(0, len(self._rows), BLOCK):
            yield check_block(self._rows[start : start + BLOCK], str(self.path), start)


def _wavelength_field(structure: Any) -> tuple[str, str] | None:
    """Name and unit of a table's field of wavelengths, or None."""
    if not structure.is_table():
        return None
    for name in structure.data.dtype.names or ():
        if "wavelength" in name.lower() and np.asarray(structure[name]).ndim == 1:
            return name, str(structure.field(name).meta_data.get("unit", ""))
    return None


def _numbers(structure: Any, axis: str) -> list[str]:
    return [
        name for name in structure.data.dtype.names or ()
        if name != axis
        and np.asarray(structure[name]).ndim == 1
        and np.asarray(structure[name]).dtype.kind in "fiu"
    ]  # fmt: skip


def _scalars(structure: Any) -> dict[str, list[str]]:
    return {
        name: [str(v).strip() for v in np.asarray(structure[name])]
        for name in structure.data.dtype.names or ()
        if np.asarray(structure[name]).ndim == 1
    }

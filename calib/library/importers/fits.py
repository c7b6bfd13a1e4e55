"""FITS: spectra in image rows or in a binary table."""

from __future__ import annotations

from collections.abc import Generator
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from calib.errors import DataError
from calib.library.importers.source import BLOCK, check_block, need, row_names, to_nm

AXIS_NAMES = ("WAVELENGTH", "WAVE", "LAMBDA", "WL", "LOGLAM")


class Fits:
    """Spectra of one FITS file, read by astropy.

    The first of these that is found is taken: an image of one or two dimensions, channels along
    the first FITS axis; a binary table with a column of vectors, one spectrum a row, whose
    scalar columns become metadata; a table with a column named ``WAVELENGTH`` and one of counts,
    one channel a row. The axis is the image's linear WCS (CTYPE, CRVAL, CDELT, CUNIT), or a
    column or image extension named ``WAVELENGTH`` (or WAVE, LAMBDA, WL) with its unit.

    Parameters
    ----------
    path : Path

    Raises
    ------
    UsageError
        If astropy is not installed.
    DataError
        If the file is no FITS, holds no spectra or no axis, or the unit is not known.
    """

    def __init__(self, path: Path) -> None:
        self._fits = need("astropy.io.fits", "FITS") if _has_astropy() else None
        self.path = path
        self.notes: list[str] = []
        self.vacuum = False
        with self._open() as hdus:
            self._at, self._column = self._find(hdus)
            hdu = hdus[self._at]
            self.wavelength = self._axis(hdus, hdu)
            count, channels = self._shape(hdu)
            if channels != self.wavelength.size:
                raise DataError(
                    f"{path}: extension {self._at}: spectra of {channels} channels, the axis has "
                    f"{self.wavelength.size}"
                )
            self.metadata = pd.DataFrame(row_names(path, count) | self._scalars(hdu, count))

    def _open(self) -> Any:
        fits: Any = self._fits
        try:
            return fits.open(self.path, memmap=self.path.suffix != ".gz", lazy_load_hdus=False)
        except (OSError, TypeError, ValueError) as error:
            raise DataError(f"{self.path}: not readable as FITS: {_one_line(error)}") from None

    def _find(self, hdus: Any) -> tuple[int, str]:
        for i, hdu in enumerate(hdus):
            if hdu.name in AXIS_NAMES:
                continue
            if getattr(hdu, "is_image", False) and hdu.header.get("NAXIS", 0) in (1, 2):
                return i, ""
            if not getattr(hdu, "columns", None):
                continue
            vectors = [c.name for c in hdu.columns if c.name.upper() not in AXIS_NAMES
                       and len(hdu.data[c.name].shape) == 2]  # fmt: skip
            if vectors:
                return i, str(vectors[0])
            names = [c.name for c in hdu.columns]
            numbers = [n for n in names if n.upper() not in AXIS_NAMES
                       and hdu.data[n].dtype.kind in "fiu"]  # fmt: skip
            if numbers and len(numbers) < len(names):
                return i, str(numbers[0])
        raise DataError(
            f"{self.path}: found no image of one or two dimensions and no table of spectra in "
            f"{len(hdus)} extensions"
        )

    def _axis(self, hdus: Any, hdu: Any) -> NDArray[np.float64]:
        where = f"{self.path}: extension {self._at}"
        for other in (hdu, *hdus):
            for column in getattr(other, "columns", None) or ():
                if column.name.upper() in AXIS_NAMES:
                    return self._table_axis(other, column, where)
        for other in hdus:
            if other is not hdu and other.name in AXIS_NAMES and getattr(other, "is_image", False):
                return self._nm(np.ravel(other.data), other.header.get("BUNIT", ""), where)
        if not self._column and "CRVAL1" in hdu.header:
            return self._wcs_axis(hdu, where)
        raise DataError(
            f"{where}: no wavelengths: need a linear WCS (CRVAL1, CDELT1, CUNIT1), or a column or "
            "image extension named WAVELENGTH"
        )

    def _table_axis(self, hdu: Any, column: Any, where: str) -> NDArray[np.float64]:
        values = np.asarray(hdu.data[column.name])
        if values.ndim == 2:
            if (values != values[:1]).any():
                row = int(np.argwhere(values != values[:1])[0][0])
                raise DataError(
                    f"{where}: column {column.name!r}: row {row + 1} has another axis than row 1; "
                    "spectra of another axis are another library"
                )
            values = values[0]
        return self._nm(values, column.unit or "", where)

    def _wcs_axis(self, hdu: Any, where: str) -> NDArray[np.float64]:
        header = hdu.header
        kind = str(header.get("CTYPE1", "WAVE")).upper()
        if kind.startswith("AWAV"):
            unit = header.get("CUNIT1", "m")
        elif kind.startswith(("WAVE", "WAVN", "LAMBDA", "LINEAR")) or not kind.strip():
            unit = header.get("CUNIT1", "m")
            self.vacuum = kind.startswith(("WAVE", "WAVN")) and "CTYPE1" in header
        else:
            raise DataError(f"{where}: CTYPE1 is {kind!r}, need WAVE, AWAV or WAVN")
        if "-" in kind:
            raise DataError(f"{where}: CTYPE1 is {kind!r}, need a linear axis")
        step = header.get("CDELT1", header.get("CD1_1"))
        if not step:
            raise DataError(f"{where}: CDELT1 is {step!r}, need the channel spacing")
        pixel = np.arange(1, header["NAXIS1"] + 1) - float(header.get("CRPIX1", 1.0))
        return self._nm(float(header["CRVAL1"]) + float(step) * pixel, unit, where)

    def _nm(self, values: NDArray[Any], unit: Any, where: str) -> NDArray[np.float64]:
        wavelength, vacuum = to_nm(values, str(unit), where)
        self.vacuum = self.vacuum or vacuum
        return wavelength

    def _shape(self, hdu: Any) -> tuple[int, int]:
        if not self._column:
            return int(hdu.header.get("NAXIS2", 1)), int(hdu.header["NAXIS1"])
        shape = hdu.data[self._column].shape
        return (int(shape[0]), int(shape[1])) if len(shape) == 2 else (1, int(shape[0]))

    def _scalars(self, hdu: Any, count: int) -> dict[str, list[str]]:
        if not self._column or len(hdu.data[self._column].shape) != 2:
            return {}
        return {
            c.name: [_text(v) for v in hdu.data[c.name]]
            for c in hdu.columns
            if hdu.data[c.name].shape == (count,) and c.name.upper() not in AXIS_NAMES
        }

    def blocks(self) -> Generator[NDArray[np.float64]]:
        """Yield spectra, a block of rows at a time.

        Raises
        ------
        DataError
            If the file ends early or a value is not finite.
        """
        count = len(self.metadata)
        for start in range(0, count, BLOCK):
            # opened anew for each block, so that pages of the file do not pile up in memory
            with self._open() as hdus:
                try:
                    rows = self._rows(hdus[self._at], start)
                except (OSError, TypeError, ValueError, IndexError) as error:
                    reason = _one_line(error)
                    raise DataError(f"{self.path}: is it cut off? {reason}") from None
            yield check_block(rows, str(self.path), start)

    def _rows(self, hdu: Any, start: int) -> NDArray[np.float64]:
        if not self._column:
            if hdu.header["NAXIS"] == 1:
                return np.asarray(hdu.data, dtype=np.float64)[np.newaxis]
            part = hdu.section[start : start + BLOCK]
        else:
            part = hdu.data[self._column]
            part = part[start : start + BLOCK] if part.ndim == 2 else part[np.newaxis]
        return np.array(part, dtype=np.float64)


def _has_astropy() -> bool:
    need("astropy", "FITS")
    return True


def _text(value: Any) -> str:
    if isinstance(value, bytes):
        value = value.decode("ascii", "replace")
    if isinstance(value, float | np.floating) and not np.isfinite(value):
        return ""
    return str(value).strip()


def _one_line(error: Exception) -> str:
    return " ".join(str(error).split())

"""A folder of two-column text files: wavelength and counts, a file a spectrum."""

from __future__ import annotations

from collections.abc import Generator
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from calib.errors import DataError
from calib.library.importers.source import BLOCK, to_nm

SUFFIXES = (".txt", ".csv", ".dat", ".asc", ".tsv")
COMMENTS = ("#", ";", "%", "!", "//")


class TextFolder:
    """Two-column text files of one axis, in the order of their names.

    Lines before the first pair of numbers are a header, and lines that begin with ``# ; % !`` are
    comments. Numbers are parted by a comma, semicolon, tab or spaces; wavelengths are nm.

    Parameters
    ----------
    path : Path
        The folder; files end in .txt, .csv, .dat, .asc or .tsv.

    Raises
    ------
    DataError
        If there is no such file, or the first one holds no pairs of numbers.
    """

    vacuum = False

    def __init__(self, path: Path) -> None:
        self.path = path
        self.notes: list[str] = []
        self.files = sorted(
            each for each in path.iterdir()
            if each.is_file() and each.suffix.lower() in SUFFIXES and not each.name.startswith(".")
        )  # fmt: skip
        if not self.files:
            raise DataError(f"{path}: found no file that ends in {', '.join(SUFFIXES)}")
        self.wavelength, _ = to_nm(read_pairs(self.files[0])[0], "nm", str(self.files[0]))
        self.metadata = pd.DataFrame(
            {"file": [each.name for each in self.files], "row": ["1"] * len(self.files)}
        )

    def blocks(self) -> Generator[NDArray[np.float64]]:
        """Yield spectra, BLOCK files at a time.

        Raises
        ------
        DataError
            If a file is malformed or its wavelengths are not those of the first.
        """
        for start in range(0, len(self.files), BLOCK):
            yield np.stack([self._spectrum(each) for each in self.files[start : start + BLOCK]])

    def _spectrum(self, file: Path) -> NDArray[np.float64]:
        axis, counts = read_pairs(file)
        if axis.size != self.wavelength.size:
            raise DataError(
                f"{file}: found {axis.size} channels, {self.files[0].name} has "
                f"{self.wavelength.size}"
            )
        off = np.flatnonzero(np.abs(axis - self.wavelength) > 1e-6 * self.wavelength)
        if off.size:
            raise DataError(
                f"{file}: channel {off[0] + 1} is at {axis[off[0]]:g} nm, {self.files[0].name} has "
                f"{self.wavelength[off[0]]:g} nm; spectra of another axis are another library"
            )
        return counts


def read_pairs(file: Path) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Read wavelengths and counts of a two-column text file.

    Raises
    ------
    DataError
        If a line after the header is no pair of finite numbers; the message names the line.
    """
    try:
        text = file.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        raise DataError(f"{file}: not UTF-8 text: {error.reason} at byte {error.start}") from None
    pairs: list[tuple[float, float]] = []
    for number, line in enumerate(text.splitlines(), start=1):
        line = line.strip()
        if not line or line.startswith(COMMENTS):
            continue
        cells = line.replace(";", " ").replace("\t", " ").replace(",", " ").split()
        try:
            values = [float(cell) for cell in cells]
        except ValueError:
            values = []
        if len(values) != 2 or not np.isfinite(values).all():
            if not pairs and not (values and len(values) == len(cells)):
                continue  # still the header
            raise DataError(
                f"{file}: line {number}: found {line[:40]!r}, need a wavelength and a count"
            )
        pairs.append((values[0], values[1]))
    if len(pairs) < 2:
        raise DataError(f"{file}: found {len(pairs)} pairs of numbers, need one a channel")
    table = np.array(pairs)
    return table[:, 0], table[:, 1]

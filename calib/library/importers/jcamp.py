"""JCAMP-DX: one spectrum a block, AFFN or compressed (PAC, SQZ, DIF, DUP)."""

from __future__ import annotations

import re
from collections.abc import Generator
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from calib.errors import DataError
from calib.library.importers.source import BLOCK, check_block, need, to_nm

SUFFIXES = (".jdx", ".dx", ".jcamp")


class Jcamp:
    """JCAMP-DX files of one axis: one file, or a folder of them in the order of their names.

    Read by the ``jcamp`` package; the format is JCAMP-DX 4.24 (McDonald & Wilks 1988, Appl.
    Spectrosc. 42:151, doi 10.1366/0003702884428734). A file of several blocks gives several
    spectra. The number of points is checked against ``##NPOINTS``.

    Parameters
    ----------
    path : Path

    Raises
    ------
    UsageError
        If ``jcamp`` is not installed.
    DataError
        If a file is no JCAMP-DX, or its unit is not known.
    """

    def __init__(self, path: Path) -> None:
        self._jcamp = need("jcamp", "JCAMP-DX")
        self.path = path
        self.notes: list[str] = []
        self.files = (
            [path]
            if path.is_file()
            else sorted(each for each in path.iterdir() if each.suffix.lower() in SUFFIXES)
        )
        first = self._blocks(self.files[0])[0]
        self.wavelength, self.vacuum = self._axis(self.files[0], first)
        if self.vacuum:
            self.notes.append("wavenumbers became wavelengths in vacuum")
        names: list[str] = []
        rows: list[str] = []
        titles: list[str] = []
        for file in self.files:
            blocks = self._blocks(file)
            names += [file.name] * len(blocks)
            rows += [str(i + 1) for i in range(len(blocks))]
            titles += [str(each.get("title", "")) for each in blocks]
        self.metadata = pd.DataFrame({"file": names, "row": rows, "title": titles})

    def _blocks(self, file: Path) -> list[dict[str, Any]]:
        text = file.read_bytes()
        if b"##" not in text[:2000]:
            raise DataError(f"{file}: not JCAMP-DX: no labelled record (##) at its start")
        if b"##END" not in text.upper():
            raise DataError(f"{file}: ends without ##END=, is it cut off?")
        try:
            read = self._jcamp.readfile(str(file))
        except Exception as error:  # the package raises whatever a line makes it raise
            raise DataError(f"{file}: not readable as JCAMP-DX: {error}") from None
        blocks = [each for each in read.get("children", [read]) if len(each.get("x", ()))]
        if not blocks:
            raise DataError(f"{file}: found no ##XYDATA or ##XYPOINTS, need a spectrum")
        for i, each in enumerate(blocks):
            self._check_points(file, i, each)
        return blocks

    def _check_points(self, file: Path, i: int, block: dict[str, Any]) -> None:
        found = (len(block["x"]), len(block["y"]))
        said = int(block.get("npoints", found[0]))
        if found != (said, said):
            raise DataError(
                f"{file}: block {i + 1}: found {found[1]} values on {found[0]} channels, "
                f"##NPOINTS says {said}"
            )
        if "firstx" in block and not re.search("xypoints|peak", str(block.get("data class", ""))):
            ends = sorted([float(block["x"][0]), float(block["x"][-1])])
            stated = sorted([float(block["firstx"]), float(block.get("lastx", block["x"][-1]))])
            step = abs(ends[1] - ends[0]) / max(1, said - 1)
            if np.abs(np.subtract(ends, stated)).max() > step:
                raise DataError(
                    f"{file}: block {i + 1}: channels run from {ends[0]:g} to {ends[1]:g}, "
                    f"##FIRSTX and ##LASTX say {stated[0]:g} to {stated[1]:g}"
                )

    def _axis(self, file: Path, block: dict[str, Any]) -> tuple[NDArray[np.float64], bool]:
        return to_nm(np.asarray(block["x"]), str(block.get("xunits", "")), str(file))

    def blocks(self) -> Generator[NDArray[np.float64]]:
        """Yield spectra, many files at a time.

        Raises
        ------
        DataError
            If the channels of a spectrum are not those of the first.
        """
        held: list[NDArray[np.float64]] = []
        done = 0
        for file in self.files:
            for i, block in enumerate(self._blocks(file)):
                axis, _ = self._axis(file, block)
                if axis.size != self.wavelength.size or not np.allclose(
                    axis, self.wavelength, rtol=1e-6, atol=0
                ):
                    raise DataError(
                        f"{file}: block {i + 1}: {axis.size} channels from {axis[0]:g} to "
                        f"{axis[-1]:g} nm, the first spectrum has {self.wavelength.size} from "
                        f"{self.wavelength[0]:g} to {self.wavelength[-1]:g} nm"
                    )
                held.append(check_block(np.asarray(block["y"])[None], str(file))[0])
            if len(held) >= BLOCK:
                yield np.stack(held)
                done += len(held)
                held = []
        if held:
            yield np.stack(held)

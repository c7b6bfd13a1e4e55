"""Arrays kept on disk under the content they were made from, so that no work is done twice.

A file is named by a digest of everything its numbers depend on, written to a hidden file beside its
own and renamed, and mapped into memory by whoever needs it: workers share one copy. The folder is
bounded: what was not used for longest goes first.
"""

from __future__ import annotations

import hashlib
import json
import os
import tempfile
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import lru_cache
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

import calib.preprocess

Floats = NDArray[np.floating]

NUMERICS = ("numpy", "scipy", "pybaselines", "PyWavelets")
"""Packages that steps compute with."""


@dataclass(frozen=True)
class Cache:
    """Arrays on disk.

    Attributes
    ----------
    folder : Path
    limit : int
        Bytes that may stay; what one run needs may exceed it while it runs.
    """

    folder: Path
    limit: int
    used: set[Path] = field(default_factory=set, compare=False, repr=False)

    def array(self, key: str, make: Callable[[], Floats]) -> Path:
        """Return the file of an array, made where it is not there yet.

        Parameters
        ----------
        key : str
            From `digest`.
        make : callable
            Returns the array.

        Returns
        -------
        Path
            Of a ``.npy`` file, see `opened`.
        """
        path = self.folder / f"{key}.npy"
        if path.is_file():
            os.utime(path)
        else:
            self.folder.mkdir(parents=True, exist_ok=True)
            write(path, make())
        self.used.add(path)
        return path

    def trim(self, *, keep_used: bool = True) -> None:
        """Delete what was not used for longest until the rest is within the limit."""
        found = []
        for path in self.folder.glob("*.npy"):
            try:
                state = path.stat()
            except FileNotFoundError:  # another run trims too
                continue
            found.append((path in self.used and keep_used, state.st_mtime, path, state.st_size))
        total = sum(size for *_, size in found)
        for mine, _, path, size in sorted(found):
            if total <= self.limit or mine:
                return
            path.unlink(missing_ok=True)
            total -= size


def opened(path: Path) -> Floats:
    """Return the array of a file, mapped into memory and read-only."""
    return np.asarray(np.load(path, mmap_mode="r", allow_pickle=False))


def write(path: Path, array: Floats) -> None:
    """Write an array whole or not at all."""
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.stem}-", suffix=".partial")
    try:
        with os.fdopen(handle, "wb") as file:
            np.save(file, np.ascontiguousarray(array), allow_pickle=False)
            file.flush()
            os.fsync(file.fileno())
        os.replace(name, path)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise


def digest(*parts: Any) -> str:
    """Return the SHA-256 of plain data and of the code and packages that preprocess."""
    text = json.dumps([*parts, _code()], sort_keys=True, default=str)
    return hashlib.sha256(text.encode()).hexdigest()


@lru_cache(maxsize=1)
def _code() -> list[str]:
    """Say which code runs: every file of the steps, and the packages they compute with."""
    total = hashlib.sha256()
    for folder in calib.preprocess.__path__:
        for file in sorted(Path(folder).glob("*.py")):
            total.update(file.read_bytes())
    return [total.hexdigest(), *(f"{name} {version(name)}" for name in NUMERICS)]

"""Reading what may be hostile: JSON and arrays, checked before anything is made of them.

Nothing here runs code from a file, follows a link, or sets memory aside on a file's word: every
size is compared with the bytes that are there. Standard library and numpy only.

The arrays are in the safetensors format, version of 2022 and later: eight bytes with the length of
a header, the header as JSON, the data. It is read here and not by its library because each check
then stands before the step it guards, and because the arrays are views of the bytes that were
hashed; the tests compare with the library.
"""

from __future__ import annotations

import json
import math
import os
import re
import stat
from collections.abc import Iterable
from pathlib import Path
from typing import Any, NoReturn

import numpy as np
from numpy.typing import NDArray

from calib.errors import ArtifactError

Array = NDArray[np.generic]

JSON_BYTES = 4 << 20
"""Longest JSON text read. A manifest of 30 analytes and 1000 standards has 0.1 MiB."""

JSON_DEPTH = 32
"""Deepest nesting of JSON read. A manifest needs eight."""

FILE_BYTES = 2 << 30
"""Longest file read."""

DIMENSIONS = 8
"""Most dimensions of an array."""

DTYPES = {
    "BOOL": "|u1", "U8": "|u1", "I8": "|i1", "U16": "<u2", "I16": "<i2", "U32": "<u4",
    "I32": "<i4", "U64": "<u8", "I64": "<i8", "F32": "<f4", "F64": "<f8",
}  # fmt: skip
"""Types of numbers an artifact may hold, and numpy's words for them."""

_STRUCTURE = re.compile(rb'\\.|["\[\]{}]', re.DOTALL)


def read_file(path: Path, limit: int = FILE_BYTES) -> bytes:
    """Read a plain file whole.

    Parameters
    ----------
    path : Path
    limit : int
        Most bytes.

    Raises
    ------
    ArtifactError
        If it is missing, a link, no plain file, or too long.
    """
    flags = os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0)
    try:
        if path.is_symlink():
            raise ArtifactError(f"{path}: is a link, need a plain file")
        with open(path, "rb", opener=lambda name, _: os.open(name, flags)) as file:
            status = os.fstat(file.fileno())
            if not stat.S_ISREG(status.st_mode):
                raise ArtifactError(f"{path}: is no plain file, need one")
            if status.st_size > limit:
                raise ArtifactError(f"{path}: found {status.st_size} bytes, need at most {limit}")
            return file.read(limit + 1)[: status.st_size]
    except FileNotFoundError:
        raise ArtifactError(f"{path}: not found, need a frozen model or a run") from None
    except (OSError, ValueError) as error:
        if isinstance(error, ArtifactError):
            raise
        raise ArtifactError(f"{path}: {getattr(error, 'strerror', None) or error}") from None


def parse_json(data: bytes, where: str, limit: int = JSON_BYTES) -> dict[str, Any]:
    """Parse a JSON object: strict, no key twice, no number that is not finite, not too deep.

    Parameters
    ----------
    data : bytes
        UTF-8.
    where : str
        What errors call it.
    limit : int
        Most bytes.

    Raises
    ------
    ArtifactError
        If it is anything else.
    """
    if len(data) > limit:
        raise ArtifactError(f"{where}: found {len(data)} bytes of JSON, need at most {limit}")
    _check_depth(data, where)
    try:
        parsed = json.loads(
            data.decode(), object_pairs_hook=_object, parse_constant=_refuse, parse_float=_finite
        )
        json.dumps(parsed, ensure_ascii=False).encode()  # half a surrogate pair is no text
    except (ValueError, RecursionError) as error:
        raise ArtifactError(f"{where}: not JSON: {error}") from None
    if not isinstance(parsed, dict):
        raise ArtifactError(f"{where}: found {type(parsed).__name__}, need an object")
    return parsed


def _check_depth(data: bytes, where: str) -> None:
    """Refuse deep nesting before a parser recurses."""
    depth, inside = 0, False
    for match in _STRUCTURE.finditer(data):
        found = match[0]
        if found == b'"':
            inside = not inside
        elif not inside and found in (b"[", b"{"):
            depth += 1
            if depth > JSON_DEPTH:
                raise ArtifactError(
                    f"{where}: JSON is nested deeper than {JSON_DEPTH}, need at most that"
                )
        elif not inside and found in (b"]", b"}"):
            depth -= 1


def _object(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    made = dict(pairs)
    if len(made) < len(pairs):
        keys = [key for key, _ in pairs]
        twice = next(key for key in keys if keys.count(key) > 1)
        raise ValueError(f"key {twice!r:.60} stands twice")
    return made


def _refuse(word: str) -> NoReturn:
    raise ValueError(f"found {word}, need finite numbers")


def _finite(text: str) -> float:
    value = float(text)
    if not math.isfinite(value):
        _refuse(text[:20])
    return value


def parse_arrays(data: bytes, where: str, *, finite: bool = True) -> dict[str, Array]:
    """Parse named arrays in the safetensors format.

    Parameters
    ----------
    data : bytes
    where : str
        What errors call it.
    finite : bool, default True
        Refuse NaN and infinity.

    Returns
    -------
    dict of str to ndarray
        Read-only views of `data`, copies where they would not be aligned.

    Raises
    ------
    ArtifactError
        If the header lies about a length, or an array is of a type not in `DTYPES`, of a shape
        that does not fit its bytes, overlaps another, or leaves bytes over.
    """
    if len(data) < 8:
        raise ArtifactError(f"{where}: found {len(data)} bytes, need a header")
    length = int.from_bytes(data[:8], "little")
    if length > len(data) - 8:
        raise ArtifactError(
            f"{where}: header claims {length} bytes, the file has {len(data) - 8} after it"
        )
    header = parse_json(data[8 : 8 + length], f"{where}: header")
    header.pop("__metadata__", None)
    start = 8 + length
    spans = {name: _span(entry, name, where) for name, entry in header.items()}
    _check_spans({name: span[2:] for name, span in spans.items()}, len(data) - start, where)
    out = {}
    for name, (kind, shape, begin, end) in spans.items():
        dtype = np.dtype(DTYPES[kind])
        flat = np.frombuffer(data, dtype, (end - begin) // dtype.itemsize, start + begin)
        out[name] = _checked(flat, kind, name, where, finite=finite).reshape(shape)
    return out


def _span(entry: Any, name: str, where: str) -> tuple[str, tuple[int, ...], int, int]:
    """Check one entry of a header: type, shape, first byte, byte after the last."""
    about = f"{where}: array {name!r:.80}"
    if not isinstance(entry, dict) or set(entry) != {"dtype", "shape", "data_offsets"}:
        raise ArtifactError(f"{about}: need the keys dtype, shape and data_offsets")
    kind, shape, offsets = entry["dtype"], entry["shape"], entry["data_offsets"]
    if not isinstance(kind, str) or kind not in DTYPES:
        raise ArtifactError(f"{about}: dtype is {kind!r:.40}, need one of {', '.join(DTYPES)}")
    if not _counts(shape) or len(shape) > DIMENSIONS:
        raise ArtifactError(
            f"{about}: shape is {shape!r:.80}, need at most {DIMENSIONS} whole numbers, none "
            "negative"
        )
    if not _counts(offsets) or len(offsets) != 2 or offsets[0] > offsets[1]:
        raise ArtifactError(f"{about}: data_offsets is {offsets!r:.80}, need two, in order")
    begin, end = offsets
    size = math.prod(shape) * np.dtype(DTYPES[kind]).itemsize
    if size != end - begin or size > FILE_BYTES:
        raise ArtifactError(f"{about}: shape {shape!r:.80} does not fill {end - begin} bytes")
    return kind, tuple(shape), begin, end


def _counts(value: Any) -> bool:
    """Whether this is a list of whole numbers that numpy can index by."""
    return isinstance(value, list) and all(
        type(each) is int and 0 <= each <= FILE_BYTES for each in value
    )


def _check_spans(spans: dict[str, tuple[int, int]], size: int, where: str) -> None:
    """Refuse arrays that overlap, leave holes, or reach beyond the data."""
    at = 0
    for name, (begin, end) in sorted(spans.items(), key=lambda item: item[1]):
        if begin != at:
            word = "overlaps the one before" if begin < at else "leaves a hole before it"
            raise ArtifactError(f"{where}: array {name!r:.80} {word}")
        at = end
    if at != size:
        raise ArtifactError(f"{where}: arrays fill {at} bytes, the file has {size}")


def _checked(flat: Array, kind: str, name: str, where: str, *, finite: bool) -> Array:
    about = f"{where}: array {name!r:.80}"
    if kind == "BOOL":
        if flat.size and flat.max() > 1:
            raise ArtifactError(f"{about}: found a byte that is neither true nor false")
        return flat.view(np.bool_)
    if finite and kind.startswith("F") and not np.isfinite(flat).all():
        raise ArtifactError(f"{about}: holds a number not finite")
    return flat if flat.flags.aligned else flat.copy()


def check_names(names: Iterable[str], where: str) -> None:
    """Refuse file names that are no plain names, or that some file system would take for one.

    Raises
    ------
    ArtifactError
        If a name is empty, hidden, a path, or differs from another in case only.
    """
    seen: dict[str, str] = {}
    for name in names:
        if not re.fullmatch(r"[A-Za-z0-9_-][A-Za-z0-9._-]{0,99}", name):
            raise ArtifactError(f"{where}: file {name!r:.80}, need a plain name, no path")
        other = seen.setdefault(name.casefold(), name)
        if other != name:
            raise ArtifactError(f"{where}: files {other!r} and {name!r} differ in case only")

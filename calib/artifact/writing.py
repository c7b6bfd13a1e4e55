"""Writing whole or not at all: hidden neighbours that are synced, then renamed.

A writer locks its hidden neighbour while it lives. One without a living writer is what a kill left
over.
"""

from __future__ import annotations

import os
import shutil
from pathlib import Path

try:
    import fcntl
except ImportError:  # Windows has none; leftovers stay there
    fcntl = None  # type: ignore[assignment]


def partial_of(target: Path) -> Path:
    """Return the hidden neighbour that this process writes."""
    return target.with_name(f".{target.name}.partial-{os.getpid()}")


def write_file(target: Path, data: bytes, *, beside: Path | None = None) -> None:
    """Write a file whole or not at all.

    Parameters
    ----------
    target : Path
    data : bytes
    beside : Path, optional
        Whose hidden neighbour to write first, on the same file system; default the target's.
    """
    partial = partial_of(beside or target)
    handle = None
    try:
        partial.write_bytes(data)
        handle = lock(partial)
        sync(partial)
        os.replace(partial, target)
        sync(target.parent)
    finally:
        partial.unlink(missing_ok=True)
        if handle is not None:
            os.close(handle)


def sync(path: Path) -> None:
    """Wait until a file or folder is on the disk."""
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def lock(path: Path) -> int | None:
    """Lock a file or folder for as long as this process lives, or until the handle is closed.

    Returns
    -------
    int or None
        A handle; None where another process holds the lock.
    """
    handle = os.open(path, os.O_RDONLY)
    try:
        if fcntl is not None:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        os.close(handle)
        return None
    return handle


def sweep(folder: Path) -> None:
    """Remove hidden neighbours whose writers are no more."""
    if fcntl is None:
        return
    for path in folder.glob(".*.partial-*"):
        try:
            handle = None if path.is_symlink() else lock(path)
        except OSError:  # gone by now
            continue
        if handle is not None:
            if path.is_dir():
                shutil.rmtree(path, ignore_errors=True)
            else:
                path.unlink(missing_ok=True)
            os.close(handle)

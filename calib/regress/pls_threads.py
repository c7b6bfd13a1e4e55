"""Work on blocks of columns side by side, with the threads BLAS would have used.

One matrix product keeps two cores busy by itself, but the work between products does
not.  Blocks that run side by side, each with a BLAS of one thread, keep them busy
throughout.  Only numpy arrays are worked on so; a device has its own ways.
"""

from __future__ import annotations

import contextvars
import functools
import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from typing import TypeVar

from threadpoolctl import ThreadpoolController

Block = TypeVar("Block")

_in_use = threading.Lock()


@functools.cache
def _blas() -> ThreadpoolController:
    """Return the handle on the process's BLAS libraries, found once."""
    return ThreadpoolController().select(user_api="blas")


def workers() -> int:
    """Return how many threads BLAS may use now."""
    return max([library.num_threads for library in _blas().lib_controllers], default=1)


@contextmanager
def _one_thread_each() -> Iterator[bool]:
    """Hold BLAS to one thread a call; yield False if another caller already does."""
    if not _in_use.acquire(blocking=False):
        yield False
        return
    try:
        with _blas().limit(limits=1):
            yield True
    finally:
        _in_use.release()


def each(work: Callable[[Block], None], blocks: Sequence[Block], *, parallel: bool = True) -> None:
    """Call ``work`` on every block, side by side where more than one core may be used.

    Parameters
    ----------
    work : callable
        Writes its result to a place of its own.
    blocks : sequence
        What to work on.
    parallel : bool, default True
        False does the blocks one after another.

    Notes
    -----
    BLAS is held to one thread a call in the whole process meanwhile, and has its threads
    back after.  Inside a process that may use one thread only, and inside a second call
    at the same time, the blocks are done one after another.
    """
    count = min(workers(), len(blocks)) if parallel else 1
    if count > 1:
        with _one_thread_each() as free:
            if free:
                # Each block in its caller's context: numpy's errstate is part of it.
                contexts = [contextvars.copy_context() for _ in blocks]
                with ThreadPoolExecutor(count) as pool:
                    list(pool.map(lambda context, b: context.run(work, b), contexts, blocks))
                return
    for block in blocks:
        work(block)

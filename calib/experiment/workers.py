"""Where work runs: in this process, in processes of this machine, or on a Dask cluster.

Every engine gives the same numbers. Tasks are pure functions of what they are sent, each with a
BLAS of one thread, and what comes of them does not depend on which ends first. A worker that dies
costs the task it was at: that one is done again by another.
"""

from __future__ import annotations

import functools
import os
import time
from collections import deque
from collections.abc import Callable, Hashable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, Literal, Protocol, Self

from threadpoolctl import threadpool_limits

from calib import __version__
from calib.errors import CalibError, UsageError

Kind = Literal["serial", "joblib", "dask"]

DEATHS = 3
"""Times that workers may die with nothing done in between before the work is given up."""

ONE_THREAD = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), "1")
"""Environment of a worker process: as many processes as cores, so one thread each."""

CONNECT_SECONDS = 10
"""How long a scheduler may take to answer."""

LOOK_SECONDS = 2.0
"""How often a cluster is asked how many workers it has."""


class Pool(Protocol):
    """Tasks on their way; at most `room` more are worth handing in now."""

    def room(self) -> int:
        """Say how many more tasks would find a worker, or wait next to one."""

    def submit(self, key: Hashable, function: Callable[..., Any], *args: Any) -> None:
        """Hand in a task under a key of its own."""

    def finished(self) -> list[tuple[Hashable, Any]]:
        """Wait until at least one task is done; return keys and results."""


@dataclass(frozen=True)
class Engine:
    """Where work runs.

    Attributes
    ----------
    kind : {"joblib", "serial", "dask"}
    jobs : int, optional
        Worker processes of ``joblib``; default: the cores this process may use.
    scheduler : str, optional
        Address of a Dask scheduler, as ``tcp://host:8786``.
    """

    kind: Kind = "joblib"
    jobs: int | None = None
    scheduler: str | None = None

    @classmethod
    def of(cls, kind: Kind | None, jobs: int | None, scheduler: str | None) -> Self:
        """Return the engine that command-line options ask for.

        Raises
        ------
        UsageError
            If they contradict each other.
        """
        kind = kind or ("dask" if scheduler else "joblib")
        if (kind == "dask") != (scheduler is not None):
            raise UsageError(
                "--engine dask and --scheduler tcp://HOST:PORT go together; found "
                f"--engine {kind}, {'no ' if scheduler is None else ''}--scheduler"
            )
        if jobs is not None and kind == "dask":
            raise UsageError("--jobs is of this machine; a Dask cluster has the workers it has")
        return cls("serial" if jobs == 1 else kind, jobs, scheduler)

    @contextmanager
    def open(self) -> Iterator[Pool]:
        """Start the workers, or find them; drop what is on its way at an exception.

        Raises
        ------
        UsageError
            If there is no such scheduler, or ``distributed`` is not installed.
        """
        if self.kind == "dask":
            with _cluster(str(self.scheduler)) as pool:
                yield pool
        elif self.here:
            yield _Here()
        else:
            with _processes(self.workers) as pool:
                yield pool

    @property
    def here(self) -> bool:
        """Whether there is no worker but this process."""
        return self.kind != "dask" and self.workers == 1

    @property
    def workers(self) -> int:
        """Worker processes on this machine."""
        return 1 if self.kind == "serial" else self.jobs or cores()


SERIAL = Engine("serial")
"""Everything in this process."""


def cores() -> int:
    """Return the number of cores this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def ordered(
    pool: Pool, function: Callable[..., Any], calls: Iterable[tuple[Any, ...]]
) -> Iterator[Any]:
    """Call a function on every tuple of arguments; yield the results in the order of the calls.

    Calls are taken from the iterable as workers come free, so that little waits in memory.
    """
    waiting, ready = iter(enumerate(calls)), dict[Hashable, Any]()
    handed, given, more = 0, 0, True
    while more or given < handed:
        # not too far ahead of a slow one: results wait in memory until it is done
        while more and pool.room() > 0 and len(ready) < 4 * max(1, handed - given - len(ready)):
            try:
                key, args = next(waiting)
            except StopIteration:
                more = False
                break
            pool.submit(key, function, *args)
            handed += 1
        if given < handed and given not in ready:
            ready.update(pool.finished())
        while given in ready:
            yield ready.pop(given)
            given += 1


def _one_thread(version: str, function: Callable[..., Any], args: tuple[Any, ...]) -> Any:
    """Do a task where it was sent."""
    if version != __version__:
        raise UsageError(f"a worker runs calib {__version__}, need {version} as here")
    with threadpool_limits(1):
        return function(*args)


class _Here:
    """No worker at all: a task is done when its result is asked for."""

    def __init__(self) -> None:
        self._tasks: deque[tuple[Hashable, Callable[[], Any]]] = deque()

    def room(self) -> int:
        return 1 - len(self._tasks)

    def submit(self, key: Hashable, function: Callable[..., Any], *args: Any) -> None:
        self._tasks.append((key, functools.partial(_one_thread, __version__, function, args)))

    def finished(self) -> list[tuple[Hashable, Any]]:
        key, task = self._tasks.popleft()
        return [(key, task())]


Task = tuple[Hashable, Callable[..., Any], tuple[Any, ...]]


class _Processes:
    """Processes of this machine, by joblib's process pool; a dead pool is made anew."""

    def __init__(self, jobs: int) -> None:
        self._jobs = jobs
        self._tasks: dict[Any, Task] = {}
        self._deaths = 0
        self.executor = self._start()

    def _start(self) -> Any:
        from joblib.externals.loky import get_reusable_executor

        return get_reusable_executor(self._jobs, timeout=60, env=ONE_THREAD)

    def room(self) -> int:
        return 2 * self._jobs - len(self._tasks)

    def submit(self, key: Hashable, function: Callable[..., Any], *args: Any) -> None:
        try:
            future = self.executor.submit(_one_thread, __version__, function, args)
        except RuntimeError:  # broken, or shut down by its time limit
            self.executor = self._start()
            future = self.executor.submit(_one_thread, __version__, function, args)
        self._tasks[future] = key, function, args

    def finished(self) -> list[tuple[Hashable, Any]]:
        from concurrent.futures import FIRST_COMPLETED, wait
        from concurrent.futures.process import BrokenProcessPool

        while True:
            done, _ = wait(self._tasks, return_when=FIRST_COMPLETED)
            results: list[tuple[Hashable, Any]] = []
            lost: list[Task] = []
            for future in [each for each in self._tasks if each in done]:
                task = self._tasks.pop(future)
                try:
                    results.append((task[0], future.result()))
                except BrokenProcessPool as error:
                    self._count_death(error)
                    lost.append(task)
            if lost:
                self.executor = self._start()
            for key, function, args in lost:
                self.submit(key, function, *args)
            if results:
                self._deaths = 0
                return results

    def _count_death(self, error: BaseException) -> None:
        if self._tasks:  # one death breaks every task: count it at the last
            return
        self._deaths += 1
        if self._deaths >= DEATHS:
            raise CalibError(
                f"worker processes died {DEATHS} times in a row (out of memory? fewer --jobs): "
                f"{str(error).splitlines()[0]}"
            ) from None


@contextmanager
def _processes(jobs: int) -> Iterator[Pool]:
    pool = _Processes(jobs)
    try:
        yield pool
    except BaseException:
        pool.executor.shutdown(wait=True, kill_workers=True)
        raise


class _Cluster:
    """Workers of a Dask cluster."""

    def __init__(self, client: Any) -> None:
        self._client = client
        self._tasks: dict[Any, Task] = {}
        self._threads = 1
        self._looked = -LOOK_SECONDS
        self._number = 0

    def room(self) -> int:
        if time.monotonic() - self._looked > LOOK_SECONDS:  # workers come and go
            self._threads = max(1, sum(self._client.nthreads().values()))
            self._looked = time.monotonic()
        return 2 * self._threads - len(self._tasks)

    def submit(self, key: Hashable, function: Callable[..., Any], *args: Any) -> None:
        self._number += 1
        future = self._client.submit(
            _one_thread, __version__, function, args, pure=False,
            key=f"calib-{self._client.id}-{self._number}",
        )  # fmt: skip
        self._tasks[future] = key, function, args

    def finished(self) -> list[tuple[Hashable, Any]]:
        from distributed import KilledWorker, wait

        results: list[tuple[Hashable, Any]] = []
        while not results:
            with self._client.as_current():
                wait(list(self._tasks), return_when="FIRST_COMPLETED")
            for future in [each for each in self._tasks if each.done()]:
                task = self._tasks.pop(future)
                if future.status in ("cancelled", "lost"):
                    self.submit(task[0], task[1], *task[2])
                    continue
                try:
                    results.append((task[0], future.result()))
                except KilledWorker as error:
                    raise CalibError(
                        "workers of the cluster died again and again at one task (out of memory?): "
                        f"{str(error).splitlines()[0]}"
                    ) from None
        return results


@contextmanager
def _cluster(address: str) -> Iterator[Pool]:
    try:
        from distributed import Client
    except ModuleNotFoundError:
        raise UsageError(
            "--engine dask needs the package distributed: pip install 'calib-workbench[dask]'"
        ) from None
    try:
        client = Client(address, timeout=CONNECT_SECONDS, set_as_default=False)
    except (OSError, ValueError) as error:
        reason = str(error).splitlines()[0] if str(error) else type(error).__name__
        raise UsageError(f"--scheduler {address}: no scheduler answers: {reason}") from None
    try:
        yield _Cluster(client)
    finally:
        client.close()

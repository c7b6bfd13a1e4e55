import json
import os
import signal
import socket
import subprocess
import sys
import time
from contextlib import ExitStack, contextmanager
from pathlib import Path

import pytest
from distributed import Client
from threadpoolctl import threadpool_info

from calib.errors import CalibError, UsageError
from calib.experiment.search import Budget, run_units
from calib.experiment.workers import SERIAL, Engine, ordered
from tests.experiment.toy_search import Toy, told

ROOT = Path(__file__).parents[2]


def slow_square(number):
    time.sleep(0.02 if number % 3 else 0.0)
    return number**2


def die_once(folder, number):
    try:
        (folder / "died").touch(exist_ok=False)
    except FileExistsError:
        return number
    os.kill(os.getpid(), signal.SIGKILL)


def die():
    os.kill(os.getpid(), signal.SIGKILL)


def threads():
    import numpy  # noqa: F401  (brings a BLAS)

    return {each["num_threads"] for each in threadpool_info()}


@pytest.mark.parametrize("engine", [SERIAL, Engine("joblib", 2)], ids=["serial", "joblib"])
def test_results_come_in_order_each_with_one_thread(engine):
    with engine.open() as pool:
        assert list(ordered(pool, slow_square, ((n,) for n in range(20)))) == [
            n**2 for n in range(20)
        ]
        assert list(ordered(pool, threads, [()])) == [{1}]
        assert list(ordered(pool, slow_square, [])) == []


def test_a_killed_process_costs_its_task_and_no_more(tmp_path):
    with Engine("joblib", 2).open() as pool:
        calls = ((tmp_path, n) for n in range(12))
        assert list(ordered(pool, die_once, calls)) == list(range(12))
    assert (tmp_path / "died").exists()


def test_a_task_that_kills_every_worker_is_given_up():
    with (
        pytest.raises(CalibError, match="worker processes died 3 times in a row"),
        Engine("joblib", 2).open() as pool,
    ):
        list(ordered(pool, die, [()]))


def test_flags_that_contradict_are_refused():
    assert Engine.of(None, None, "tcp://there:1").kind == "dask"
    assert Engine.of(None, 1, None) == Engine("serial", 1)
    assert Engine.of(None, 3, None).workers == 3
    with pytest.raises(UsageError, match="found --engine dask, no --scheduler"):
        Engine.of("dask", None, None)
    with pytest.raises(UsageError, match="found --engine joblib, --scheduler"):
        Engine.of("joblib", None, "tcp://there:1")
    with pytest.raises(UsageError, match="--jobs is of this machine"):
        Engine.of("dask", 2, "tcp://there:1")


def test_a_scheduler_that_does_not_answer_is_said(monkeypatch):
    monkeypatch.setattr("calib.experiment.workers.CONNECT_SECONDS", 0.3)
    with socket.socket() as nobody:
        nobody.bind(("127.0.0.1", 0))  # bound, not listening
        address = f"tcp://127.0.0.1:{nobody.getsockname()[1]}"
        with (
            pytest.raises(UsageError, match=f"{address}: no scheduler answers"),
            Engine("dask", scheduler=address).open(),
        ):
            pass


@contextmanager
def cluster(folder, workers):
    """A scheduler and worker processes on this machine: its address, and the processes."""
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    dask = [sys.executable, "-m", "dask"]
    quiet = {"env": environment, "stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    here = ["--host", "127.0.0.1", "--no-dashboard"]
    file = folder / "scheduler.json"
    with ExitStack() as stack:

        def start(*words):
            process = stack.enter_context(subprocess.Popen([*dask, *words], **quiet))
            stack.callback(process.kill)
            return process

        start("scheduler", *here, "--port", "0", "--scheduler-file", str(file))
        made = [
            start("worker", *here, "--no-nanny", "--nthreads", "1", "--local-directory",
                  str(folder), "--scheduler-file", str(file))
            for _ in range(workers)
        ]  # fmt: skip
        until = time.monotonic() + 60
        while not file.exists() and time.monotonic() < until:
            time.sleep(0.05)
        yield json.loads(file.read_text())["address"], made


def test_a_cluster_that_loses_a_worker_finds_the_same(tmp_path):
    toy = Toy(tmp_path, pause=0.03)
    settings = {"seed": 5, "budget": Budget(20)}
    alone = told(run_units(toy.units(), toy, where=tmp_path / "alone", **settings))
    with cluster(tmp_path, 2) as (address, workers):
        killed = []

        def report(label, done, total):
            if done == total // 2:
                workers[0].kill()
                killed.append(workers[0].wait())

        with Client(address, set_as_default=False) as client:
            client.wait_for_workers(2, timeout=60)
        found = run_units(
            toy.units(), toy, where=tmp_path / "cluster", report=report,
            engine=Engine("dask", scheduler=address), **settings,
        )  # fmt: skip
        assert killed == [-signal.SIGKILL]
        assert workers[1].poll() is None
    assert told(found) == alone

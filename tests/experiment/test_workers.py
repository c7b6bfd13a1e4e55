import os
import signal
import socket
import time

import pytest
from threadpoolctl import threadpool_info

from calib.errors import CalibError, UsageError
from calib.experiment.workers import SERIAL, Engine, ordered


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

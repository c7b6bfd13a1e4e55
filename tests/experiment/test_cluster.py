"""Two worker processes of a Dask cluster on this machine; the last test kills one of them."""

import json
import os
import signal
import subprocess
import sys
import time
from contextlib import ExitStack, contextmanager
from pathlib import Path

import numpy as np
import pytest
from distributed import Client

import calib as package
from calib.errors import DataError, UsageError
from calib.experiment import predicting, prepare
from calib.experiment.predicting import predict_library
from calib.experiment.search import Budget, run_units
from calib.experiment.workers import SERIAL, Engine
from calib.preprocess import Chain
from tests.experiment.toy_search import Toy, told

ROOT = Path(__file__).parents[2]


@contextmanager
def started(folder, workers):
    """A scheduler and workers: its address, and the processes of the workers."""
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
        address = json.loads(file.read_text())["address"]
        with Client(address, set_as_default=False) as client:
            client.wait_for_workers(workers, timeout=60)
        yield address, made


@pytest.fixture(scope="module")
def cluster(tmp_path_factory):
    with started(tmp_path_factory.mktemp("cluster"), 2) as running:
        yield running


@pytest.fixture
def frozen(trained, tmp_path, monkeypatch):
    monkeypatch.setenv("CALIB_MODELS", str(tmp_path / "models"))
    return package.freeze(package.open_run(trained), "small@1.0.0")


def quiet(label, done, total):
    pass


def test_predictions_are_the_same_wherever_they_are_made(
    frozen, small_library, cluster, monkeypatch
):
    monkeypatch.setattr(prepare, "READ_ROWS", 30)  # four bursts of seven shots a batch
    library = package.open_library(small_library)
    bursts = library.bursts[library.bursts["burst"] != "T03-1.5"]

    def written(engine):
        tables = list(predict_library(frozen, library, bursts, quiet, engine=engine))
        return [table.to_csv(index=False) for table in tables]

    alone = written(SERIAL)
    assert len(alone) == 12
    assert written(Engine("joblib", 2)) == alone
    assert written(Engine("dask", scheduler=cluster[0])) == alone


def test_bursts_are_reduced_alike_by_workers_that_cannot_open_held_out_ones(
    small_library, cluster, monkeypatch
):
    monkeypatch.setattr(prepare, "READ_ROWS", 30)
    monkeypatch.setattr(prepare, "WORTH_SPREADING", 0)
    library = package.open_library(small_library)
    bursts = library.select("calibration")
    chain = Chain.of(("dark", "drop_shots", "average"))

    def reduced(engine):
        return prepare.reduce_bursts(library, bursts, chain, quiet, "bursts", engine=engine)

    alone, shared = reduced(SERIAL), reduced(Engine("dask", scheduler=cluster[0]))
    np.testing.assert_array_equal(shared.counts, alone.counts)
    assert shared.bursts.equals(alone.bursts)
    held = library.select("held-out").index[0]
    place = prepare._Place(library.path, tuple(bursts.index), chain, False, "token")
    with pytest.raises(DataError, match="held-out burst, which is closed to training"):
        prepare._reduce_batch(place, [held])


def test_a_worker_that_sees_another_model_is_refused(frozen, small_library):
    library = package.open_library(small_library)
    other = predicting._Paths(frozen.path, "0" * 64, library.path)
    with pytest.raises(UsageError, match="a worker sees another model there"):
        predicting._predict_batch(other, [0], None, None)


def test_the_command_predicts_a_library_with_workers(calib, frozen, small_library, tmp_path):
    for name, more in (("a", ()), ("b", ("--jobs", 2))):
        out = tmp_path / f"{name}.csv"
        assert calib("predict", "small@1.0.0", small_library, "-o", out, *more)[0] == 0
    assert (tmp_path / "a.csv").read_bytes() == (tmp_path / "b.csv").read_bytes()
    status, _, err = calib("predict", "small@1.0.0", tmp_path / "a.csv", "-o", "c", "--jobs", 2)
    assert status == 2
    assert "--jobs, --engine and --scheduler are for a library" in err


def test_a_search_that_loses_a_worker_finds_the_same(tmp_path, cluster):
    address, workers = cluster
    toy = Toy(tmp_path, pause=0.03)
    settings = {"seed": 5, "budget": Budget(20)}
    alone = told(run_units(toy.units(), toy, where=tmp_path / "alone", **settings))
    killed = []

    def report(label, done, total):
        if done == total // 2:
            workers[0].kill()
            killed.append(workers[0].wait())

    found = run_units(
        toy.units(), toy, where=tmp_path / "cluster", report=report,
        engine=Engine("dask", scheduler=address), **settings,
    )  # fmt: skip
    assert killed == [-signal.SIGKILL]
    assert workers[1].poll() is None
    assert told(found) == alone

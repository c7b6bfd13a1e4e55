"""What a Dask cluster costs: the same search by two processes of joblib and by two Dask workers.

Starts a scheduler and two workers on this machine, searches the demo library on each engine in
turn, and prints the wall time of the trials and of the finalists, and the ratio to ``--jobs 2``.
The processor time of this process is what asking for trials and writing them down costs. Both
engines must find the same, digit for digit.

    python tests/benchmarks/contest_engines.py [--trials 10] [--rounds 2] [--all-families]
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

import pandas as pd
from distributed import Client

import calib
from calib.experiment.engine import Means
from calib.experiment.workers import ONE_THREAD, Engine
from calib.regress.family import FAMILIES

ROOT = Path(__file__).parents[2]
QUICK = ("pls", "independent_components", "gaussian_process", "support_vectors")
STAGES = ("trials", "finalists on all folds")
ALLOWED = 1.15
"""Most that Dask may take of the time of joblib."""


@contextmanager
def cluster(folder: Path) -> Iterator[str]:
    environment = {**os.environ, **ONE_THREAD, "PYTHONPATH": str(ROOT)}
    dask = [sys.executable, "-m", "dask"]
    quiet = {"env": environment, "stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    here = ["--host", "127.0.0.1", "--no-dashboard"]
    file = str(folder / "scheduler.json")
    with ExitStack() as stack:
        for words in (
            ["scheduler", *here, "--port", "0", "--scheduler-file", file],
            *[
                ["worker", *here, "--nthreads", "1", "--no-nanny", "--local-directory",
                 str(folder), "--scheduler-file", file]
            ] * 2,
        ):  # fmt: skip
            process = stack.enter_context(subprocess.Popen([*dask, *words], **quiet))
            stack.callback(process.kill)
        while not Path(file).exists():
            time.sleep(0.1)
        with Client(scheduler_file=file, set_as_default=False) as client:
            client.wait_for_workers(2, timeout=120)
            address = client.scheduler.address
        yield address


def search(file: Path, run: Path, engine: Engine) -> tuple[dict[str, float], float, pd.DataFrame]:
    """Train; return seconds of each stage, processor seconds here, and the trials found."""
    times: dict[str, list[float]] = {}

    def report(label: str, done: int, total: int) -> None:
        times.setdefault(label, []).append(time.perf_counter())

    before = time.process_time()
    found = calib.train(file, run, report=report, means=Means(engine))
    here = time.process_time() - before
    seconds = {label: times[label][-1] - times[label][0] for label in STAGES}
    return seconds, here, pd.read_csv(found.path / "trials.csv").drop(columns="seconds")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--trials", type=int, default=10)
    parser.add_argument("--rounds", type=int, default=2)
    parser.add_argument("--all-families", action="store_true")
    asked = parser.parse_args()
    families = list(FAMILIES) if asked.all_families else list(QUICK)
    with tempfile.TemporaryDirectory() as scratch, cluster(Path(scratch)) as address:
        file = Path(scratch) / "experiment.toml"
        file.write_text(
            f'library = "{ROOT / "reference_spectra" / "heron"}"\n'
            'analytes = ["SiO2", "MgO", "CaO", "TiO2"]\n'
            f"[models]\nfamilies = {families}\n"
            f"[search]\ntrials = {asked.trials}\n"
            "[validation]\npermutations = 0\n"
        )
        engines = {"--jobs 2": Engine("joblib", 2), "dask": Engine("dask", scheduler=address)}
        least: dict[str, dict[str, float]] = {}
        first = None
        for number in range(asked.rounds):
            for name, engine in engines.items():
                run = Path(scratch) / f"{name.strip('-').replace(' ', '')}-{number}"
                seconds, here, trials = search(file, run, engine)
                first = trials if first is None else first
                pd.testing.assert_frame_equal(first, trials, check_exact=True)
                held = least.setdefault(name, dict(seconds))
                held |= {label: min(held[label], s) for label, s in seconds.items()}
                shown = ", ".join(f"{label} {s:.1f} s" for label, s in seconds.items())
                print(f"{name:8}  {shown}; {len(trials)} trials; processor here {here:.1f} s")
    print("least of the rounds, dask over --jobs 2:")
    for label in STAGES:
        ratio = least["dask"][label] / least["--jobs 2"][label]
        print(f"  {label:24}{ratio:5.2f}  ({ALLOWED} allowed)")


if __name__ == "__main__":
    main()

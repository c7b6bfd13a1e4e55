"""What a library of 10 TB would take: measured rates, and the arithmetic of README with them.

Measured, in processor seconds of one core: shots read and averaged (demo library), trials of
families at growing numbers of spectra (invented ones of 6144 channels, as a search tries them: one
repeat of ten folds, scores worked out before). What is extrapolated says so; it takes the power
of the number of spectra that the last two measured sizes show.

    python tests/benchmarks/scale.py
"""

from __future__ import annotations

import os

os.environ |= {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "MKL_NUM_THREADS": "1"}

import time
from pathlib import Path
from typing import Any

import numpy as np
import optuna

from calib import open_library
from calib.experiment.prepare import reduce_bursts
from calib.experiment.search_proposals import propose
from calib.experiment.search_trial import Unit
from calib.preprocess import Chain
from calib.regress.family import Problem, family

LIBRARY = Path(__file__).parents[2] / "reference_spectra" / "heron"
FAMILIES = ("pls", "support_vectors", "gaussian_process")
SIZES = (400, 800, 1600)
STANDARDS, DISTANCES, CHANNELS, BYTES = 5000, 4, 6144, 10e12
WORKERS, TRIALS, ANALYTES = 32, 40, 8


def shots_a_second() -> float:
    library = open_library(LIBRARY)
    bursts = library.select("calibration")
    started = time.process_time()
    reduce_bursts(library, bursts, Chain.of(("dark", "drop_shots", "reject_shots", "average")),
                  lambda *_: None, "bursts")  # fmt: skip
    return float(bursts["shots"].sum() / (time.process_time() - started))


def trial_seconds(name: str, n: int) -> float:
    """Mean processor seconds of three trials, the first of each size left out."""
    rng = np.random.default_rng(0)
    amounts = rng.gamma(2.0, size=(n, 6))
    X = amounts @ rng.gamma(0.2, size=(6, CHANNELS)) + 0.3 * rng.normal(size=(n, CHANNELS))
    folds = (np.arange(n) % 10)[None]
    problem = Problem(X, amounts[:, :1], folds, np.arange(n), ("A",))
    module: Any = family(name)
    options = module.options({})
    unit = Unit("A", name, ("base",), module.space(options), amounts[:, 0], np.arange(n))
    spent = []
    for seed in range(4):
        proposal = propose(unit, seed, [])
        assert proposal is not None
        started = time.process_time()
        module.attempt(problem, 0, options, proposal[1])
        spent.append(time.process_time() - started)
    return float(np.mean(spent[1:]))


def main() -> None:
    optuna.logging.set_verbosity(optuna.logging.WARNING)
    rate = shots_a_second()
    shots = BYTES / (2 * CHANNELS)
    print(f"measured      shots read and averaged: {rate:,.0f} a second and core, "
          f"{rate * 2 * CHANNELS / 1e6:.0f} MB/s")  # fmt: skip
    print(f"extrapolated  10 TB, {shots:.2g} shots: {shots / rate / 3600:.0f} h in one process, "
          f"{shots / rate / 60 / WORKERS:.0f} min in {WORKERS} if the disks give "
          f"{rate * 2 * CHANNELS * WORKERS / 1e9:.1f} GB/s")  # fmt: skip
    rows = STANDARDS * DISTANCES
    for n in (STANDARDS, rows):
        print(f"computed      {n} spectra: {n * CHANNELS * 8 / 1e9:.2f} GB and a Gram matrix of "
              f"{n * n * 8 / 1e9:.2f} GB for each preprocess variant")  # fmt: skip
    for name in FAMILIES:
        took = [trial_seconds(name, n) for n in SIZES]
        power = np.log(took[-1] / took[-2]) / np.log(SIZES[-1] / SIZES[-2])
        listed = ", ".join(f"{n} spectra {t:.2f} s" for n, t in zip(SIZES, took, strict=True))
        print(f"measured      {name}, a trial: {listed}; power {power:.1f}")
        for n in (STANDARDS, rows):
            trial = took[-1] * (n / SIZES[-1]) ** power
            count = TRIALS * ANALYTES if family(name).space(family(name).options({})) else ANALYTES
            at_once = min(WORKERS, ANALYTES)
            print(f"extrapolated  {name}, {n} spectra: {trial:.0f} s a trial; {count} trials, "
                  f"{at_once} at once, {trial * count / at_once / 3600:.1f} h")  # fmt: skip


if __name__ == "__main__":
    main()

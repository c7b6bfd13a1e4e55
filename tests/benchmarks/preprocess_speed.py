"""How fast the default chain is, and how much memory 50 000 shots on disk take.

    python tests/benchmarks/preprocess_speed.py [--shots N]

Prints spectra a second of the default chain on averaged spectra of 6144 channels, of the same
chain with ``denoise``, and of a plain loop over SciPy and pybaselines calls that does the same
kinds of work one spectrum at a time; then the peak memory of a process that reduces raw bursts
from disk. Best of three; where other work shares the cores, the rate by processor time is the one
that means something. Targets: 500 spectra a second on two cores; below 1 GB.
"""

from __future__ import annotations

import argparse
import functools
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd

import calib
from calib.experiment.prepare import reduce_bursts
from calib.library import Description, LibraryWriter, Spectrometer
from calib.preprocess import Acquisition, Chain
from calib.preprocess.chain import DEFAULT, THREADS
from calib.preprocess.register import LINES_NM

PARTS = (slice(0, 2048), slice(2048, 4096), slice(4096, 6144))
RANGES = ((228.0, 332.0), (372.0, 492.0), (495.0, 880.0))
AXIS = np.concatenate([np.linspace(*ends, 2048) for ends in RANGES])


def spectra(rows: int) -> np.ndarray:
    """Invented lines on a continuum, with photon noise."""
    rng = np.random.default_rng(0)
    base = np.empty(AXIS.size)
    for part in PARTS:
        axis = AXIS[part]
        width = 1.4 * (axis[1] - axis[0])
        base[part] = 200 + 100 * np.sin(axis / 30)
        for line in (*LINES_NM, *rng.uniform(axis[0], axis[-1], 100)):
            height = 300 * rng.lognormal()
            base[part] += height * np.exp(-0.5 * ((axis - line) / width) ** 2)
    return rng.poisson(base * rng.uniform(0.5, 2, (rows, 1))).astype(float)


def plain_loop(rows: np.ndarray) -> np.ndarray:
    """The same kinds of work by library calls, one spectrum and spectrometer at a time."""
    from pybaselines import Baseline
    from scipy import ndimage, signal

    reference = rows.mean(axis=0)
    out = np.empty_like(rows)
    fits = [Baseline(x_data=AXIS[part]) for part in PARTS]
    for i, row in enumerate(rows):
        for part, fit in zip(PARTS, fits, strict=True):
            x = row[part].copy()
            middle = ndimage.median_filter(x, 5)
            spike = np.abs(x - middle) > 8 * 1.4826 * np.median(np.abs(x - middle))
            x[spike] = middle[spike]
            match = signal.correlate(x, reference[part], mode="same")
            x = ndimage.shift(x, 1024 - int(match.argmax()), order=3, mode="nearest")
            x = x - fit.mor(x, half_window=64)[0]
            out[i, part] = x / x.mean()
    return out


def best(
    work: Callable[[], object], times: int = 3, clock: Callable[[], float] = time.perf_counter
) -> float:
    found = []
    for _ in range(times):
        start = clock()
        work()
        found.append(clock() - start)
    return min(found)


def speed() -> None:
    rows = spectra(512)
    shot = Acquisition(PARTS)
    plain = 48 / best(lambda: plain_loop(rows[:48]))
    print(f"plain loop over SciPy and pybaselines: {plain:.0f} spectra/s")
    with_denoise = [*DEFAULT[:5], "denoise", *DEFAULT[5:]]
    for label, steps in (("default chain", DEFAULT), ("default chain with denoise", with_denoise)):
        chain, _ = Chain.of(steps).without({"dark", "shots"})
        chain.spectra(rows[:8], AXIS, shot)
        run = functools.partial(chain.spectra, rows, AXIS, shot)
        rate = len(rows) / best(run)
        alone = len(rows) / best(run, clock=time.process_time)
        print(
            f"{label}: {rate:.0f} spectra/s on {THREADS} threads, {rate / plain:.1f} times the "
            f"loop; {alone:.0f} spectra a second of processor time"
        )


def write_library(folder: Path, shots: int) -> None:
    each = tuple(Spectrometer(n, *ends, 2048) for n, ends in zip("UBR", RANGES, strict=True))
    block = spectra(50).astype(np.uint16)
    with LibraryWriter(folder, Description("Invented", each), AXIS) as writer:
        writer.add_darks(np.full((1, AXIS.size), 20.0))
        for i in range(shots // 50):
            writer.add_burst(block, burst=f"b{i}", standard="s", dark=0)
        writer.finish(pd.DataFrame({"standard": ["s"], "SiO2": ["50"]}))


def reduce_all(folder: Path) -> None:
    library = calib.open_library(folder)
    chain = Chain.of(DEFAULT)
    start = time.perf_counter()
    found = reduce_bursts(library, library.bursts, chain, lambda *_: None, "")
    X = chain.spectra(found.counts, library.wavelength, Acquisition(library.description.slices()))
    took = time.perf_counter() - start
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3
    shots = int(library.bursts["shots"].sum())
    print(f"{shots} shots from disk to {len(X)} spectra: {took:.0f} s, peak {peak:.0f} MB")


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--shots", type=int, default=50_000)
    parser.add_argument("--reduce", type=Path, help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.reduce is not None:
        reduce_all(given.reduce)
        return
    speed()
    with tempfile.TemporaryDirectory() as folder:
        write_library(Path(folder) / "lib", given.shots)
        command = [sys.executable, __file__, "--reduce", str(Path(folder) / "lib")]
        subprocess.run(command, check=True)


if __name__ == "__main__":
    main()

"""How long a full validation takes: 480 spectra, 6144 channels, 10 analytes.

Writes an invented library of 120 standards at four distances (sums of line spectra and noise, one
averaged spectrum each), trains PLS on it with everything on (10 folds dealt five times, nested, 200
shuffles, bootstrap over standards), and prints wall and processor time of every stage. The
processor time is what to compare on a busy machine.

    python tests/benchmarks/validation_speed.py
"""

from __future__ import annotations

import os
import tempfile
import time
from pathlib import Path

import numpy as np
import pandas as pd

import calib
from calib.library import Description, LibraryWriter, Spectrometer

STANDARDS, DISTANCES, CHANNELS, ANALYTES = 120, (1.5, 3.0, 5.0, 7.5), 6144, 10
ALLOWED = 60.0
"""Seconds a full validation may take."""


def write_library(folder: Path) -> None:
    rng = np.random.default_rng(0)
    names = [f"A{k}" for k in range(ANALYTES)]
    amounts = rng.gamma(2.0, size=(STANDARDS, ANALYTES))
    lines = rng.gamma(0.2, size=(ANALYTES, CHANNELS))
    axis = np.linspace(230.0, 880.0, CHANNELS)
    spectrometers = (Spectrometer("S", 230.0, 880.0, CHANNELS),)
    with LibraryWriter(folder, Description("Invented", spectrometers), axis) as writer:
        for i, own in enumerate(amounts):
            for distance in DISTANCES:
                counts = 1000 + 100 * (own @ lines) + 100 * rng.normal(size=(1, CHANNELS))
                writer.add_burst(
                    counts.round().astype(np.uint16), burst=f"S{i:03d}-{distance:g}",
                    standard=f"S{i:03d}", distance_m=distance, use="calibration",
                )  # fmt: skip
        table = pd.DataFrame(np.round(amounts, 3).astype(str), columns=names)
        table.insert(0, "standard", [f"S{i:03d}" for i in range(STANDARDS)])
        table.insert(1, "family", table["standard"])
        writer.finish(table)


def main() -> None:
    stages: dict[str, list[float]] = {}

    def report(label: str, done: int, total: int) -> None:
        now = time.perf_counter(), time.process_time()
        first = stages.setdefault(label, [*now, 0.0, 0.0])
        first[2:] = now[0] - first[0], now[1] - first[1]

    with tempfile.TemporaryDirectory() as scratch:
        write_library(Path(scratch) / "library")
        experiment = Path(scratch) / "experiment.toml"
        experiment.write_text(
            'library = "library"\n[preprocess]\nsteps = ["average"]\n[folds]\nheld_out = 0.1\n'
            '[models]\nfamilies = ["pls"]\n'
        )
        started = time.perf_counter(), time.process_time()
        calib.train(experiment, Path(scratch) / "run", report=report)
        total = time.perf_counter() - started[0], time.process_time() - started[1]
    for label, (*_, wall, processor) in stages.items():
        print(f"{label:20} {wall:7.1f} s wall {processor:7.1f} s processor")
    print(f"{'all':20} {total[0]:7.1f} s wall {total[1]:7.1f} s processor")
    print(
        f"load {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores; validation may take {ALLOWED:g}"
    )


if __name__ == "__main__":
    main()

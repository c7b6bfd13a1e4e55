"""Draw one burst after every step of the default chain.

python tests/benchmarks/preprocess_figure.py LIBRARY OUT.png [--burst N]
"""

from __future__ import annotations

import argparse
from pathlib import Path

import matplotlib

import calib
from calib.preprocess import Acquisition, Chain
from calib.preprocess.chain import DEFAULT

matplotlib.use("Agg")
from matplotlib import pyplot as plt  # the backend is chosen first

WINDOW_NM = (390.0, 400.0)
"""Ca II and Al I: what the right column shows."""


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("library", type=Path)
    parser.add_argument("out", type=Path)
    parser.add_argument("--burst", type=int, default=0)
    given = parser.parse_args()
    library = calib.open_library(given.library)
    row = library.bursts.iloc[given.burst]
    axis = library.wavelength
    shot = Acquisition(library.description.slices(), dark=library.dark(int(row["dark"])))
    rows = library.counts(given.burst).astype(float)
    shown = [("raw", "raw shots, counts", rows)]
    for name in DEFAULT:
        step = Chain.of([name]).steps[0]
        rows = step.apply(rows, axis, shot)
        what = f"{len(rows)} shots" if len(rows) > 1 else "one spectrum"
        unit = "mean 1" if name == "normalise" else "counts"
        shown.append((name, f"{name}: {what}, {unit}", rows))
    fig, axes = plt.subplots(
        len(shown), 2, figsize=(11, 1.7 * len(shown)), width_ratios=(3, 1), layout="constrained"
    )
    near = (axis >= WINDOW_NM[0]) & (axis <= WINDOW_NM[1])
    for (name, label, values), (left, right) in zip(shown, axes, strict=True):
        shade = {"color": "C0", "lw": 0.6, "alpha": 1.0 if len(values) == 1 else 0.35}
        for part in shot.spectrometers:
            left.plot(axis[part], values[:, part].T, **shade)
        right.plot(axis[near], values[:, near].T, marker=".", ms=2, **shade)
        left.set_title(label, fontsize=9, loc="left")
        left.set_yscale("asinh", linear_width=0.3 if name == "normalise" else 100.0)
        for each in (left, right):
            each.tick_params(labelsize=7)
            each.grid(alpha=0.3)
    axes[0, 1].set_title(f"{WINDOW_NM[0]:g} to {WINDOW_NM[1]:g} nm", fontsize=9, loc="left")
    for each in axes[-1]:
        each.set_xlabel("wavelength, nm", fontsize=8)
    fig.suptitle(
        f"Burst {row['burst']} of standard {row['standard']} at {row['distance_m']:g} m "
        "(simulated) after each step; left on an asinh scale",
        fontsize=10,
    )
    fig.savefig(given.out, dpi=110)


if __name__ == "__main__":
    main()

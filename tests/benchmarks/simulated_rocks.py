"""Draw one simulated spectrum of each of five rock types, with lines labelled.

python tests/benchmarks/simulated_rocks.py reports/simulated_rocks.png
"""

from __future__ import annotations

import sys

import matplotlib

matplotlib.use("Agg")
import matplotlib.pyplot as plt
import numpy as np

from calib.lines import lines_of
from calib.simulate import Campaign, SimulationSettings
from calib.simulate.instrument import SPECTROMETERS, slices

KINDS = ("basalt", "granite", "limestone", "gypsum", "magnetite-ore")
LABELS = {
    "U": [
        ("Si", 251.611), ("Fe", 259.94), ("Si", 263.128), ("Fe", 274.932), ("Mg", 279.553),
        ("Mg", 285.213), ("Si", 288.158), ("Al", 309.271), ("Ca", 317.933), ("Ti", 323.452),
    ],
    "B": [
        ("Fe", 373.486), ("Mg", 383.829), ("Ca", 393.366), ("Al", 396.152), ("Sr", 407.771),
        ("Ca", 422.673), ("Fe", 438.354), ("Ca", 445.478), ("Ba", 455.403), ("H", 486.135),
    ],
    "R": [
        ("Mg", 518.36), ("Ca", 558.876), ("Na", 588.995), ("Ca", 616.217), ("Si", 634.711),
        ("Ca", 643.907), ("H", 656.279), ("Li", 670.776), ("N", 746.831), ("K", 766.49),
        ("O", 777.194), ("Na", 819.482), ("Ca", 854.209),
    ],
}  # fmt: skip


def main(path: str) -> None:
    """Shoot each rock at 3 m, average the clean shots and draw them."""
    campaign = Campaign(SimulationSettings(distances_m=(3.0,), spots=1, n_check_visits=0))
    darks = campaign.darks()
    figure, axes = plt.subplots(
        len(KINDS), 3, figsize=(16, 12), layout="constrained", width_ratios=(1, 1, 1.3)
    )
    for row, kind in enumerate(KINDS):
        plan = next(p for p in campaign.plans if p.target.kind == kind)
        burst = campaign.shoot(plan)
        light = burst.counts[6:].mean(axis=0) - darks[plan.dark]
        for column, (each, part) in enumerate(zip(SPECTROMETERS, slices(), strict=True)):
            panel(axes[row, column], campaign.wavelength[part], light[part], each.name)
        axes[row, 0].set_ylabel(f"{plan.target.kind}\n{plan.target.standard}, counts")
    for column, each in enumerate(SPECTROMETERS):
        axes[0, column].set_title(f"spectrometer {each.name}", pad=26)
        axes[-1, column].set_xlabel("wavelength in air, nm")
    figure.suptitle("Simulated spectra at 3 m: mean of clean shots less dark (dips: dead channels)")
    figure.savefig(path, dpi=110)


def panel(axes: plt.Axes, wavelength: np.ndarray, light: np.ndarray, name: str) -> None:
    """Draw one spectrometer on a square-root scale and label the lines that stand out."""
    axes.plot(wavelength, np.sqrt(np.maximum(light, 0)), lw=0.6)
    ticks = np.array([0, 100, 400, 1000, 2000, 4000, 8000, 16000])
    axes.set_yticks(np.sqrt(ticks), ticks.astype(str))
    axes.set_xlim(wavelength[0], wavelength[-1])
    top = np.sqrt(light.max())
    axes.set_ylim(0, top * 1.05)
    for element, near in LABELS[name]:
        line = lines_of(element)
        line = line[np.argmin(np.abs(line["wavelength_air_nm"] - near))]
        at = float(line["wavelength_air_nm"])
        place = int(np.argmin(np.abs(wavelength - at)))
        around = light[max(place - 40, 0) : place + 40]
        height = light[max(place - 2, 0) : place + 3].max()
        if height > np.median(around) + 6 * np.sqrt(np.median(around) + 4):
            text = f"{element} {'I' * int(line['stage'])}"
            axes.annotate(
                text, (at, np.sqrt(height)), (at, top * 1.07), rotation=90, fontsize=7,
                ha="center", va="bottom", annotation_clip=False,
                arrowprops={"arrowstyle": "-", "lw": 0.3, "color": "0.6"},
            )  # fmt: skip


if __name__ == "__main__":
    main(sys.argv[1] if len(sys.argv) > 1 else "reports/simulated_rocks.png")

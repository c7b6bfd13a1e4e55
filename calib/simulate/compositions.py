"""Invented targets: compositions that vary as rocks do, certificates, families, surfaces.

Rock classes are described by typical major-element compositions (rounded, of the order of
those in petrology textbooks; from memory) and mixed with their neighbours, so that oxides
correlate along differentiation and alteration trends as in rocks. ``tests/simulate`` compares
ranges and correlations with the igneous analyses that ``pyrolite`` carries. No target is a
real material.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

OXIDES = (
    "SiO2", "TiO2", "Al2O3", "FeOT", "MgO", "CaO", "Na2O", "K2O", "MnO", "P2O5",
    "SO3", "Cl", "F", "CO2", "H2O", "Cr2O3", "NiO", "Li", "Rb", "Sr", "Ba",
)  # fmt: skip
"""Components of every target; compositions in wt% (traces too, inside the simulator)."""

TRACES_PPM = ("Li", "Rb", "Sr", "Ba")
"""Analytes certified in ppm (mg/kg)."""

# SiO2 TiO2 Al2O3 FeOT MgO CaO Na2O K2O MnO P2O5 | SO3 Cl F CO2 H2O | Cr2O3 NiO ppm: Li Rb Sr Ba
_TABLE = """
peridotite       43.5 0.10  2.2  8.2 40.0  2.2 0.20 0.03 0.13 0.02 0.05 0.02 0.005 0.1 3.0 0.40 0.28    2   1   15   10
komatiite        46.0 0.35  6.0 10.8 26.0  6.5 0.60 0.10 0.18 0.04 0.05 0.01 0.010 0.2 3.0 0.35 0.15    4   3   40   30
basalt           49.5 1.80 14.5 10.8  7.5 10.5 2.60 0.70 0.18 0.25 0.08 0.01 0.020 0.2 0.8 0.04 0.015   7  15  350  250
ferrobasalt      48.5 3.20 13.0 14.5  5.5  9.5 2.80 0.80 0.22 0.45 0.10 0.01 0.030 0.1 0.8 0.01 0.006   8  18  320  300
alkali-basalt    45.5 2.60 14.5 11.2  8.8 10.2 3.40 1.50 0.18 0.60 0.10 0.03 0.060 0.3 1.2 0.04 0.018   8  35  750  600
gabbro           49.0 0.90 16.5  8.5  9.0 11.8 2.20 0.35 0.15 0.12 0.15 0.01 0.010 0.2 0.9 0.05 0.016   6   8  300  150
anorthosite      51.0 0.40 26.5  3.0  2.2 11.5 3.60 0.50 0.05 0.08 0.03 0.01 0.010 0.2 0.6 0.01 0.003   5   8  700  250
andesite         58.5 0.85 17.0  6.3  3.4  6.6 3.60 1.80 0.12 0.22 0.06 0.02 0.030 0.1 1.0 0.01 0.003  12  50  450  500
dacite           65.5 0.55 16.0  4.2  1.8  4.2 4.00 2.40 0.08 0.16 0.04 0.02 0.040 0.1 0.9 0.004 0.001 20  75  350  700
rhyolite         73.5 0.25 13.3  1.9  0.4  1.2 3.70 4.40 0.05 0.06 0.02 0.05 0.080 0.1 0.8 0.001 0.0005 35 160  100  600
granite          71.5 0.32 14.2  2.3  0.7  1.8 3.50 4.50 0.05 0.11 0.02 0.02 0.080 0.1 0.7 0.002 0.0005 45 190  180  750
trachyte         62.0 0.70 17.8  4.6  0.9  2.2 5.60 5.20 0.16 0.20 0.05 0.12 0.100 0.1 0.9 0.001 0.0005 15 120  300  900
syenite          59.5 0.80 17.5  5.0  1.8  3.4 5.50 5.00 0.13 0.30 0.05 0.08 0.120 0.3 0.7 0.002 0.001  18 130  600 1300
phonolite        57.0 0.55 20.0  4.0  0.6  1.9 8.60 5.40 0.20 0.12 0.15 0.25 0.150 0.2 1.5 0.001 0.0005 25 150  500  700
feldspar         65.5 0.02 18.8  0.2  0.05 0.6 4.20 10.2 0.01 0.05 0.01 0.01 0.010 0.05 0.3 0.001 0.0005 8 350  120 1200
sandstone        83.0 0.40  7.0  2.4  1.0  1.8 1.20 1.80 0.04 0.08 0.10 0.02 0.020 1.2 1.4 0.006 0.002  18  55   90  350
quartzite        95.5 0.12  1.9  0.8  0.15 0.3 0.20 0.50 0.01 0.03 0.02 0.01 0.005 0.1 0.4 0.002 0.0005  6  15   20  110
shale            60.0 0.80 16.5  6.0  2.4  2.2 1.10 3.60 0.08 0.16 0.50 0.02 0.070 1.8 5.0 0.012 0.006  60 150  160  620
kaolin           46.0 1.20 36.0  1.2  0.3  0.3 0.15 0.70 0.01 0.12 0.05 0.02 0.050 0.2 13.5 0.015 0.003 60  30  110  150
smectite-clay    56.0 0.35 18.0  4.2  3.2  2.0 2.20 0.70 0.04 0.07 0.30 0.05 0.080 0.8 11.5 0.004 0.002 25  30  180  200
limestone         5.5 0.08  1.3  0.9  1.5 49.5 0.10 0.30 0.06 0.06 0.15 0.02 0.020 40.0 0.6 0.002 0.001  5   8  450   50
dolomite          3.5 0.05  0.8  0.9 19.5 30.0 0.06 0.25 0.07 0.04 0.10 0.03 0.020 44.0 0.5 0.001 0.001  4   5  120   30
marl             28.0 0.40  7.5  3.0  2.2 29.5 0.50 1.50 0.07 0.12 0.40 0.02 0.040 23.5 3.0 0.006 0.003 28  60  550  220
gypsum            2.5 0.03  0.6  0.4  0.8 32.0 0.08 0.12 0.01 0.02 44.0 0.03 0.010 1.2 18.0 0.001 0.0005 3   3  900   40
anhydrite         3.0 0.04  0.8  0.5  1.2 39.0 0.10 0.15 0.01 0.02 52.5 0.04 0.010 1.5 1.0 0.001 0.0005  3   3 1500   40
haematite-ore     8.0 0.15  2.2 79.0  0.5  0.6 0.08 0.15 0.20 0.15 0.10 0.01 0.010 0.4 2.0 0.015 0.004  3   5   30   80
magnetite-ore    14.0 1.50  3.2 70.0  3.5  2.8 0.30 0.25 0.25 0.40 0.40 0.02 0.020 0.8 0.8 0.060 0.020  4   8   80   70
ilmenite-ore     12.0 34.0  4.2 36.0  4.0  2.8 0.40 0.15 0.35 0.15 0.30 0.01 0.010 0.3 0.9 0.080 0.012  3   4   90   40
manganese-ore    14.0 0.25  4.2  9.0  1.5  4.0 0.40 1.00 48.0 0.25 0.20 0.02 0.020 4.0 5.5 0.006 0.020 40  15  450 1800
phosphorite       9.0 0.12  2.2  1.8  0.9 46.0 0.60 0.40 0.04 29.0 2.00 0.04 3.200 4.5 2.5 0.010 0.004  5   8  950  120
chromitite       12.0 0.35 13.0 15.5 21.0  0.9 0.08 0.03 0.15 0.02 0.05 0.01 0.005 0.3 1.8 32.0 0.140   3   1   10   10
skarn            42.0 0.45  9.0 14.0  5.0 24.0 0.40 0.40 0.45 0.15 0.40 0.03 0.060 2.5 1.6 0.008 0.003  15  15  180   90
halite-clay      32.0 0.40 10.0  3.6  4.5  5.0 16.0 2.20 0.05 0.10 4.00 15.0 0.050 3.5 5.0 0.006 0.003  40  70  350  220
soda-lime-glass  71.5 0.06  1.6  0.15 3.6  8.8 13.6 0.50 0.01 0.02 0.25 0.03 0.010 0.01 0.05 0.002 0.001  8   8   80   60
slag             34.5 0.70 12.0  1.2  9.0 40.0 0.40 0.60 0.60 0.03 1.20 0.02 0.100 0.1 0.2 0.010 0.002  15  10  450  600
"""
CLASSES: dict[str, NDArray[np.float64]] = {
    row.split()[0]: np.array([float(v) for v in row.split()[1:]])
    for row in _TABLE.strip().splitlines()
}
for _row in CLASSES.values():
    _row[-len(TRACES_PPM) :] *= 1e-4  # ppm to wt%

TRENDS: dict[str, tuple[str, ...]] = {
    "ultramafic": ("peridotite", "komatiite", "basalt"),
    "subalkaline": ("basalt", "andesite", "dacite", "rhyolite"),
    "tholeiitic": ("gabbro", "basalt", "ferrobasalt", "andesite"),
    "alkaline": ("alkali-basalt", "syenite", "trachyte", "rhyolite"),
    "foid": ("alkali-basalt", "phonolite"),
    "plutonic": ("gabbro", "andesite", "granite"),
    "anorthositic": ("gabbro", "anorthosite"),
    "feldspathic": ("granite", "feldspar"),
    "clastic": ("shale", "sandstone", "quartzite"),
    "clay": ("shale", "kaolin"),
    "bentonite": ("dacite", "smectite-clay"),
    "carbonate": ("shale", "marl", "limestone"),
    "dolomitic": ("limestone", "dolomite"),
    "sulfate": ("anhydrite", "gypsum"),
    "sulfate-clay": ("smectite-clay", "gypsum"),
    "iron": ("quartzite", "haematite-ore"),
    "oxide": ("gabbro", "magnetite-ore", "ilmenite-ore"),
    "manganese": ("shale", "manganese-ore"),
    "phosphate": ("limestone", "phosphorite"),
    "chromite": ("peridotite", "chromitite"),
    "skarn": ("limestone", "skarn", "magnetite-ore"),
    "evaporite": ("shale", "halite-clay"),
    "glass": ("soda-lime-glass", "slag"),
}
"""Chains of neighbouring classes; a target lies between two neighbours of one chain."""

_WEIGHT = {
    "subalkaline": 5.0, "tholeiitic": 3.0, "alkaline": 3.0, "plutonic": 2.0, "clastic": 2.0,
    "carbonate": 2.0, "ultramafic": 1.5, "iron": 0.7, "manganese": 0.5, "phosphate": 0.5,
    "chromite": 0.5, "evaporite": 0.7,
}  # fmt: skip
_SPREAD = np.array([0.04] + [0.25, 0.10, 0.16, 0.22, 0.16, 0.18, 0.30, 0.25, 0.40] + [0.5] * 11)
"""Standard deviation of each component's logarithm within a class."""

FORMS = ("pressed powder", "sawn slab", "fused glass")
DUST = np.array(
    [44.0, 1.0, 11.0, 11.0, 5.0, 13.0, 1.6, 1.0, 0.25, 0.5, 4.0, 0.5, 0.05, 5.0, 3.5, 0.03, 0.02]
    + [20e-4, 40e-4, 300e-4, 300e-4]
)
"""Invented quarry dust: basaltic fines with carbonate, gypsum and iron oxide, wt%."""


@dataclass(frozen=True)
class Target:
    """What lies under the laser.

    Parameters
    ----------
    standard, name, family, kind, form : str
        As in ``standards.csv``.
    bulk : ndarray of shape (components,)
        True composition, wt%, in the order of `OXIDES`.
    grain : float
        Standard deviation of the logarithm of each component from spot to spot.
    texture : tuple of (float, float)
        What the composition does not tell of its ablation: offsets of the logarithms of mass
        and temperature, in their standard deviations.
    certified : bool
        Whether it has a certificate.
    surface : ndarray, optional
        Another composition that lies on top, wt%.
    surface_shots : float
        Shots after which the surface is half removed.
    use : str
        ``calibration``, ``held-out`` or ``check``.
    """

    standard: str
    name: str
    family: str
    kind: str
    form: str
    bulk: NDArray[np.float64]
    grain: float
    texture: tuple[float, float]
    certified: bool = True
    surface: NDArray[np.float64] | None = None
    surface_shots: float = 0.0
    use: str = "calibration"


def draw_composition(
    rng: np.random.Generator, trend: str | None = None
) -> tuple[str, NDArray[np.float64]]:
    """Draw the class and composition, wt% summing to 100, of one invented rock.

    Parameters
    ----------
    rng : Generator
    trend : str, optional
        A key of `TRENDS`; drawn by weight if not given.

    Returns
    -------
    kind : str
        The nearer class.
    composition : ndarray of shape (components,)
    """
    names = list(TRENDS)
    weight = np.array([_WEIGHT.get(name, 1.0) for name in names])
    drawn = names[rng.choice(len(names), p=weight / weight.sum())]
    chain = TRENDS[trend or drawn]
    place = rng.uniform(0, len(chain) - 1)
    low = min(int(place), len(chain) - 2)
    share = place - low
    mixed = (1 - share) * CLASSES[chain[low]] + share * CLASSES[chain[low + 1]]
    scatter = np.exp(_SPREAD * rng.standard_normal(mixed.size))
    composition = mixed * scatter
    return chain[low + (share > 0.5)], close(composition)


def close(composition: NDArray[np.float64]) -> NDArray[np.float64]:
    """Scale to 100 wt%, the last axis over components."""
    closed: NDArray[np.float64] = 100 * composition / composition.sum(axis=-1, keepdims=True)
    return closed


def dope(composition: NDArray[np.float64], amounts: dict[str, float]) -> NDArray[np.float64]:
    """Add wt% of pure components to a powder and close to 100."""
    added = composition.copy()
    for oxide, amount in amounts.items():
        added[OXIDES.index(oxide)] += amount
    return close(added)

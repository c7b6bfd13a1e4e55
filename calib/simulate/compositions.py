"""Invented targets: compositions that vary as rocks do, certificates, families, surfaces.

Rock classes are described by typical major-element compositions (rounded, of the order of
those in petrology textbooks; from memory) and mixed with their neighbours, so that oxides
correlate along differentiation and alteration trends as in rocks. ``tests/simulate`` compares
ranges and correlations with the igneous analyses that ``pyrolite`` carries. No target is a
real material.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from importlib import resources

import numpy as np
from numpy.typing import NDArray

OXIDES = (
    "SiO2", "TiO2", "Al2O3", "FeOT", "MgO", "CaO", "Na2O", "K2O", "MnO", "P2O5",
    "SO3", "Cl", "F", "CO2", "H2O", "Cr2O3", "NiO", "Li", "Rb", "Sr", "Ba",
)  # fmt: skip
"""Components of every target; compositions in wt% (traces too, inside the simulator)."""

TRACES_PPM = ("Li", "Rb", "Sr", "Ba")
"""Analytes certified in ppm (mg/kg)."""


def _read_classes() -> dict[str, NDArray[np.float64]]:
    """Read ``data/rock_classes.csv``: wt%, traces in ppm; returned all in wt%."""
    path = resources.files("calib") / "data" / "rock_classes.csv"
    with path.open(encoding="utf-8") as stream:
        rows = list(csv.reader(stream))[1:]
    classes = {row[0]: np.array([float(cell) for cell in row[1:]]) for row in rows}
    for composition in classes.values():
        composition[-len(TRACES_PPM) :] *= 1e-4
    return classes


CLASSES: dict[str, NDArray[np.float64]] = _read_classes()
"""Typical composition of each rock class, wt% in the order of `OXIDES`; iron as FeO."""

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
    [
        44.0, 1.0, 11.0, 11.0, 5.0, 13.0, 1.6, 1.0, 0.25, 0.5,
        4.0, 0.5, 0.05, 5.0, 3.5, 0.03, 0.02, 20e-4, 40e-4, 300e-4, 300e-4,
    ]
)  # fmt: skip
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

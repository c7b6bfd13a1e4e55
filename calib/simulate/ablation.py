"""From a target and a laser pulse to a plasma: composition, mass, temperature, size.

The coefficients are chosen for plausibility, not fitted to an instrument: they give
temperatures of 8500 to 12 500 K, electron densities near 1e23 m⁻³ and changes of ablated mass
by a factor of about two between matrices, the order reported for laser-induced plasmas of
rocks in air (common practice, no source). They were set before any regression was run.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.oxides import molar_mass, parse_formula
from calib.simulate.compositions import FORMS, OXIDES
from calib.simulate.plasma import Atoms
from calib.simulate.radiation import PlasmaState

TEMPERATURE_K = 10800.0
HEAVY_DENSITY_M3 = 4e23  # at TEMPERATURE_K; falls as 1/T (pressure of the plume)
LENGTH_M = 1.0e-3
ROCK_SHARE = 0.15  # of the heavy particles; the rest is entrained air
ENERGY_MJ = 14.0
REFERENCE_DISTANCE_M = 3.0
TEXTURE = (0.20, 0.012)  # standard deviations of ln mass and ln temperature between samples
FORM_MASS = dict(zip(FORMS, (0.12, 0.0, -0.18), strict=True))


@dataclass(frozen=True)
class Conditions:
    """Logarithms of ablated mass and temperature relative to the reference plasma."""

    log_mass: float
    log_temperature: float


def element_matrix(atoms: Atoms) -> NDArray[np.float64]:
    """Moles of each element in a gram-hundredth of each component, (components, elements)."""
    matrix = np.zeros((len(OXIDES), len(atoms.symbols)))
    for row, oxide in enumerate(OXIDES):
        for symbol, count in parse_formula(oxide).items():
            matrix[row, atoms.index(symbol)] = count / molar_mass(oxide)
    return matrix


def matrix_conditions(
    composition: NDArray[np.float64], form: str, texture: tuple[float, float]
) -> Conditions:
    """How a sample's composition, form and texture change mass and temperature.

    Dark, iron- and titanium-rich samples couple better; volatile-rich ones ablate more and
    spend energy on breaking bonds; easily ionised alkalis cool the plasma (directions: common
    practice, no source).

    Parameters
    ----------
    composition : ndarray of shape (components,)
        wt%, in the order of `OXIDES`.
    form : str
        One of `FORMS`.
    texture : tuple of (float, float)
        Offsets in standard deviations, see `TEXTURE`.
    """
    part = dict(zip(OXIDES, composition, strict=True))
    opaque = part["FeOT"] + 2 * part["TiO2"] + 2 * part["MnO"] + part["Cr2O3"]
    dark = 1 - np.exp(-opaque / 8) - 0.6
    volatile = (part["SO3"] + part["CO2"] + part["H2O"] + part["Cl"] + part["F"]) / 100
    alkali = (part["Na2O"] + part["K2O"]) / 100
    mass = 0.35 * dark + 0.8 * volatile + FORM_MASS[form] + TEXTURE[0] * texture[0]
    temperature = 0.03 * dark - 0.15 * volatile - 0.35 * alkali + TEXTURE[1] * texture[1]
    return Conditions(float(mass), float(temperature))


def spot_mm(distance_m: float) -> float:
    """Diameter of the laser spot at a distance, mm: waist and divergence in quadrature."""
    return float(np.hypot(0.32, 0.055 * distance_m))


def beam_conditions(distance_m: float, energy_mj: float) -> Conditions:
    """How irradiance on the target changes mass and temperature (power laws, no source)."""
    reference = ENERGY_MJ / spot_mm(REFERENCE_DISTANCE_M) ** 2
    irradiance = np.log(energy_mj / spot_mm(distance_m) ** 2 / reference)
    return Conditions(
        float(0.4 * irradiance + 0.6 * np.log(energy_mj / ENERGY_MJ)), float(0.12 * irradiance)
    )


def plasma_state(
    atoms: Atoms,
    matrix: NDArray[np.float64],
    composition: NDArray[np.float64],
    conditions: Conditions,
) -> PlasmaState:
    """Build the slab that shines for a composition (wt%) under given conditions."""
    moles = composition @ matrix
    rock = moles / moles.sum()
    air = np.zeros_like(rock)
    air[atoms.index("N")], air[atoms.index("O")] = 0.785, 0.215  # dry air, argon left out
    share = min(ROCK_SHARE * float(np.exp(0.7 * conditions.log_mass)), 0.6)
    temperature = TEMPERATURE_K * float(np.exp(conditions.log_temperature))
    return PlasmaState(
        temperature_k=temperature,
        heavy_density_m3=HEAVY_DENSITY_M3 * TEMPERATURE_K / temperature,
        fractions=share * rock + (1 - share) * air,
        length_m=LENGTH_M * float(np.exp(conditions.log_mass / 3)),
    )

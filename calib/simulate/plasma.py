"""A plasma in local thermodynamic equilibrium: who is ionised, and how the levels are filled.

Saha's balance is solved for all elements together, with three stages each, so that the
electrons they give are those that hold the balance (charge neutrality). Levels follow
Boltzmann. Partition functions are Irwin's polynomials [1]_, ionisation energies those of
``data/ionisation.csv``; both files are written by ``tests/reference/export_atomic_data.py``.

References
----------
.. [1] Irwin A.W. 1981, ApJS 45, 621, doi 10.1086/190730.
.. [2] Griem H.R. 1964, Plasma Spectroscopy, McGraw-Hill, chapter 6 (Saha, lowering of the
   ionisation energy).
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from functools import cache
from importlib import resources

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

from calib.errors import DataError
from calib.oxides import ATOMIC_WEIGHT

H = 6.62607015e-34  # J s, exact in the SI
C = 299792458.0  # m/s, exact
KB = 1.380649e-23  # J/K, exact
QE = 1.602176634e-19  # C, exact
ME = 9.1093837e-31  # kg, CODATA 2018
EPS0 = 8.8541878128e-12  # F/m, CODATA 2018
HC_K = 100 * H * C / KB  # K per cm⁻¹

IRWIN_RANGE = (1000.0, 16000.0)
"""K: where Irwin's polynomials hold; temperatures outside are taken at its ends."""


@dataclass(frozen=True)
class Atoms:
    """Properties of the elements, in the order of `symbols`.

    ``mass`` (elements,) in u; ``ionisation_ev`` (2, elements), infinite where there is no
    second electron; ``partition`` (3, elements, 6), Irwin's coefficients.
    """

    symbols: tuple[str, ...]
    mass: NDArray[np.float64]
    ionisation_ev: NDArray[np.float64]
    partition: NDArray[np.float64]

    def index(self, symbol: str) -> int:
        """Position of an element."""
        return self.symbols.index(symbol)

    def partition_functions(self, temperature_k: float) -> NDArray[np.float64]:
        """Partition functions, (3, elements), of each stage at a temperature in K."""
        log_t = np.log(np.clip(temperature_k, *IRWIN_RANGE))
        value: NDArray[np.float64] = np.exp(self.partition @ log_t ** np.arange(6))
        return value


@cache
def load_atoms() -> Atoms:
    """Read ionisation energies and partition functions of the elements of the line table."""
    folder = resources.files("calib") / "data"
    with (folder / "ionisation.csv").open(encoding="utf-8") as stream:
        energies = {row["element"]: row for row in csv.DictReader(stream)}
    symbols = tuple(energies)
    first = [float(energies[s]["first_eV"]) for s in symbols]
    second = [float(energies[s]["second_eV"] or "inf") for s in symbols]
    partition = np.zeros((3, len(symbols), 6))
    with (folder / "partition_functions.csv").open(encoding="utf-8") as stream:
        for row in csv.DictReader(stream):
            place = int(row["stage"]) - 1, symbols.index(row["element"])
            partition[place] = [float(row[f"a{k}"]) for k in range(6)]
    mass = np.array([ATOMIC_WEIGHT[s] for s in symbols])
    return Atoms(symbols, mass, np.array([first, second]), partition)


def stage_fractions(
    atoms: Atoms, temperature_k: float, electron_density_m3: float
) -> NDArray[np.float64]:
    """Fractions of each element that are neutral, singly and doubly ionised (Saha).

    Parameters
    ----------
    atoms : Atoms
    temperature_k : float
        K.
    electron_density_m3 : float
        m⁻³.

    Returns
    -------
    ndarray of shape (3, elements)
        Columns sum to one.

    Notes
    -----
    ``n_(z+1) n_e / n_z = 2 U_(z+1)/U_z (2π m_e k T / h²)^(3/2) exp(−(χ_z − Δχ_z) / kT)`` with
    the Debye lowering ``Δχ_z = (z + 1) e² / (4π ε0 λ_D)`` [2]_.
    """
    u = atoms.partition_functions(temperature_k)
    debye_m = np.sqrt(EPS0 * KB * temperature_k / (2 * electron_density_m3 * QE**2))
    lowering_ev = QE / (4 * np.pi * EPS0 * debye_m) * np.array([[1.0], [2.0]])
    translation = (2 * np.pi * ME * KB * temperature_k / H**2) ** 1.5
    energy = np.maximum(atoms.ionisation_ev - lowering_ev, 0.0) * QE / (KB * temperature_k)
    ratio = 2 * u[1:] / u[:-1] * translation / electron_density_m3 * np.exp(-energy)
    relative = np.stack([np.ones_like(ratio[0]), ratio[0], ratio[0] * ratio[1]])
    fractions: NDArray[np.float64] = relative / relative.sum(axis=0)
    return fractions


def solve_electrons(
    atoms: Atoms,
    temperature_k: float,
    heavy_density_m3: float,
    fractions: NDArray[np.float64],
) -> tuple[float, NDArray[np.float64]]:
    """Find the electron density at which the plasma is neutral.

    Parameters
    ----------
    atoms : Atoms
    temperature_k : float
        K.
    heavy_density_m3 : float
        Atoms and ions of all elements, m⁻³.
    fractions : ndarray of shape (elements,)
        Share of each element in the heavy particles; sums to one.

    Returns
    -------
    electron_density_m3 : float
    densities : ndarray of shape (3, elements)
        Of each stage, m⁻³.

    Raises
    ------
    DataError
        If the shares do not sum to one, or temperature or density is not positive.
    """
    if not (temperature_k > 0 and heavy_density_m3 > 0):
        raise DataError(
            f"plasma: found {temperature_k:g} K and {heavy_density_m3:g} m⁻³, need both positive"
        )
    if abs(fractions.sum() - 1) > 1e-6:
        raise DataError(f"element shares sum to {fractions.sum():g}, need 1")
    charge = np.array([0.0, 1.0, 2.0])

    def excess(log_ne: float) -> float:
        stages = stage_fractions(atoms, temperature_k, np.exp(log_ne))
        return float(np.log(heavy_density_m3 * (charge @ stages) @ fractions) - log_ne)

    top = np.log(2.0 * heavy_density_m3)
    log_ne = brentq(excess, top - 40.0, top + 1e-9, xtol=1e-9)
    electrons = float(np.exp(log_ne))
    stages = stage_fractions(atoms, temperature_k, electrons)
    return electrons, heavy_density_m3 * fractions * stages

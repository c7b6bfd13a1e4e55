"""Saha's balance, charge neutrality and partition functions."""

import numpy as np
import pytest
from scipy import constants

from calib.errors import DataError
from calib.lines import load_lines
from calib.simulate.plasma import HC_K, load_atoms, solve_electrons, stage_fractions


def share(**parts: float) -> np.ndarray:
    atoms = load_atoms()
    fractions = np.zeros(len(atoms.symbols))
    for symbol, value in parts.items():
        fractions[atoms.index(symbol)] = value
    return fractions / fractions.sum()


@pytest.mark.parametrize(
    ("temperature", "ionised"),
    # Carroll and Ostlie, An Introduction to Modern Astrophysics, example 8.1.4 (from memory):
    # hydrogen at an electron pressure of 20 N/m².
    [(8300.0, 0.05), (9600.0, 0.50), (11300.0, 0.95)],
)
def test_hydrogen_of_a_textbook(temperature: float, ionised: float) -> None:
    atoms = load_atoms()
    electrons = 20.0 / (constants.k * temperature)
    stages = stage_fractions(atoms, temperature, electrons)[:, atoms.index("H")]
    assert stages[1] == pytest.approx(ionised, abs=0.03)
    assert stages[2] == 0


@pytest.mark.parametrize(("symbol", "stage"), [("Na", 1), ("Ca", 2), ("Mg", 1), ("Mg", 2)])
def test_stage_ratio_written_out(symbol: str, stage: int) -> None:
    """Saha–Eggert with scipy's constants, and no lowering at low density."""
    atoms, t, electrons = load_atoms(), 9000.0, 1e17
    place = atoms.index(symbol)
    stages = stage_fractions(atoms, t, electrons)[:, place]
    u = atoms.partition_functions(t)[:, place]
    energy = atoms.ionisation_ev[stage - 1, place] * constants.e
    expected = (
        2 * u[stage] / u[stage - 1] / electrons
        * (2 * np.pi * constants.m_e * constants.k * t / constants.h**2) ** 1.5
        * np.exp(-energy / (constants.k * t))
    )  # fmt: skip
    assert stages[stage] / stages[stage - 1] == pytest.approx(expected, rel=2e-3)


def test_plasma_is_neutral() -> None:
    atoms = load_atoms()
    fractions = share(Si=0.2, Ca=0.1, Na=0.05, O=0.4, N=0.25)
    electrons, densities = solve_electrons(atoms, 10500.0, 4e23, fractions)
    assert densities.sum() == pytest.approx(4e23, rel=1e-9)
    assert densities[1].sum() + 2 * densities[2].sum() == pytest.approx(electrons, rel=1e-7)


def test_alkalis_hold_back_the_ionisation_of_others() -> None:
    atoms = load_atoms()
    poor = solve_electrons(atoms, 8000.0, 4e23, share(Si=0.5, O=0.5))
    rich = solve_electrons(atoms, 8000.0, 4e23, share(Si=0.4, O=0.4, Na=0.2))
    silicon = atoms.index("Si")

    def ionised(densities: np.ndarray) -> float:
        return float(densities[1, silicon] / densities[:, silicon].sum())

    assert rich[0] > poor[0]
    assert ionised(rich[1]) < ionised(poor[1])


@pytest.mark.parametrize(
    ("symbol", "stage", "temperature", "levels"),
    # Energies in cm⁻¹ and weights of all levels that matter (NIST ASD, from memory).
    [
        ("Na", 1, 5000.0, [(0, 2), (16956, 2), (16973, 4), (25740, 2), (29173, 10), (30270, 6)]),
        ("Ca", 2, 8000.0, [(0, 2), (13650, 4), (13711, 6), (25192, 2), (25414, 4)]),
        ("Al", 1, 6000.0, [(0, 2), (112, 4), (25348, 2), (29020, 2), (29067, 4), (29143, 6),
                           (32436, 10), (32966, 6)]),
        ("Mg", 2, 10000.0, [(0, 2), (35669, 2), (35761, 4)]),
        ("Si", 1, 6000.0, [(0, 1), (77, 3), (223, 5), (6299, 5), (15394, 1), (33326, 5),
                           (39760, 9), (40992, 3)]),
    ],
)  # fmt: skip
def test_partition_functions_are_sums_over_levels(
    symbol: str, stage: int, temperature: float, levels: list[tuple[float, int]]
) -> None:
    atoms = load_atoms()
    ours = atoms.partition_functions(temperature)[stage - 1, atoms.index(symbol)]
    expected = sum(g * np.exp(-e * HC_K / temperature) for e, g in levels)
    # Irwin's polynomials fit his sums to about 1 %; the levels left out weigh less than 1 %.
    assert ours == pytest.approx(expected, rel=0.03)


def test_every_element_of_the_line_table_has_data() -> None:
    atoms = load_atoms()
    assert set(load_lines()["element"].tolist()) <= set(atoms.symbols)
    assert np.isfinite(atoms.ionisation_ev[0]).all()


def test_shares_must_sum_to_one() -> None:
    atoms = load_atoms()
    with pytest.raises(DataError, match=r"element shares sum to 0\.5, need 1"):
        solve_electrons(atoms, 1e4, 1e23, share(Na=1.0) / 2)
    with pytest.raises(DataError, match="need both positive"):
        solve_electrons(atoms, 0.0, 1e23, share(Na=1.0))

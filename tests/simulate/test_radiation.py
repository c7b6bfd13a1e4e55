"""The slab shines as textbooks say: profiles, Boltzmann plot, thin and thick limits."""

from functools import cache

import numpy as np
import pytest
from scipy.special import voigt_profile

from calib.lines import load_lines
from calib.simulate.plasma import HC_K, load_atoms, solve_electrons
from calib.simulate.radiation import (
    PlasmaState,
    SlabModel,
    planck,
    pseudo_voigt_parameters,
)


@cache
def model_of(element: str, first: float, last: float) -> SlabModel:
    lines = load_lines()
    return SlabModel([(first, last, 0.01)], lines[lines["element"] == element])


def state(element: str, amount: float, *, t: float = 10000.0, length: float = 1e-3) -> PlasmaState:
    """A trace of one element in nitrogen."""
    atoms = load_atoms()
    fractions = np.zeros(len(atoms.symbols))
    fractions[atoms.index(element)] = amount
    fractions[atoms.index("N")] = 1 - amount
    return PlasmaState(t, 4e23, fractions, length)


def area(model: SlabModel, spectrum: np.ndarray, centre: float, half: float) -> float:
    """Integral of a line above the straight line between its feet."""
    grid = model.grid
    inside = (grid > centre - half) & (grid < centre + half)
    x, y = grid[inside], spectrum[inside].astype(float)
    return float(np.trapezoid(y - np.interp(x, x[[0, -1]], y[[0, -1]]), x))


@pytest.mark.parametrize("ratio", [0.05, 0.2, 0.5, 1.0, 2.0, 5.0, 20.0])
def test_pseudo_voigt_is_near_the_voigt_function(ratio: float) -> None:
    gauss, lorentz = 1.0, ratio
    width, eta = pseudo_voigt_parameters(np.array([gauss]), np.array([lorentz]))
    x = np.linspace(-10, 10, 4001) * float(width[0])
    ours = eta * 2 / (np.pi * width) / (1 + 4 * x**2 / width**2) + (1 - eta) * 2 / width * np.sqrt(
        np.log(2) / np.pi
    ) * np.exp(-4 * np.log(2) * x**2 / width**2)
    exact = voigt_profile(x, gauss / 2.354820, lorentz / 2)
    # Thompson, Cox and Hastings state about 1 % of the peak.
    assert np.abs(ours - exact).max() < 0.015 * exact.max()


def test_planck_follows_wien_and_stefan() -> None:
    grid = np.linspace(50, 40000, 400_000)
    radiance = planck(grid, 6000.0)
    assert grid[np.argmax(radiance)] == pytest.approx(2897771.955 / 6000, rel=1e-3)  # nm K, CODATA
    assert np.pi * np.trapezoid(radiance, grid) == pytest.approx(5.670374e-8 * 6000.0**4, rel=2e-3)


def test_boltzmann_plot_gives_the_temperature() -> None:
    # Isolated Fe I lines from 0.9 to 6 eV, thin: ln(I λ / g A) falls as E_k/kT.
    wanted = [382.042, 404.581, 438.354, 427.176, 516.749, 526.954, 532.418, 561.564, 640.0, 492.05]
    lines = load_lines()
    iron = lines[(lines["element"] == "Fe") & (lines["stage"] == 1)]
    chosen = iron[[int(np.argmin(np.abs(iron["wavelength_air_nm"] - w))) for w in wanted]]
    model = SlabModel([(375.0, 650.0, 0.02)], chosen)
    spectrum = model.radiance(state("Fe", 1e-5, t=9500.0), thin=True)
    y = [
        np.log(area(model, spectrum, w, 0.6) * w / (g * a))
        for w, g, a in zip(chosen["wavelength_air_nm"], chosen["g_k"], chosen["A_ki"], strict=True)
    ]
    slope = np.polyfit(chosen["E_k"], y, 1)[0]
    assert -HC_K / slope == pytest.approx(9500.0, rel=0.02)


def test_saha_fractions_come_back_from_the_spectrum() -> None:
    """Mg II 280.27 over Mg I 285.21 nm gives n(Mg II)/n(Mg I), by Boltzmann's law."""
    model = model_of("Mg", 276.0, 290.0)
    plasma = state("Mg", 1e-7)
    spectrum = model.radiance(plasma, thin=True)
    atoms, place = load_atoms(), load_atoms().index("Mg")
    u = atoms.partition_functions(plasma.temperature_k)[:, place]
    upper = []
    for stage, wavelength in ((1, 285.213), (2, 280.270)):
        table = model.lines[model.lines["stage"] == stage]
        line = table[np.argmin(np.abs(table["wavelength_air_nm"] - wavelength))]
        level = area(model, spectrum, wavelength, 0.25) * wavelength / (line["A_ki"] * line["g_k"])
        boltzmann = np.exp(-line["E_k"] * HC_K / plasma.temperature_k)
        upper.append(level * u[stage - 1] / boltzmann)
    _, densities = solve_electrons(
        atoms, plasma.temperature_k, plasma.heavy_density_m3, plasma.fractions
    )
    expected = densities[1, place] / densities[0, place]
    assert upper[1] / upper[0] == pytest.approx(expected, rel=0.02)


def test_doubling_a_thin_element_doubles_its_line() -> None:
    model = model_of("Si", 285.0, 292.0)
    one, two = (
        area(model, model.radiance(state("Si", amount)), 288.158, 0.5) for amount in (1e-5, 2e-5)
    )
    assert two / one == pytest.approx(2.0, rel=0.005)


def test_a_thick_line_grows_like_the_square_root() -> None:
    """Damping part of the curve of growth: four times the path, twice the light."""
    model = model_of("Ca", 388.0, 402.0)
    plasma = state("Ca", 0.02)
    spectra = [
        model.radiance(PlasmaState(plasma.temperature_k, 4e23, plasma.fractions, length))
        for length in (0.5e-3, 2e-3)
    ]
    one, four = (area(model, spectrum, 393.366, 1.5) for spectrum in spectra)
    assert four / one == pytest.approx(2.0, rel=0.05)


def test_no_channel_outshines_a_black_body() -> None:
    model = model_of("Ca", 388.0, 402.0)
    plasma = state("Ca", 0.1, length=5e-3)
    spectrum = model.radiance(plasma)
    limit = planck(model.grid, plasma.temperature_k)
    assert (spectrum <= limit * (1 + 1e-5)).all()
    assert spectrum.max() > 0.99 * limit[np.argmax(spectrum)]


def test_stark_width_scales_with_electron_density() -> None:
    model = model_of("H", 640.0, 672.0)
    _, _, narrow, low = model._line_terms(state("H", 0.1, t=8000.0))
    _, _, wide, high = model._line_terms(state("H", 0.1, t=11000.0))
    # Gigosos et al. 2003: Hα's width grows as n_e^0.68
    assert wide[0] / narrow[0] == pytest.approx((high / low) ** 0.68, rel=1e-6)


def test_silicon_width_is_near_the_tabulated_one() -> None:
    # Griem 1974 (from memory): Si I 288.16 nm about 0.013 nm full width at 1e17 cm⁻³, 10 000 K
    model = model_of("Si", 285.0, 292.0)
    line = int(np.argmin(np.abs(model.lines["wavelength_air_nm"] - 288.158)))
    assert model._stark[line] == pytest.approx(0.013, rel=0.5)

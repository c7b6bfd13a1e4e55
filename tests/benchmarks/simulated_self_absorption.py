"""Why self-absorption does or does not cost a linear model: light before the detector, no noise.

    python tests/benchmarks/simulated_self_absorption.py

Plasmas of the simulator's standards, one state each (no shots, dust, distance, drift, noise or
full scale), with and without self-absorption (thick, thin), in three cases:

``one T and n_e``
    The same temperature, mass and electron density for all. A thin plasma's light is then linear
    in mole fractions, so PLS must predict mol% of Si without error from light not normalised; the
    error of SiO2 in wt% is what closure leaves (mole fractions to wt%).
``one T``
    Electron density follows from the composition by Saha's balance.
``matrix effect``
    Temperature and mass depend on the sample too.

Each with all channels, without channels near the strongest lines (optical depth above 3 in a
basalt or limestone, from the simulator itself; the same channels for thin and thick), and as
square root. RMSECV by calib.regress.pls, folds of whole families, smallest error over components.
Thin and thick are paired by family: thick less thin ± standard error (bootstrap); above zero,
self-absorption costs.

Before the table: optical depths, how a line's channel answers to temperature, and how much of a
spectrometer's light its brightest hundredth of channels holds, that is what its sum measures.
"""

from __future__ import annotations

import argparse
from unittest import mock

import numpy as np

from calib.regress.pls import cross_validate, deal_groups
from calib.simulate import radiation
from calib.simulate.ablation import Conditions, element_matrix, matrix_conditions, plasma_state
from calib.simulate.compositions import CLASSES, OXIDES, Target
from calib.simulate.instrument import Instrument, slices
from calib.simulate.plasma import Atoms, stage_fractions
from calib.simulate.standards import draw_targets

MAX_COMPONENTS = 40
FOLDS = 8
THICK = 3.0
ELECTRONS = 4e22  # m⁻³, of the order Saha's balance gives
LINES = (
    ("Ca", 393.366), ("Ca", 396.847), ("Ca", 422.673), ("Mg", 279.553), ("Mg", 285.213),
    ("Si", 251.611), ("Si", 288.158), ("Si", 390.552), ("Al", 396.152), ("Na", 588.995),
    ("K", 766.490), ("Fe", 259.940), ("Ti", 323.452), ("O", 777.194),
)  # fmt: skip
REST = Conditions(0.0, 0.0)


def one_density(
    atoms: Atoms, temperature_k: float, heavy_m3: float, fractions: np.ndarray
) -> tuple[float, np.ndarray]:
    """Stand in for Saha's balance: the same electron density whatever the composition."""
    return ELECTRONS, heavy_m3 * fractions * stage_fractions(atoms, temperature_k, ELECTRONS)


def depths(model: radiation.SlabModel, kind: str) -> np.ndarray:
    """Optical depth at each line's centre in a plasma of a rock class."""
    state = plasma_state(model.atoms, element_matrix(model.atoms), CLASSES[kind], REST)
    strength, doppler, lorentz, _ = model._line_terms(state)
    width, share = radiation.pseudo_voigt_parameters(doppler, lorentz)
    gauss = (1 - share) * 2 / width * np.sqrt(np.log(2) / np.pi)
    depth: np.ndarray = strength * (share * 2 / (np.pi * width) + gauss) * state.length_m
    return depth


def print_temperature(instrument: Instrument) -> None:
    """Print d ln I / d ln T on a line's channel, thin and thick, and what the sum consists of."""
    for kind in ("basalt", "limestone"):
        light = {}
        for thin in (True, False):
            for step in (-0.01, 0.0, 0.01):
                state = plasma_state(
                    instrument.model.atoms, element_matrix(instrument.model.atoms), CLASSES[kind],
                    Conditions(0.0, step),
                )  # fmt: skip
                radiance = instrument.model.radiance(state, thin=thin)[:, None]
                length = np.array([state.length_m])
                row = instrument.radiance_on_channels(radiance, length, np.zeros(3))[0]
                light[thin, step] = row.astype(np.float64) * instrument.response
        print(f"\n{kind}: d ln I / d ln T (thin, thick); light thin over thick")
        for element, near in LINES:
            channel = int(np.argmin(np.abs(instrument.wavelength - near)))
            one, two = (
                np.log(light[thin, 0.01][channel] / light[thin, -0.01][channel]) / 0.02
                for thin in (True, False)
            )
            ratio = light[True, 0.0][channel] / light[False, 0.0][channel]
            print(f"{element:3s} {near:9.3f} {one:6.2f} {two:6.2f} {ratio:8.2f}")
        for thin in (True, False):
            parts = [np.sort(light[thin, 0.0][part])[::-1] for part in slices()]
            share = [f"{part[: part.size // 100].sum() / part.sum():.2f}" for part in parts]
            print(f"brightest 1 % of channels, {'thin' if thin else 'thick'}: {', '.join(share)}")


def spectra(targets: list[Target], instrument: Instrument, *, matrix: bool) -> np.ndarray:
    """Light on channels, (thin and thick, standards, channels)."""
    model = instrument.model
    moles = element_matrix(model.atoms)
    rows = []
    for target in targets:
        sample = matrix_conditions(target.bulk, target.form, target.texture) if matrix else REST
        state = plasma_state(model.atoms, moles, target.bulk, sample)
        both = np.stack([model.radiance(state, thin=True), model.radiance(state)], axis=1)
        lengths = np.full(2, state.length_m)
        rows.append(instrument.radiance_on_channels(both, lengths, np.zeros(3)))
    light: np.ndarray = np.array(rows).transpose(1, 0, 2) * instrument.response
    return light


def normalise(light: np.ndarray, by: str) -> np.ndarray:
    """Divide each spectrometer by its mean; or all rows by one number."""
    X = light.astype(np.float64)
    if by == "nothing":
        return X / X.mean()
    for part in slices():
        X[:, part] /= X[:, part].mean(axis=1, keepdims=True)
    return X


def square_errors(X: np.ndarray, y: np.ndarray, family: np.ndarray) -> np.ndarray:
    """Out-of-fold squared errors at the component count of least RMSECV."""
    path = np.asarray(cross_validate(X, y[:, None], deal_groups(family, FOLDS), MAX_COMPONENTS))
    squares = (path[:, :, 0] - y) ** 2
    best: np.ndarray = squares[squares.mean(axis=1).argmin()]
    return best


def paired(thin: np.ndarray, thick: np.ndarray, family: np.ndarray) -> tuple[float, float]:
    """RMSECV thick less thin, and its standard error by bootstrap over families."""
    _, code = np.unique(family, return_inverse=True)
    size, one, two = (np.bincount(code, w) for w in (np.ones(code.size), thin, thick))
    rng = np.random.default_rng(0)
    pick = rng.integers(size.size, size=(4000, size.size))
    draws = [np.sqrt(s[pick].sum(axis=1) / size[pick].sum(axis=1)) for s in (one, two)]
    value = float(np.sqrt(thick.mean()) - np.sqrt(thin.mean()))
    return value, float((draws[1] - draws[0]).std(ddof=1))


def print_depths(model: radiation.SlabModel) -> np.ndarray:
    """Print optical depths; return the wavelengths of the strongest lines."""
    kinds = ("basalt", "rhyolite", "limestone")
    table = np.array([depths(model, kind) for kind in kinds])
    print("optical depth at line centre, sample at reference conditions\n"
          f"{'':15s}" + "".join(f"{kind:>11s}" for kind in kinds))  # fmt: skip
    lines = model.lines
    for element, near in LINES:
        own = np.flatnonzero(lines["element"] == element)
        line = own[np.argmin(np.abs(lines["wavelength_air_nm"][own] - near))]
        name = f"{element} {'I' * int(lines['stage'][line])}"
        print(f"{name:5s} {lines['wavelength_air_nm'][line]:9.3f}"
              + "".join(f"{depth:11.3f}" for depth in table[:, line]))  # fmt: skip
    print(f"lines of depth above 1: {(table > 1).sum(axis=1).tolist()} of {len(lines)}")
    strong: np.ndarray = lines["wavelength_air_nm"][(table[[0, 2]] > THICK).any(axis=0)]
    return strong


def main() -> None:
    """Run the comparison and print it."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", type=int, nargs="+", default=[1, 2])
    parser.add_argument("--standards", type=int, default=400)
    arguments = parser.parse_args()
    instrument = Instrument(np.random.default_rng(0))
    strong = print_depths(instrument.model)
    print_temperature(instrument)
    away = np.abs(instrument.wavelength[:, None] - strong).min(axis=1)
    keep = away > np.where(instrument.wavelength < 380, 0.5, 1.5)
    print(f"\n{strong.size} strong lines; {keep.sum()} of {keep.size} channels lie away from them")
    for seed in arguments.seeds:
        targets = [t for t in draw_targets(arguments.standards, seed) if t.use != "check"]
        compare(targets, instrument, keep, seed)


def compare(targets: list[Target], instrument: Instrument, keep: np.ndarray, seed: int) -> None:
    """Print the table of one seed."""
    family = np.array([t.family for t in targets])
    bulk = np.array([t.bulk for t in targets])
    atoms = instrument.model.atoms
    moles = bulk @ element_matrix(atoms)
    silicon = 100 * moles[:, atoms.index("Si")] / moles.sum(axis=1)
    silica = bulk[:, OXIDES.index("SiO2")]
    print(f"\nseed {seed}, {len(targets)} standards: RMSECV thin, thick; thick less thin")
    for case in ("one T and n_e", "one T", "matrix effect"):
        density = one_density if case == "one T and n_e" else radiation.solve_electrons
        with mock.patch.object(radiation, "solve_electrons", density):
            pair = spectra(targets, instrument, matrix=case == "matrix effect")
        for by in ("nothing", "sum"):
            full = [normalise(light, by) for light in pair]
            ways = {
                "all channels": full,
                "strongest lines out": [normalise(light * keep, by) for light in pair],
                "square root": [np.sqrt(np.maximum(X, 0)) for X in full],
            }
            for way, (thin, thick) in ways.items():
                text = f"{case:14s} over {by:8s} {way:20s}"
                for unit, y in (("wt% SiO2", silica), ("mol% Si", silicon)):
                    one, two = (square_errors(X, y, family) for X in (thin, thick))
                    value, error = paired(one, two, family)
                    text += f"  {unit} {np.sqrt(one.mean()):5.2f} {np.sqrt(two.mean()):5.2f}"
                    text += f" {value:+5.2f} ± {error:.2f}"
                print(text, flush=True)


if __name__ == "__main__":
    main()

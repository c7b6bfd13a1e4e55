"""The line table is complete, consistent with itself, and read lightly."""

import subprocess
import sys

import numpy as np
import pytest

from calib.errors import DataError
from calib.lines import GRADES, air_to_vacuum, lines_of, load_lines, refractivity, vacuum_to_air

ELEMENTS = [
    "Si",
    "Ti",
    "Al",
    "Fe",
    "Mg",
    "Ca",
    "Na",
    "K",
    "Mn",
    "P",
    "S",
    "Cr",
    "Ni",
    "Li",
    "Rb",
    "Sr",
    "Ba",
    "H",
    "C",
    "N",
    "O",
    "F",
    "Cl",
]
RITZ_NM = 0.008  # most memory wavelengths have 3 decimals; Si I 594.85 is off by 0.006


def test_at_least_350_lines_of_neutral_and_singly_ionised_species() -> None:
    lines = load_lines()
    assert len(lines) >= 350
    assert set(lines["stage"].tolist()) == {1, 2}
    assert lines["wavelength_air_nm"].min() >= 220
    assert lines["wavelength_air_nm"].max() <= 900


@pytest.mark.parametrize("element", ELEMENTS)
def test_every_rock_element_has_lines(element: str) -> None:
    assert len(lines_of(element)) >= 3


def test_wavelengths_are_those_of_the_levels() -> None:
    lines = load_lines()
    ritz = vacuum_to_air(1e7 / (lines["E_k"] - lines["E_i"]))
    off = np.abs(ritz - lines["wavelength_air_nm"])
    assert off.max() < RITZ_NM, lines[np.argmax(off)]
    assert np.quantile(off, 0.95) < 0.0012


def test_levels_lie_below_the_next_ionisation_limit() -> None:
    from calib.simulate.plasma import load_atoms

    # O I 715.67 nm ends on a level built on an excited ion core, above the first limit.
    above = {("O", 715.67)}
    atoms = load_atoms()
    for line in load_lines():
        if (line["element"], line["wavelength_air_nm"]) in above:
            continue
        limit = atoms.ionisation_ev[line["stage"] - 1, atoms.index(line["element"])] * 8065.544
        assert line["E_k"] < limit, line


def test_weights_probabilities_grades_and_sources_are_sensible() -> None:
    lines = load_lines()
    assert (lines["g_i"] >= 1).all()
    assert (lines["g_k"] >= 1).all()
    assert ((lines["A_ki"] >= 1e3) & (lines["A_ki"] < 2e9)).all()
    assert set(lines["grade"].tolist()) <= set(GRADES)
    known = ("Morton 2000", "Morton 2003", "from memory")
    assert all(any(each in source for each in known) for source in lines["source"].tolist())


def test_no_transition_stands_twice() -> None:
    lines = load_lines()
    keys = [
        (r["element"], int(r["stage"]), round(float(r["E_i"])), round(float(r["E_k"])),
         int(r["g_i"]), int(r["g_k"]))
        for r in lines
    ]  # fmt: skip
    assert len(set(keys)) == len(keys)


def test_levels_shared_by_lines_have_one_weight() -> None:
    """A slip of g or of a level shows as one energy with two weights, or nearly equal levels."""
    for element in ("Mg", "Ca", "Na", "K", "Si", "O"):
        weights: dict[tuple[int, float], set[int]] = {}
        for line in lines_of(element):
            for energy, weight in ((line["E_i"], line["g_i"]), (line["E_k"], line["g_k"])):
                weights.setdefault((int(line["stage"]), round(float(energy), 2)), set()).add(
                    int(weight)
                )
        assert all(len(each) == 1 for each in weights.values()), element


def test_selection_by_stage_and_range() -> None:
    chosen = lines_of("Ca", 2, (390, 400))
    assert chosen["wavelength_air_nm"].round(2).tolist() == [393.37, 396.85]


def test_an_unknown_element_is_named_with_what_there_is() -> None:
    with pytest.raises(DataError, match="element 'Xx': the line table has Al, Ba"):
        lines_of("Xx")


def test_the_table_is_read_only() -> None:
    with pytest.raises(ValueError, match="read-only"):
        load_lines()["A_ki"][0] = 0


def test_air_and_vacuum_are_inverse() -> None:
    air = np.linspace(220, 900, 1001)
    np.testing.assert_allclose(vacuum_to_air(air_to_vacuum(air)), air, rtol=1e-13)


def test_refractivity_of_standard_air_at_633_nm() -> None:
    # Ciddor 1996 as tabulated by metrology toolboxes: n = 1.000271800 at 20 °C, 101 325 Pa, dry
    # (from memory); to 15 °C by the ratio of densities, 293.15/288.15 × 1.00004.
    expected = 2.71800e-4 * 293.15 / 288.15 * 1.00004
    assert float(refractivity(633.0)) == pytest.approx(expected, abs=3e-8)


def test_lines_import_only_numpy() -> None:
    code = (
        "import sys, calib.lines; calib.lines.load_lines();"
        "print([m for m in ('pandas','scipy','sklearn','matplotlib') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"

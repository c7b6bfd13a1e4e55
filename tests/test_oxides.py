"""Formulas and totals."""

from __future__ import annotations

import pytest

from calib import oxides
from calib.errors import DataError


@pytest.mark.parametrize("text", ["", "octane", "SiO2x", "2SiO", "Si O2", "Xx", "SiO0"])
def test_what_is_no_formula_is_refused(text):
    assert not oxides.is_formula(text)
    with pytest.raises(DataError, match="expected element symbols"):
        oxides.parse_formula(text)


def test_conversion_between_elements_is_refused():
    with pytest.raises(DataError, match="found Si and Al, need two formulas of one element"):
        oxides.conversion_factor("SiO2", "Al2O3")


def test_total_counts_iron_once():
    assert oxides.summed(["SiO2", "FeO", "Fe2O3", "FeOT"]) == ["SiO2", "FeOT"]
    assert oxides.summed(["SiO2", "FeO", "Fe2O3"]) == ["SiO2", "FeO", "Fe2O3"]


def test_total_prefers_the_oxide_and_leaves_out_what_is_no_formula():
    assert oxides.summed(["Si", "SiO2", "octane", "CO2"]) == ["SiO2", "CO2"]


def test_total_iron_of_the_two_oxides():
    assert oxides.total_iron(0.0, 10.0) == pytest.approx(8.998, abs=1e-3)

"""Weights and factors against other tables."""

from __future__ import annotations

import warnings

import pytest

from calib import oxides

# Five figures: what is left of a standard atomic weight is below one in the fifth.
FIVE_FIGURES = 1e-4


def test_atomic_weights_equal_mendeleev():
    """Source: PyPI ``mendeleev``, which tabulates the IUPAC standard atomic weights."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # its database layer warns on some versions
        from mendeleev.fetch import fetch_table

        table = fetch_table("elements").set_index("symbol")["atomic_weight"]
    theirs = {symbol: float(table[symbol]) for symbol in oxides.ATOMIC_WEIGHT}
    assert pytest.approx(theirs, rel=FIVE_FIGURES) == oxides.ATOMIC_WEIGHT


@pytest.mark.parametrize(
    ("source", "target"),
    [
        ("Si", "SiO2"),
        ("Al", "Al2O3"),
        ("Ti", "TiO2"),
        ("Fe", "FeO"),
        ("Fe2O3", "FeO"),
        ("Mg", "MgO"),
        ("Ca", "CaO"),
        ("Na", "Na2O"),
        ("K", "K2O"),
        ("Mn", "MnO"),
        ("P", "P2O5"),
        ("Cr", "Cr2O3"),
    ],
)
def test_factors_equal_pyrolite(source, target):
    """Source: PyPI ``pyrolite``, ``pyrolite.geochem.transform.oxide_conversion``."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # deprecations of its own dependencies
        from pyrolite.geochem.transform import oxide_conversion

        theirs = oxide_conversion(source, target)(1.0)
    assert oxides.conversion_factor(source, target) == pytest.approx(theirs, rel=FIVE_FIGURES)


def test_total_iron_of_the_handbook():
    """0.8998 FeO in Fe2O3 is the factor of every rock-analysis handbook (from memory)."""
    assert oxides.conversion_factor("Fe2O3", "FeOT") == pytest.approx(0.8998, abs=5e-5)

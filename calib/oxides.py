"""Analytes of rocks: oxides and elements, molar masses, conversions and totals.

Atomic weights are the IUPAC conventional values (Prohaska et al. 2022, Pure Appl. Chem.
94:573, doi 10.1515/pac-2019-0603, abridged to five figures); ``tests/reference`` compares
every one with the ``mendeleev`` package.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping

from calib.errors import DataError

ATOMIC_WEIGHT: Mapping[str, float] = {
    "H": 1.0080, "Li": 6.94, "Be": 9.0122, "B": 10.81, "C": 12.011, "N": 14.007, "O": 15.999,
    "F": 18.998, "Na": 22.990, "Mg": 24.305, "Al": 26.982, "Si": 28.085, "P": 30.974,
    "S": 32.06, "Cl": 35.45, "Ar": 39.95, "K": 39.098, "Ca": 40.078, "Sc": 44.956,
    "Ti": 47.867, "V": 50.942, "Cr": 51.996, "Mn": 54.938, "Fe": 55.845, "Co": 58.933,
    "Ni": 58.693, "Cu": 63.546, "Zn": 65.38, "Ga": 69.723, "Ge": 72.630, "As": 74.922,
    "Br": 79.904, "Rb": 85.468, "Sr": 87.62, "Y": 88.906, "Zr": 91.224, "Nb": 92.906,
    "Mo": 95.95, "Ag": 107.87, "Cd": 112.41, "Sn": 118.71, "Sb": 121.76, "Cs": 132.91,
    "Ba": 137.33, "La": 138.91, "Ce": 140.12, "Nd": 144.24, "W": 183.84, "Pb": 207.2,
    "Bi": 208.98, "Th": 232.04, "U": 238.03,
}  # fmt: skip
"""Conventional atomic weight in g/mol of each element calib knows."""

_TOTAL_IRON = {"FeOT": "FeO", "Fe2O3T": "Fe2O3"}  # total iron reported as one oxide
_PART = re.compile(r"([A-Z][a-z]?)(\d*)")


def parse_formula(formula: str) -> dict[str, int]:
    """Count the atoms of a simple formula.

    Parameters
    ----------
    formula : str
        Element symbols with counts, as ``"Al2O3"``; ``FeOT`` and ``Fe2O3T`` are total iron.

    Returns
    -------
    dict of str to int
        Atoms of each element.

    Raises
    ------
    DataError
        If the text is no formula, or names an element calib has no weight for.

    Examples
    --------
    >>> parse_formula("Al2O3")
    {'Al': 2, 'O': 3}
    """
    plain = _TOTAL_IRON.get(formula, formula)
    atoms: dict[str, int] = {}
    position = 0
    for match in _PART.finditer(plain):
        symbol, count = match.group(1), int(match.group(2) or 1)
        if match.start() != position or symbol not in ATOMIC_WEIGHT or count == 0:
            break
        atoms[symbol] = atoms.get(symbol, 0) + count
        position = match.end()
    if position != len(plain) or not plain:
        raise DataError(f"formula {formula!r}: expected element symbols with counts, as 'Al2O3'")
    return atoms


def is_formula(name: str) -> bool:
    """Say whether `name` is an element or oxide calib can weigh."""
    try:
        parse_formula(name)
    except DataError:
        return False
    return True


def molar_mass(formula: str) -> float:
    """Molar mass in g/mol of an element or compound.

    Raises
    ------
    DataError
        If `formula` cannot be read.

    Examples
    --------
    >>> round(molar_mass("SiO2"), 3)
    60.083
    """
    return sum(ATOMIC_WEIGHT[symbol] * n for symbol, n in parse_formula(formula).items())


def cation(formula: str) -> str:
    """Return the element an oxide stands for (``"Fe"`` for ``"FeOT"``), or the element itself.

    Raises
    ------
    DataError
        If `formula` is neither an element nor an oxide of one element.
    """
    others = [symbol for symbol in parse_formula(formula) if symbol != "O"] or ["O"]
    if len(others) != 1:
        raise DataError(f"formula {formula!r}: expected an element or the oxide of one element")
    return others[0]


def conversion_factor(source: str, target: str) -> float:
    """Return what a wt% of `source` is multiplied by to be wt% of `target`, the same element.

    The factor is ``n_source M(target) / (n_target M(source))`` with n the atoms of the common
    element in each formula.

    Raises
    ------
    DataError
        If the two do not hold the same element.

    Examples
    --------
    >>> round(conversion_factor("Fe2O3", "FeOT"), 4)
    0.8998
    """
    element = cation(source)
    if cation(target) != element:
        raise DataError(
            f"conversion {source!r} to {target!r}: found {element} and {cation(target)}, "
            "need two formulas of one element"
        )
    atoms_source = parse_formula(source)[element]
    atoms_target = parse_formula(target)[element]
    return atoms_source * molar_mass(target) / (atoms_target * molar_mass(source))


def total_iron(feo: float, fe2o3: float) -> float:
    """Total iron as FeO, in wt%, from separately determined FeO and Fe2O3 in wt%.

    Examples
    --------
    >>> round(total_iron(8.0, 3.0), 3)
    10.699
    """
    return feo + fe2o3 * conversion_factor("Fe2O3", "FeOT")


def summed(analytes: Iterable[str]) -> list[str]:
    """Choose which of the analytes add up to a total, each element counted once.

    An oxide is preferred to its element, total iron to FeO and Fe2O3 apart; names that are
    no formula (``"octane"``) do not take part.

    Returns
    -------
    list of str
        The names to add, in the order given.
    """
    names = [name for name in analytes if is_formula(name)]
    present = set(names)
    kept: list[str] = []
    for name in names:
        try:
            element = cation(name)
        except DataError:
            kept.append(name)
            continue
        if name == element and any(
            other != name and element in parse_formula(other) for other in present
        ):
            continue
        if element == "Fe" and name != "FeOT" and "FeOT" in present:
            continue
        if element == "Fe" and name in {"FeO", "Fe2O3"} and "Fe2O3T" in present:
            continue
        kept.append(name)
    return kept

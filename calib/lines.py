"""Emission lines: which element emits where, and how strongly; air and vacuum wavelengths.

The table is ``data/lines.csv``: neutral and singly ionised species of the elements that rock
plasmas show between 220 and 900 nm. Each line names its source. Resonance lines are those of
Morton's compilations [1]_ [2]_, with the accuracy printed there; lines between excited levels
are written from memory of the NIST Atomic Spectra Database [3]_, say so, and their grade says
how far the transition probability may be trusted.

Only numpy and the standard library are imported, so that a frozen model can find lines too.

References
----------
.. [1] Morton D.C. 2003, ApJS 149, 205, doi 10.1086/377639.
.. [2] Morton D.C. 2000, ApJS 130, 403, doi 10.1086/317349.
.. [3] Kramida A. et al., NIST Atomic Spectra Database, doi 10.18434/T4W30F.
.. [4] Ciddor P.E. 1996, Applied Optics 35, 1566, doi 10.1364/AO.35.001566.
"""

from __future__ import annotations

import csv
from functools import cache
from importlib import resources
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calib.errors import DataError

FIELDS = [
    ("element", "U2"),
    ("stage", "i8"),
    ("wavelength_air_nm", "f8"),
    ("A_ki", "f8"),
    ("E_i", "f8"),
    ("E_k", "f8"),
    ("g_i", "i8"),
    ("g_k", "i8"),
    ("grade", "U3"),
    ("source", "U80"),
]
"""Columns of the table and their types; see `load_lines`."""

GRADES = {"AAA": 0.003, "AA": 0.01, "A": 0.03, "B": 0.10, "C": 0.25, "D": 0.50, "E": np.inf}
"""Largest relative error of A_ki that each grade stands for (NIST's scale, plain letters)."""


@cache
def load_lines() -> NDArray[Any]:
    """Read the line table.

    Returns
    -------
    structured ndarray of shape (lines,)
        Sorted by wavelength; read-only. Fields: ``element``; ``stage`` (1 neutral, 2 singly
        ionised); ``wavelength_air_nm``; ``A_ki``, transition probability in s⁻¹; ``E_i`` and
        ``E_k``, lower and upper level in cm⁻¹; ``g_i``, ``g_k``, their statistical weights;
        ``grade``, a key of `GRADES`; ``source``.

    Raises
    ------
    DataError
        If a row does not hold what its column needs.

    Examples
    --------
    >>> lines = load_lines()
    >>> len(lines) >= 350
    True
    """
    path = resources.files("calib") / "data" / "lines.csv"
    rows = []
    with path.open(encoding="utf-8") as stream:
        for number, row in enumerate(csv.DictReader(stream), start=2):
            try:
                rows.append(tuple(_CONVERT[kind[0]](row[name]) for name, kind in FIELDS))
            except (KeyError, TypeError, ValueError) as error:
                raise DataError(f"lines.csv row {number}: {error}") from None
    table = np.sort(np.array(rows, dtype=FIELDS), order="wavelength_air_nm")
    table.flags.writeable = False
    return table


_CONVERT: dict[str, Any] = {"U": str, "i": int, "f": float}


def lines_of(
    element: str, stage: int | None = None, range_nm: tuple[float, float] | None = None
) -> NDArray[Any]:
    """Select the lines of one element.

    Parameters
    ----------
    element : str
        Symbol, as ``"Fe"``.
    stage : {1, 2}, optional
        1 neutral, 2 singly ionised; both if not given.
    range_nm : (float, float), optional
        First and last air wavelength, nm, both included.

    Returns
    -------
    structured ndarray
        Rows of `load_lines`; empty if none is in range.

    Raises
    ------
    DataError
        If the table has no such element.

    Examples
    --------
    >>> lines_of("Na", 1, (589, 590))["wavelength_air_nm"].round(1).tolist()
    [589.0, 589.6]
    """
    lines = load_lines()
    keep = lines["element"] == element
    if not keep.any():
        known = ", ".join(sorted(set(lines["element"].tolist())))
        raise DataError(f"element {element!r}: the line table has {known}")
    if stage is not None:
        keep = keep & (lines["stage"] == stage)
    if range_nm is not None:
        wavelength = lines["wavelength_air_nm"]
        keep = keep & (wavelength >= range_nm[0]) & (wavelength <= range_nm[1])
    selected: NDArray[Any] = lines[keep]
    return selected


def refractivity(wavelength_vacuum_nm: ArrayLike) -> NDArray[np.float64]:
    """Refractive index of standard air less one (Ciddor 1996 [4]_, equation 1).

    Parameters
    ----------
    wavelength_vacuum_nm : array_like
        Vacuum wavelength in nm, 230 to 1690 for the stated accuracy of about 1e-8.

    Returns
    -------
    ndarray
        n − 1 of dry air at 15 °C, 101 325 Pa and 450 µmol/mol CO2.
    """
    # σ, wave number in µm⁻¹; k0…k3 of Ciddor 1996, appendix A.
    sigma2 = (1e3 / np.asarray(wavelength_vacuum_nm, dtype=np.float64)) ** 2
    return 1e-8 * (5792105.0 / (238.0185 - sigma2) + 167917.0 / (57.362 - sigma2))


def vacuum_to_air(wavelength_vacuum_nm: ArrayLike) -> NDArray[np.float64]:
    """Wavelength in standard air, nm, of a vacuum wavelength in nm (Ciddor 1996 [4]_).

    Examples
    --------
    >>> float(vacuum_to_air(589.7558).round(4))
    589.5924
    """
    vacuum = np.asarray(wavelength_vacuum_nm, dtype=np.float64)
    return vacuum / (1.0 + refractivity(vacuum))


def air_to_vacuum(wavelength_air_nm: ArrayLike) -> NDArray[np.float64]:
    """Vacuum wavelength, nm, of a wavelength in standard air in nm; inverse of `vacuum_to_air`.

    Solved by fixed-point iteration; each step gains about five digits.
    """
    air = np.asarray(wavelength_air_nm, dtype=np.float64)
    vacuum = air * (1.0 + refractivity(air))
    for _ in range(3):
        vacuum = air * (1.0 + refractivity(vacuum))
    return vacuum


def strength(lines: NDArray[Any], temperature_k: float = 10_000.0) -> NDArray[np.float64]:
    """Relative strength of lines in emission, comparable within one species only.

    g_k A_ki / λ · exp(−E_k / kT): the energy that a thin plasma in local thermodynamic equilibrium
    radiates in a line, up to a factor of the species (number density over partition function; e.g.
    Cremers & Radziemski, Handbook of LIBS, chapter 2, from memory).

    Parameters
    ----------
    lines : structured ndarray
        Rows of `load_lines`.
    temperature_k : float, default 10000
        Excitation temperature in K; rock plasmas lie around it (common practice, no source).

    Returns
    -------
    ndarray of shape (lines,)
    """
    thermal = 0.695034800 * temperature_k  # Boltzmann constant in cm⁻¹ per K, CODATA 2018
    emitted = lines["g_k"] * lines["A_ki"] / lines["wavelength_air_nm"]
    found: NDArray[np.float64] = emitted * np.exp(-lines["E_k"] / thermal)
    return found


def strong_lines(
    element: str, range_nm: tuple[float, float] | None = None, *, share: float = 0.01
) -> NDArray[Any]:
    """Select the lines of an element that have at least a share of the strongest of their species.

    Parameters
    ----------
    element : str
    range_nm : (float, float), optional
        First and last air wavelength, nm; the strongest is sought within it.
    share : float, default 0.01

    Returns
    -------
    structured ndarray
        Rows of `load_lines`, sorted by wavelength; empty if none is in range.

    Raises
    ------
    DataError
        If the table has no such element.

    Examples
    --------
    >>> strong_lines("Na", (580, 900))["wavelength_air_nm"].round(1).tolist()
    [589.0, 589.6, 818.3, 819.5]
    """
    lines = lines_of(element, range_nm=range_nm)
    keep = np.zeros(lines.size, dtype=bool)
    emitted = strength(lines)
    for stage in np.unique(lines["stage"]):
        mine = lines["stage"] == stage
        keep |= mine & (emitted >= share * emitted[mine].max())
    selected: NDArray[Any] = lines[keep]
    return selected

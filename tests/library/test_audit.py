"""Each finding of the audit on a library made wrong in that one way, and silence on a sound one."""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
import pytest

import calib
from calib.library import Description, LibraryWriter, Spectrometer, audit
from calib.library.audit import coverage, histogram
from tests.conftest import SPECTROMETERS, small_axis

AXIS = small_axis()


def build(folder, change=None, *, n=16, dtype=np.uint16, description=None):
    """A sound library of n standards; `change` gets (standards, bursts) and may spoil them."""
    rng = np.random.default_rng(5)
    silica = rng.permutation(np.linspace(44, 74, n))
    alumina = rng.permutation(np.linspace(8, 20, n))
    magnesia = rng.permutation(np.linspace(1, 6, n))
    soda, potash = (rng.permutation(np.linspace(1, 4, n)) for _ in range(2))
    rest = 99.5 - silica - alumina - magnesia - soda - potash
    while (rest < 0.5).any():
        magnesia = rng.permutation(magnesia)
        silica = np.where(rest < 0.5, silica - 8, silica)
        rest = 99.5 - silica - alumina - magnesia - soda - potash
    oxides = {"SiO2": silica, "Al2O3": alumina, "MgO": magnesia, "Na2O": soda, "K2O": potash,
              "CaO": rest}  # fmt: skip
    standards = pd.DataFrame({"standard": [f"S{i:02d}" for i in range(n)]})
    standards["family"] = standards["standard"]
    for name, values in oxides.items():
        standards[name] = [f"{v:.3f}" for v in values]
        standards[f"{name}_u"] = "0.01"
    base = 300 + 200 * np.sin(np.arange(AXIS.size) / 3)
    bursts = [
        {
            "counts": rng.poisson(base * rng.uniform(0.9, 1.1, AXIS.size) * np.ones((10, 1))) + 20,
            "burst": f"b{i}", "standard": name, "dark": 0,
            "use": "held-out" if i % 5 == 4 else "calibration",
        }
        for i, name in enumerate(standards["standard"])
    ]  # fmt: skip
    darks = rng.normal(20, 2, (2, AXIS.size))
    extra = {"darks": darks, "axis": AXIS.copy()}
    if change is not None:
        change(standards, bursts, extra)
    description = description or Description("Invented for tests", SPECTROMETERS)
    with LibraryWriter(folder / "lib", description, extra["axis"], dtype=dtype) as writer:
        writer.add_darks(extra["darks"])
        for each in bursts:
            counts = each.pop("counts")
            writer.add_burst(counts, **{k: v for k, v in each.items() if v is not None})
        writer.finish(standards)
    return calib.open_library(folder / "lib")


def test_a_sound_library_has_no_finding(tmp_path):
    assert audit(build(tmp_path)) == []


def total(standards, bursts, extra):
    standards.loc[2, "SiO2"] = "20"


def uncertain(standards, bursts, extra):
    standards.loc[2, "MgO_u"] = ""


def split(standards, bursts, extra):
    standards.loc[[3, 4], "family"] = "both"


def twin(standards, bursts, extra):
    standards.loc[5, standards.columns[2:]] = standards.loc[4, standards.columns[2:]]


def near_twin(standards, bursts, extra):
    twin(standards, bursts, extra)
    standards.loc[5, "MgO"] = f"{float(standards.loc[5, 'MgO']) + 0.02:.3f}"


def lonely(standards, bursts, extra):
    standards.loc[6, ["SiO2", "Al2O3", "MgO", "CaO"]] = ["4.0", "3.0", "70.0", "18.0"]


def thin(standards, bursts, extra):
    standards["MnO"] = ["0.1", "0.2", "0.3"] + [""] * (len(standards) - 3)


def gap(standards, bursts, extra):
    standards["Li"] = [f"{0.001 * i:.4f}" for i in range(15)] + ["0.1"]
    standards["Li_u"] = "0.0001"


def collinear(standards, bursts, extra):
    standards["Rb"] = [f"{float(k) / 1000 + 0.0001 * (i % 2):.5f}" for i, k in
                       enumerate(standards["K2O"])]  # fmt: skip
    standards["Rb_u"] = "0.0001"


def unused(standards, bursts, extra):
    bursts.pop(7)


def dead(standards, bursts, extra):
    for each in bursts:
        each["counts"][:, 33] = 50


def saturated(standards, bursts, extra):
    for each in bursts[:3]:
        each["counts"][:, 40:43] = 16383  # fourteen bits


def copied(standards, bursts, extra):
    bursts[9]["counts"] = bursts[2]["counts"].copy()


def scaled_copy(standards, bursts, extra):
    bursts[9]["counts"] = 3 * bursts[2]["counts"]


def unsteady(standards, bursts, extra):
    shots = bursts[4]["counts"]
    bursts[4]["counts"] = (shots * np.geomspace(0.02, 20, len(shots))[:, None]).astype(int)


def dark_drift(standards, bursts, extra):
    extra["darks"][1] += 50
    bursts[1]["dark"] = 1


def no_dark(standards, bursts, extra):
    bursts[1]["dark"] = None


def axis_stated(standards, bursts, extra):
    extra["axis"][:60] += 4


@pytest.mark.parametrize(
    ("change", "code", "severity", "place"),
    [
        (total, "total", "warning", "standard S02"),
        (uncertain, "no-uncertainty", "note", "column MgO"),
        (split, "split-family", "error", "family both"),
        (twin, "twin-standards", "warning", "standard S05"),
        (near_twin, "near-twin-standards", "warning", "standard S05"),
        (lonely, "lonely", "note", "standard S06"),
        (thin, "thin", "warning", "column MnO"),
        (gap, "coverage-gap", "note", "column Li"),
        (collinear, "collinear", "warning", "columns K2O and Rb"),
        (unused, "no-bursts", "note", "standard S07"),
        (dead, "dead-channel", "warning", "spectra.zarr"),
        (saturated, "saturated", "warning", "spectra.zarr"),
        (copied, "copied-spectra", "warning", "burst b9"),
        (scaled_copy, "copied-spectra", "warning", "burst b9"),
        (unsteady, "shots-disagree", "warning", "burst b4"),
        (dark_drift, "dark-drift", "note", "darks of spectrometer U"),
        (no_dark, "no-dark", "warning", "burst b1"),
        (axis_stated, "axis-stated", "warning", "spectrometer U"),
    ],
    ids=lambda value: getattr(value, "__name__", None),
)
def test_each_finding_is_made_where_it_belongs(tmp_path, change, code, severity, place):
    found = [each for each in audit(build(tmp_path, change)) if each.code == code]
    assert found, [each.code for each in audit(calib.open_library(tmp_path / "lib"))]
    assert found[0].severity == severity
    assert place in found[0].where
    assert found[0].found
    assert found[0].advice


def test_a_gap_within_a_spectrometer_is_named(tmp_path):
    one = Description("Invented", (Spectrometer("all", AXIS[0], AXIS[-1], AXIS.size),))
    found = audit(build(tmp_path, description=one))
    assert "axis-gap" in [each.code for each in found]


def test_lines_off_the_axis_are_named(tmp_path):
    from tests.preprocess.conftest import AXIS as FINE
    from tests.preprocess.conftest import N, lines

    names = tuple(
        Spectrometer(name, FINE[i * N], FINE[(i + 1) * N - 1], N) for i, name in enumerate("UBR")
    )
    rng = np.random.default_rng(0)
    with LibraryWriter(tmp_path / "lib", Description("Invented", names), FINE) as writer:
        for i in range(3):
            counts = rng.poisson(lines(1.8 if i == 1 else 0.1) * np.ones((4, 1)))
            writer.add_burst(counts, burst=f"b{i}", standard=f"s{i}")
        table = pd.DataFrame({"standard": ["s0", "s1", "s2"], "SiO2": ["50", "60", "70"]})
        writer.finish(table)
    found = [f for f in audit(calib.open_library(tmp_path / "lib")) if f.code == "axis-drift"]
    assert [f.where for f in found] == ["spectra.zarr, burst b1"] * 3
    assert "1.8 channels off the axis (1 bursts" in found[0].found


def test_coverage_is_numpy_s_histogram(tmp_path):
    library = build(tmp_path)
    counts, _ = coverage(library, bins=6)["SiO2"]
    training = library.select("calibration")["standard"]
    expected = np.histogram(library.values.loc[training, "SiO2"], 6)
    np.testing.assert_array_equal(counts, expected[0])
    assert histogram(np.array([0, 1, 8]), np.array([1.0, 2.0, 3.0, 4.0])).split()[1] == "·▁█"


def test_limits_can_be_set_and_spectra_left_out(tmp_path):
    library = build(tmp_path, dead)
    assert audit(library, total_limits=(80, 102), spectra=False) == []
    assert {each.code for each in audit(library, total_limits=(99.6, 102))} == {
        "total", "dead-channel"
    }  # fmt: skip


def test_the_command_prints_findings_coverage_and_json(tmp_path, calib):
    build(tmp_path, total)
    status, out, _ = calib("library", "audit", tmp_path / "lib")
    assert status == 0
    assert "warning total: standards.csv, standard S02: total is" in out
    assert "calibration standards over the range of each analyte" in out
    assert calib("library", "audit", tmp_path / "lib", "--strict")[0] == 1
    status, out, _ = calib("library", "audit", tmp_path / "lib", "--json", "--no-spectra")
    assert {"code", "severity", "where", "found", "advice"} == set(json.loads(out)[0])

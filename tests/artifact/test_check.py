"""The check fails when it should, and only then."""

from __future__ import annotations

import dataclasses
import json
import re
import xml.etree.ElementTree as ET

import numpy as np
import pandas as pd
import pytest
from safetensors.numpy import load_file, save_file

from calib.artifact import check, verdicts
from calib.artifact.check import Tolerances, read_tolerances
from calib.artifact.verdicts import Verdict
from calib.errors import SettingsError
from calib.preprocess.continuum import Continuum
from calib.preprocess.despike import Despike
from calib.validate.comparison import Comparison
from tests.artifact.conftest import reseal
from tests.conftest import QUICK, write_small_library


def passed(reference="small@1.0.0", **options) -> dict[str, bool]:
    _, found = check.check_artifact(reference, **options)
    return {verdict.name: verdict.passed for verdict in found}


def seventh_digit(folder, channel=None) -> None:
    """Change one coefficient of SiO2 by one in its seventh digit."""
    path = folder / "arrays.safetensors"
    arrays = load_file(path)
    b = arrays["SiO2/member0/coefficients"]
    at = np.argmax(np.abs(b)) if channel is None else channel
    b[at] += 10 ** (np.floor(np.log10(np.abs(b[at]))) - 6)
    save_file(arrays, path)


def test_a_coefficient_changed_in_the_seventh_digit_fails(small):
    seventh_digit(small)
    assert passed() == {"files": False}
    reseal(small)  # and the hashes made anew: the golden predictions still tell
    assert passed() == {"files": True, "golden predictions": False}


def test_most_coefficients_are_watched_by_the_golden_bursts(small):
    """Of those that are not zero; where the spectra are all but zero nothing can be seen."""
    path = small / "arrays.safetensors"
    sound, seen = path.read_bytes(), []
    for channel in np.flatnonzero(load_file(path)["SiO2/member0/coefficients"])[::6]:
        seventh_digit(small, channel)
        reseal(small)
        seen.append(not passed()["golden predictions"])
        path.write_bytes(sound)
    assert np.mean(seen) > 0.5


def test_a_dependency_that_changes_numbers_fails(small, monkeypatch):
    plain = Continuum.apply

    def other(self, counts, wavelength, shot=None):
        out = plain(self, counts, wavelength, shot)
        return out + 1e-8 * out.mean(axis=1, keepdims=True)

    assert all(passed().values())
    monkeypatch.setattr(Continuum, "apply", other)
    assert passed() == {"files": True, "golden predictions": False}
    assert all(passed(tolerances=Tolerances(golden=1e-3)).values())


def test_a_step_that_cannot_run_fails(small, monkeypatch):
    def broken(*_):
        raise ValueError("no such function in this version")

    monkeypatch.setattr(Continuum, "apply", broken)
    assert passed()["golden predictions"] is False


def despike_default(monkeypatch, k: float) -> None:
    """Change the default of a step's setting, as an edit of the code would."""
    plain = Despike.__init__

    def other(self, **settings):
        plain(self, **({"k": k} | settings))

    monkeypatch.setattr(Despike, "__init__", other)


def test_a_changed_default_reaches_no_model_that_says_its_setting(small, monkeypatch):
    despike_default(monkeypatch, 1.0)
    assert all(passed().values())


def test_a_changed_default_that_a_model_relies_on_fails(small, monkeypatch):
    path = small / "manifest.json"
    manifest = json.loads(path.read_text())
    step = next(s for s in manifest["preprocess"] if s["step"] == "despike")
    del step["k"]  # as in a model frozen before the setting was there
    path.write_text(json.dumps(manifest))
    assert all(passed().values())
    despike_default(monkeypatch, 0.5)
    assert passed() == {"files": True, "golden predictions": False}


def test_a_changed_default_fails_retraining(calib, small, experiment, monkeypatch):
    same = experiment('analytes = ["SiO2", "MgO"]\n' + QUICK)
    assert calib("check", "small@1.0.0", "--retrain", same)[0] == 0
    despike_default(monkeypatch, 9.0)
    status, out, _ = calib("check", "small@1.0.0", "--retrain", same)
    assert status == 1
    assert "FAIL  retrained preprocessing: step despike: k is 9.0, frozen 8.0" in out


@pytest.mark.parametrize("name", ["standards.csv", "bursts.csv"])
def test_a_library_row_edited_fails(calib, small, small_library, tmp_path, name):
    library = write_small_library(tmp_path / "edited")
    status, out, _ = calib("check", "small@1.0.0", "--library", library)
    assert (status, out.count("pass")) == (0, 5)
    table = pd.read_csv(library / name, dtype=str, keep_default_na=False)
    column = "MgO" if name == "standards.csv" else "distance_m"
    table.loc[3, column] = f"{float(table.loc[3, column]) + 1e-3:.3f}"
    table.to_csv(library / name, index=False, lineterminator="\n")
    status, out, _ = calib("check", "small@1.0.0", "--library", library)
    assert status == 1
    assert "FAIL  library" in out


def test_tolerances_are_read_by_analyte(tmp_path):
    path = tmp_path / "t.toml"
    path.write_text("golden = 1e-6\n[analytes]\nMgO = 0.1\n")
    found = read_tolerances(path, Tolerances(rmsep=0.03))
    assert (found.of("SiO2"), found.of("MgO"), found.golden) == (0.03, 0.1, 1e-6)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("rmsep = 2", "key 'rmsep' is 2, need a number from 0 to 1"),
        ("rmsep = true", "key 'rmsep' is True"),
        ("rmsep = nan", "key 'rmsep' is nan"),
        ("rmse = 0.1", "key 'rmse', need rmsep, golden"),
        ("analytes = 1", "key 'analytes'"),
        ("[analytes]\nMgO = 'x'", "key 'MgO' is 'x'"),
        ("[", "t.toml: "),
    ],
)
def test_tolerances_that_cannot_be_are_refused(tmp_path, text, message):
    path = tmp_path / "t.toml"
    path.write_text(text)
    with pytest.raises(SettingsError, match=re.escape(message)):
        read_tolerances(path)


def test_tolerances_decide(calib, small, small_library, tmp_path):
    """Certified values a little off: as much as a file may allow one analyte."""
    library = write_small_library(tmp_path / "moved")
    table = pd.read_csv(library / "standards.csv", dtype=str, keep_default_na=False)
    table["MgO"] = [f"{float(value) + 0.05:.3f}" if value else "" for value in table["MgO"]]
    table.to_csv(library / "standards.csv", index=False, lineterminator="\n")
    out = calib("check", "small@1.0.0", "--library", library, "--tolerance", "0")[1]
    assert "FAIL  RMSEP MgO" in out
    assert "pass  RMSEP SiO2" in out
    (tmp_path / "t.toml").write_text("rmsep = 0\n[analytes]\nMgO = 0.2\n")
    out = calib(
        "check", "small@1.0.0", "--library", library, "--tolerances", tmp_path / "t.toml"
    )[1]  # fmt: skip
    assert "pass  RMSEP MgO" in out


def pair(second: float, p: float) -> Comparison:
    return Comparison("SiO2", 1.0, second, second, 0.0, 0.0, p, 20, "")


@pytest.mark.parametrize(
    ("second", "p", "good"),
    [
        (1.0, 1.0, True),
        (1.01, 0.5, True),  # within the tolerance, by chance
        (1.01, 0.01, False),  # within it, but on standard after standard
        (1.5, 0.5, False),  # beyond it
        (0.5, 0.001, True),  # better
    ],
)
def test_a_model_trained_anew_is_judged_by_size_and_by_the_paired_test(small, second, p, good):
    model, _ = check.check_artifact("small@1.0.0")
    found = check.check_retrained(model, [pair(second, p)], Tolerances())
    assert [v.passed for v in found] == [good, False]  # MgO is not among them
    assert f"paired test p = {p:.2g} on 20 standards" in found[0].detail


def test_retraining_with_nothing_held_out_is_refused(calib, small, experiment, tmp_path):
    library = write_small_library(tmp_path / "all")
    text = (library / "bursts.csv").read_text().replace("held-out", "calibration")
    (library / "bursts.csv").write_text(text)
    file = experiment('analytes = ["SiO2", "MgO"]\n' + QUICK, library=library)
    status, _, err = calib("check", "small@1.0.0", "--retrain", file)
    assert status == 2
    assert "holds nothing out" in err


def test_reports_for_ci_servers(calib, small, tmp_path):
    (small / "card.html").write_text("<x>")
    files = ("--junit", tmp_path / "j.xml", "--markdown", tmp_path / "m.md")
    status, out, _ = calib("check", "small@1.0.0", *files, "--json")
    assert status == 1
    assert [v["passed"] for v in json.loads(out)] == [False]
    failure = ET.parse(tmp_path / "j.xml").getroot().find("testcase/failure")
    assert "card.html: SHA-256 is" in failure.get("message")
    text = (tmp_path / "m.md").read_text()
    assert text.startswith("## calib check small@1.0.0: 1 of 1 checks failed\n\n| | check |")
    status, _, err = calib("check", "small@1.0.0", "--markdown", tmp_path / "none" / "m.md")
    assert status == 2
    assert "no such folder" in err


def test_what_a_model_is_called_breaks_no_report():
    bad = [Verdict("a|b\n", False, "<script>\x00|\x1b")]
    ET.fromstring(verdicts.junit("m", bad))
    text = verdicts.markdown("m", bad)
    assert text.splitlines()[-1] == "| **FAIL** | a\\|b? | &lt;script>?\\|? |"


def test_verdicts_are_plain_data():
    assert verdicts.plain([Verdict("a", True, "b")]) == [
        dataclasses.asdict(Verdict("a", True, "b"))
    ]

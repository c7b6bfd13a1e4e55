"""The command line as a new user meets it: exit status, one-line errors, help."""

from __future__ import annotations

import json
import re
import shutil
import xml.etree.ElementTree as ET
from pathlib import Path

import pandas as pd
import pytest

from calib.cli import COMMANDS
from tests.conftest import QUICK


@pytest.fixture
def frozen(calib, trained, tmp_path, monkeypatch):
    monkeypatch.setenv("CALIB_MODELS", str(tmp_path / "models"))
    assert calib("freeze", trained, "small@1.0.0")[0] == 0
    return "small@1.0.0"


def test_without_arguments_it_says_what_to_do_first(calib):
    status, out, _ = calib()
    assert status == 0
    assert "calib library simulate" in out


@pytest.mark.parametrize("command", [*COMMANDS, "library import", "library audit"])
def test_every_command_explains_itself_in_80_columns(calib, command):
    status, out, _ = calib(*command.split(), "--help")
    assert status == 0
    assert len(out.splitlines()) > 6
    assert max(map(len, out.splitlines())) <= 80


def test_the_whole_job(calib, experiment, small_library, frozen, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    file = experiment('analytes = ["SiO2", "MgO"]\n' + QUICK)
    status, out, err = calib("train", file, "--out", "run", "--components")
    assert status == 0
    # RMSEP and RMSECV, each with its interval
    assert re.search(r"^SiO2( +\d\.\d\d+ +\d\.\d+–\d\.\d+){2} ", out, re.M)
    assert max(map(len, out.splitlines())) <= 80
    assert "cross-validation" in err
    assert calib("report", "run")[0] == 0
    assert "RMSEP" in Path("reports/run.html").read_text()
    assert calib("models")[1].splitlines()[1].startswith("small@1.0.0")
    assert "RMSEP" in calib("show", frozen)[1]
    assert calib("predict", frozen, small_library, "-o", "p.csv")[0] == 0
    table = pd.read_csv("p.csv")
    assert len(table) == 48
    assert table.columns[:7].tolist() == [
        "burst", "standard", "SiO2", "SiO2_u", "SiO2_low", "SiO2_high", "SiO2_flags",
    ]  # fmt: skip
    status, out, _ = calib("check", frozen, "--library", small_library, "--junit", "j.xml")
    assert status == 0
    assert out.count("pass") == 5
    suite = ET.parse("j.xml").getroot()
    assert (suite.get("tests"), suite.get("failures")) == ("5", "0")
    out = calib("compare", "run", "run")[1]
    assert re.search(r"^SiO2 .* 1\.00 +1\.0–1\.0 .*no difference shown$", out, re.M)
    assert max(map(len, out.splitlines())) <= 80


def test_intervals_are_of_the_level_asked(calib, frozen, small_library, tmp_path):
    widths = {}
    for level in ("0.5", "0.8"):
        to = tmp_path / f"{level}.csv"
        assert calib("predict", frozen, small_library, "-o", to, "--level", level)[0] == 0
        widths[level] = (table := pd.read_csv(to))["SiO2_high"] - table["SiO2"]
    assert (widths["0.8"] > widths["0.5"]).all()
    status, _, err = calib("predict", frozen, small_library, "-o", tmp_path / "o", "--level", "95")
    assert status == 2
    assert "'--level': 95" in err


def test_json_is_for_scripts(calib, experiment, frozen, tmp_path):
    file = experiment('analytes = ["SiO2"]\n' + QUICK)
    status, out, _ = calib("train", file, "--out", tmp_path / "r", "--json")
    assert status == 0
    assert json.loads(out)["analytes"]["SiO2"]["rmsep"] > 0
    assert json.loads(calib("models", "--json")[1])[0]["model"] == frozen
    assert json.loads(calib("show", frozen, "--json")[1])["name"] == "small"
    assert json.loads(calib("check", frozen, "--json")[1])[0]["passed"] is True


def test_dry_run_trains_nothing(calib, experiment, tmp_path):
    status, out, _ = calib("train", experiment(QUICK), "--out", tmp_path / "run", "--dry-run")
    assert status == 0
    assert "folds     4, dealt 2 time(s)" in out
    assert not (tmp_path / "run").exists()


@pytest.mark.parametrize(
    ("command", "message"),
    [
        ("train none.toml", "none.toml: no such experiment file"),
        ("train bad.toml", "bad.toml: key 'seed' is 'x'"),
        ("train far.toml", "nowhere: no such library; make one with 'calib library simulate"),
        ("freeze none a@1.0.0", "results.json: not found"),
        ("show a@1.0.0", "no frozen model a@1.0.0; there are: none"),
        ("show a", "need NAME@VERSION"),
        ("predict a@1.0.0 x.csv -o o.csv", "no frozen model a@1.0.0"),
        ("check a@1.0.0", "no frozen model a@1.0.0"),
        ("report none", "none: no such run folder, and no NAME@VERSION"),
        ("compare a b", "results.json: not found"),
        ("library audit none", "none: no such library"),
        ("library import none.csv lib", "none.csv: no such table"),
        ("library import bad.toml lib --axis 1:2", "need FIRST:LAST:COUNT"),
        ("library audit none --total 9:1", "need LOW:HIGH"),
        ("check a@1.0.0 --tolerance inf", "'--tolerance': inf is not in the range"),
        ("train", "Missing argument 'EXPERIMENT.toml'"),
        ("trian x", "No such command 'trian'"),
    ],
)
def test_what_is_wrong_is_one_line_and_status_2(calib, tmp_path, monkeypatch, command, message):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("CALIB_MODELS", "models")
    Path("bad.toml").write_text('library = "x"\nseed = "x"')
    Path("far.toml").write_text('library = "nowhere"')
    before = sorted(tmp_path.rglob("*"))
    status, out, err = calib(*command.split())
    assert status == 2
    assert out == ""
    assert message in err
    assert err.startswith("calib: ")
    assert len(err.strip().splitlines()) == 1
    assert sorted(tmp_path.rglob("*")) == before


def test_no_models_says_how_to_make_one(calib, tmp_path, monkeypatch):
    monkeypatch.setenv("CALIB_MODELS", str(tmp_path))
    assert "calib freeze RUN NAME@1.0.0" in calib("models")[1]


def test_a_failed_check_is_status_1(calib, frozen, tmp_path):
    path = tmp_path / "models" / "small" / "1.0.0" / "card.html"
    path.write_text("other")
    status, out, err = calib("check", frozen)
    assert status == 1
    assert out.startswith("FAIL  files")
    assert "1 of 1 checks failed" in err


def test_an_output_that_exists_is_not_overwritten(calib, frozen, small_library, tmp_path):
    (tmp_path / "o.csv").write_text("mine")
    status, _, err = calib("predict", frozen, small_library, "-o", tmp_path / "o.csv")
    assert status == 2
    assert "exists already" in err
    assert (tmp_path / "o.csv").read_text() == "mine"


def test_a_table_is_predicted_like_its_library(calib, frozen, small_library, tmp_path):
    import calib as package

    library = package.open_library(small_library)
    spectra = [library.counts(r)[5:].mean(axis=0) - library.dark(0) for r in (0, 1)]
    table = pd.DataFrame(spectra, columns=[f"{w!r}" for w in library.wavelength.tolist()])
    table.insert(0, "burst", ["one", "two"])
    table.to_csv(tmp_path / "t.csv", index=False)
    assert calib("predict", frozen, tmp_path / "t.csv", "-o", tmp_path / "o.csv")[0] == 0
    found = pd.read_csv(tmp_path / "o.csv")
    assert found["burst"].tolist() == ["one", "two"]
    assert calib("predict", frozen, small_library, "-o", tmp_path / "l.csv")[0] == 0
    whole = pd.read_csv(tmp_path / "l.csv")["SiO2"]
    assert found["SiO2"].tolist() == pytest.approx(whole[:2].tolist(), rel=1e-4)  # float32 darks


def test_a_wrong_rmsep_fails_the_check(calib, frozen, small_library, tmp_path):
    """Certified values of the held-out standards moved: the frozen RMSEP no longer holds."""
    target = tmp_path / "moved"
    shutil.copytree(small_library, target)
    table = pd.read_csv(target / "standards.csv", dtype=str, keep_default_na=False)
    table["SiO2"] = [f"{float(value) + 5:.3f}" for value in table["SiO2"]]
    table.to_csv(target / "standards.csv", index=False)
    status, out, _ = calib("check", frozen, "--library", target)
    assert status == 1
    assert "FAIL  RMSEP SiO2" in out
    assert "pass  RMSEP MgO" in out


def test_a_library_without_darks_is_flagged(calib, frozen, small_library, tmp_path):
    target = tmp_path / "undark"
    shutil.copytree(small_library, target)
    bursts = pd.read_csv(target / "bursts.csv", dtype=str, keep_default_na=False)
    bursts.loc[:9, "dark"] = ""
    bursts.to_csv(target / "bursts.csv", index=False)
    assert calib("predict", frozen, target, "-o", tmp_path / "o.csv")[0] == 0
    flags = pd.read_csv(tmp_path / "o.csv", keep_default_na=False)["SiO2_flags"]
    assert flags.str.contains("no-dark").tolist() == [True] * 10 + [False] * 38


def test_retraining_is_compared(calib, frozen, experiment):
    same = experiment('analytes = ["SiO2", "MgO"]\n' + QUICK)
    status, out, _ = calib("check", frozen, "--retrain", same)
    assert status == 0
    assert "pass  retrained MgO" in out
    worse = experiment('analytes = ["SiO2", "MgO"]\n' + QUICK + 'rule = "minimum"\n')
    worse.write_text(worse.read_text().replace("max_components = 6", "max_components = 1"))
    status, out, _ = calib("check", frozen, "--retrain", worse)
    assert status == 1
    assert "FAIL  retrained" in out


def test_audit_finds_and_strict_fails(calib, small_library, tmp_path):
    status, out, _ = calib("library", "audit", small_library)
    assert status == 0
    assert "no-uncertainty: standards.csv, column MgO" in out
    target = tmp_path / "bad"
    shutil.copytree(small_library, target)
    text = (target / "bursts.csv").read_text().splitlines()
    text[1] = text[1].replace("calibration", "held-out")
    (target / "bursts.csv").write_text("\n".join(text) + "\n")
    status, out, _ = calib("library", "audit", target, "--json")
    assert status == 1
    assert json.loads(out)[0]["code"] == "split-family"


SEARCH = """analytes = ["SiO2"]
[folds]
count = 4
repeats = 1
[models]
families = ["pls", "gaussian_process"]
[models.pls]
max_components = 4
[preprocess]
variants = {}
[validation]
permutations = 0
"""


def test_a_search_is_resumed_extended_and_the_same(calib, experiment, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    file = experiment(SEARCH)
    status, _, err = calib("train", file, "--resume")
    assert (status, "need --out RUN" in err) == (2, True)
    assert calib("train", file, "--out", "long", "--jobs", 1, "--trials", 6)[0] == 0
    assert calib("train", file, "--out", "run", "--jobs", 1, "--trials", 3)[0] == 0
    assert not Path(".run.search").exists()
    status, _, err = calib("train", file, "--out", "run", "--jobs", 1, "--trials", 6)
    assert (status, "run folder exists" in err) == (2, True)
    status, _, err = calib("train", file, "--out", "run", "--jobs", 2, "--trials", 6, "--resume")
    assert status == 0
    assert "trials: 7 in" in err

    def found(run):
        return pd.read_csv(Path(run) / "trials.csv").drop(columns="seconds")

    pd.testing.assert_frame_equal(found("run"), found("long"), check_exact=True)
    assert not Path(".run.search").exists()
    assert (Path("run") / "search" / "journal").is_file()
    status, _, err = calib("train", file, "--out", "run", "--resume", "--engine", "dask")
    assert (status, "--scheduler" in err) == (2, True)
    file.write_text(file.read_text().replace("count = 4", "count = 3"))
    status, _, err = calib("train", file, "--out", "run", "--resume")
    assert (status, "begun with another folds" in err) == (2, True)
    assert (Path("run") / "results.json").is_file()


READ_BY_SCRIPTS = [*(set(COMMANDS) - {"library"}), "library simulate", "library import",
                   "library audit"]  # fmt: skip


@pytest.mark.parametrize("command", sorted(READ_BY_SCRIPTS))
def test_every_command_prints_json_and_says_so(calib, command):
    assert "--json" in calib(*command.split(), "--help")[1]


def test_what_is_written_is_told_in_json(calib, trained, small_library, tmp_path, monkeypatch):
    monkeypatch.setenv("CALIB_MODELS", str(tmp_path / "models"))
    monkeypatch.chdir(tmp_path)
    told = json.loads(calib("freeze", trained, "told@1.0.0", "--json")[1])
    assert told["model"] == "told@1.0.0"
    assert Path(told["folder"]).is_dir()
    told = json.loads(calib("predict", "told@1.0.0", small_library, "-o", "o.csv", "--json")[1])
    assert (told["file"], told["rows"], told["analytes"]) == ("o.csv", 48, ["SiO2", "MgO"])
    told = json.loads(calib("export", "told@1.0.0", "--json")[1])
    assert Path(told["file"]).stat().st_size == told["bytes"]
    told = json.loads(calib("report", "told@1.0.0", "--json")[1])
    assert told["pictures"] == len(list(Path(told["figures"]).glob("*.png"))) > 10
    assert Path(told["report"]).is_file()


def test_the_pictures_of_a_run_land_beside_its_report(calib, trained, tmp_path):
    assert calib("report", trained, "-o", tmp_path / "r.html")[0] == 0
    drawn = sorted(path.name for path in (tmp_path / "r-figures").iterdir())
    assert drawn[0] == "01-coverage.pdf"
    assert all((tmp_path / "r-figures" / name).read_bytes()[:5] == b"%PDF-" for name in drawn)
    assert calib("report", trained, "-o", tmp_path / "s.html", "--no-figures")[0] == 0
    assert not (tmp_path / "s-figures").exists()


def test_tables_keep_to_80_columns():
    from calib.cli.console import scores_table

    entry = {
        "rmsep": 12.34, "rmsep_low": 10.12, "rmsep_high": 16.78, "rmsecv": 11.23,
        "rmsecv_low": 10.0, "rmsecv_high": 12.0, "rmsec": 10.11, "unit": "mg/kg",
        "n_standards": 1234, "n_held_out": 123, "family": "independent_components",
        "settings": {"n_components": 12},
    }  # fmt: skip
    shown = scores_table({"SiO2": entry, "an analyte with a long name": entry})
    assert max(map(len, shown.splitlines())) <= 80
    assert "12.3" in shown
    assert "indep" in shown

"""Freezing, loading, predicting and checking."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

import calib
from calib.artifact import check, sealing, store
from calib.artifact.runtime import Model
from calib.errors import ArtifactError, DataError, UsageError
from calib.experiment import open_run
from tests.conftest import small_axis


@pytest.fixture
def models(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("CALIB_MODELS", str(tmp_path / "models"))
    return tmp_path / "models"


@pytest.fixture
def frozen(models, trained):
    return calib.freeze(open_run(trained), "small@1.0.0")


def test_frozen_predictions_equal_the_trained(frozen, trained, small_library):
    library = calib.open_library(small_library)
    held_out = open_run(trained).table("held_out")
    for row in library.select("held-out").index[:4]:
        counts = library.counts(row)
        found = frozen.predict(counts[None], library.wavelength, dark=library.dark(0))
        expected = held_out[held_out["burst"] == library.bursts["burst"][row]]
        for name in ("SiO2", "MgO", "SiO2_u", "MgO_low", "MgO_high"):
            # the table is decimal text, which pandas before 3 reads to the last digit but one
            assert found[name].iloc[0] == pytest.approx(expected[name].iloc[0], rel=1e-14)


def test_a_frozen_model_is_found_by_name_and_by_path(frozen):
    assert calib.load("small@1.0.0").analytes == ("SiO2", "MgO")
    assert calib.load(frozen.path).name == "small@1.0.0"
    assert store.frozen() == [("small", "1.0.0")]


@pytest.mark.parametrize(
    ("reference", "message"),
    [
        ("small", "need NAME@VERSION"),
        ("Small@1.0.0", "need NAME@VERSION"),
        ("../x@1.0.0", "need NAME@VERSION"),
        ("small@1.0", "version is '1.0', need three numbers"),
        ("small@v1.0.0", "version is 'v1.0.0'"),
        ("small@01.0.0", "version is '01.0.0'"),
        ("small@1.0.0-a", "version is '1.0.0-a'"),
    ],
)
def test_names_and_versions_that_are_not_valid_are_refused(models, trained, reference, message):
    with pytest.raises(UsageError, match=message):
        calib.freeze(open_run(trained), reference)
    assert not models.exists()


def test_a_version_is_never_overwritten(frozen, trained):
    with pytest.raises(UsageError, match="never overwritten"):
        calib.freeze(open_run(trained), "small@1.0.0")


def test_other_analytes_need_a_new_major_version(frozen, trained, tmp_path):
    run = tmp_path / "other"
    shutil.copytree(trained, run)
    path = run / "model" / "manifest.json"
    manifest = json.loads(path.read_text())
    manifest["analytes"]["SiO2"]["unit"] = "ppm"
    path.write_text(json.dumps(manifest))
    with pytest.raises(
        UsageError, match=r"SiO2 in wt%.* then, SiO2 in ppm.* now\); raise the major"
    ):
        sealing.freeze(run / "model", "small@1.1.0", "")
    assert sealing.freeze(run / "model", "small@2.0.0", "").is_dir()


def test_a_missing_model_lists_what_there_is(frozen):
    with pytest.raises(ArtifactError, match=r"no frozen model small@3\.0\.0; there are: small@1"):
        calib.load("small@3.0.0")


def test_two_or_three_dimensions_are_spectra_or_bursts(frozen, small_library):
    library = calib.open_library(small_library)
    bursts = [library.counts(row) for row in (0, 1)]
    dark = library.dark(0)
    stacked = frozen.predict(np.stack(bursts), library.wavelength, dark=dark)
    listed = frozen.predict(bursts, library.wavelength, dark=dark)
    assert stacked.equals(listed)
    averaged = np.stack([(b[5:] - dark).mean(axis=0) for b in bursts])
    flat = frozen.predict(averaged, library.wavelength)
    np.testing.assert_allclose(flat["SiO2"], stacked["SiO2"], rtol=1e-4)  # darks are float32
    assert not flat["SiO2_flags"].str.contains("no-dark").any()
    undark = frozen.predict(np.stack(bursts), library.wavelength)
    assert undark["SiO2_flags"].str.contains("no-dark").all()
    assert not stacked["SiO2_flags"].str.contains("no-dark").any()


def test_predictions_do_not_depend_on_the_company(frozen, small_library):
    library = calib.open_library(small_library)
    rows = np.stack([library.counts(row).mean(axis=0) for row in range(20)])
    together = frozen.predict(rows, library.wavelength)
    for i in (0, 7, 19):
        alone = frozen.predict(rows[i], library.wavelength)
        assert alone["MgO"].iloc[0] == together["MgO"].iloc[i]


@pytest.mark.parametrize(
    ("axis", "message"),
    [
        (small_axis()[:-1], "found 179 channels .* needs 180"),
        (small_axis() + 1.0, r"channel 0 is 231\.0000 nm, small@1\.0\.0 needs 230\.0000 nm"),
        (small_axis()[::-1], "need an increasing axis"),
    ],
)
def test_another_axis_is_refused(frozen, axis, message):
    with pytest.raises(DataError, match=message):
        frozen.predict(np.ones(180), axis)


@pytest.mark.parametrize(
    ("counts", "message"),
    [
        (np.full(180, np.nan), "row 0, channel 0 is nan"),
        (np.ones(179), "found 179 channels, need 180"),
        (np.ones((2, 2, 2, 180)), "found shape"),
        (np.ones((1, 3, 180)), "found a burst of 3 shots, need more than the 5"),
        (np.array(["a"] * 180), "need real numbers"),
    ],
)
def test_counts_that_cannot_be_are_refused(frozen, counts, message):
    with pytest.raises(DataError, match=message):
        frozen.predict(counts, small_axis())


def test_predictions_out_of_range_are_flagged(frozen):
    line = np.exp(-0.5 * ((np.arange(180) - 75) / 1.2) ** 2)
    spectrum = 1.0 + 1e6 * line  # magnesium and nothing else
    table = frozen.predict(spectrum, small_axis())
    assert "outside-range" in table["MgO_flags"].iloc[0]


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda m: m.pop("interval_level"), "lack 'interval_level'"),
        (lambda m: m.pop("signal"), "lack 'signal'"),
        (lambda m: m["analytes"]["SiO2"].pop("range"), "lack 'range'"),
        (
            lambda m: m["analytes"]["SiO2"]["members"][0].update(arrays=["coefficients"]),
            "affine needs coeff",
        ),
        (
            lambda m: m["analytes"]["SiO2"]["members"][0].update(predictor="magic"),
            "unknown predictor 'magic'",
        ),
        (lambda m: m["analytes"]["SiO2"].update(combine="magic"), "unknown combination 'magic'"),
        (lambda m: m["analytes"]["SiO2"].update(branch=1), "branch is 1, need 0 to 0"),
        (lambda m: m["analytes"]["SiO2"].update(members=[]), "'single' of 0 members"),
        (lambda m: m["branches"].append([]), "found 2 branches and 1 domains"),
        (lambda m: m["spectrometers"].pop(), "spectrometers hold 120 channels"),
        (lambda m: m.update(interval_level="x"), "need a number between 0 and 1"),
    ],
)
def test_a_manifest_that_lacks_something_is_refused(trained, tmp_path, change, message):
    folder = tmp_path / "model"
    shutil.copytree(trained / "model", folder)
    manifest = json.loads((folder / "manifest.json").read_text())
    change(manifest)
    (folder / "manifest.json").write_text(json.dumps(manifest))
    with pytest.raises(ArtifactError, match=message):
        Model.open(folder)


def tamper(folder: Path, name: str) -> None:
    data = bytearray((folder / name).read_bytes())
    data[-5] ^= 1
    (folder / name).write_bytes(data)


@pytest.mark.parametrize("name", ["arrays.safetensors", "golden.safetensors", "card.html"])
def test_one_changed_bit_is_found(frozen, name):
    tamper(frozen.path, name)
    with pytest.raises(ArtifactError, match=f"{name}: SHA-256 is"):
        calib.load("small@1.0.0")
    model, verdicts = check.check_artifact("small@1.0.0")
    assert model is None
    assert [v.passed for v in verdicts] == [False]


def test_files_that_are_not_listed_are_refused(frozen):
    (frozen.path / "extra.py").write_text("")
    with pytest.raises(ArtifactError, match=r"extra\.py: not listed"):
        calib.load("small@1.0.0")


def test_an_unknown_schema_is_refused(frozen):
    path = frozen.path / "manifest.json"
    path.write_text(path.read_text().replace('"schema": 2', '"schema": 3'))
    with pytest.raises(ArtifactError, match="schema is 3, this calib reads 1 and 2"):
        calib.load("small@1.0.0")


def test_golden_predictions_hold_bit_for_bit(frozen):
    _, verdicts = check.check_artifact("small@1.0.0")
    assert [v.passed for v in verdicts] == [True, True]
    assert verdicts[1].detail == "3 bursts, bit for bit"


def test_a_step_that_changes_in_code_fails_the_golden_check(frozen, monkeypatch):
    from calib.preprocess.continuum import Continuum

    plain = Continuum.apply
    monkeypatch.setattr(Continuum, "apply", lambda *a: 1.001 * plain(*a) + 0.01)
    _, verdicts = check.check_artifact("small@1.0.0")
    assert [v.passed for v in verdicts] == [True, False]


def test_loading_and_predicting_need_no_training_stack(frozen, tmp_path):
    """Nothing but numpy, safetensors and what the steps need may be imported."""
    code = """
import sys, numpy as np, calib
model = calib.load(sys.argv[1])
model.predict_arrays(np.ones((1, 9, 180)) * np.arange(1, 181), model.wavelength)
heavy = {"sklearn", "pandas", "optuna", "matplotlib", "pydantic", "zarr", "jinja2", "click"}
print(sorted(heavy & set(sys.modules)))
"""
    done = subprocess.run(
        [sys.executable, "-c", code, str(frozen.path)],
        capture_output=True, text=True, check=True, env=os.environ, cwd=Path(__file__).parents[2],
    )  # fmt: skip
    assert done.stdout.strip() == "[]"

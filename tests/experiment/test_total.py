"""Oxides reconciled to their total, from the experiment file to the frozen model's table."""

from __future__ import annotations

import json
import shutil

import numpy as np
import pandas as pd
import pytest
from safetensors.numpy import load_file

import calib as package
from calib.artifact.runtime import Model
from calib.errors import ArtifactError, SettingsError
from calib.regress.composition import Total

QUICK = '[folds]\ncount = 4\nrepeats = 2\n[models]\nfamilies = ["pls"]\ntotal = true\n'


@pytest.fixture(scope="module")
def closed(small_library, tmp_path_factory):
    """A run that reconciles."""
    folder = tmp_path_factory.mktemp("closed")
    file = folder / "closed.toml"
    file.write_text(f'library = "{small_library}"\nanalytes = ["MgO", "SiO2"]\n{QUICK}')
    return package.train(file, folder / "run")


def test_held_out_table_holds_what_the_total_makes_of_the_predictions(closed):
    manifest = json.loads((closed.path / "model" / "manifest.json").read_text())
    arrays = load_file(closed.path / "model" / "arrays.safetensors")
    entry, table = manifest["total"], pd.read_csv(closed.path / "held_out.csv")
    names = entry["analytes"]
    assert names == ["MgO", "SiO2"]
    total = Total(entry["mean"], entry["sd"], arrays["total/correlation"])
    raw, error = table[names].to_numpy(), table[[f"{name}_u" for name in names]].to_numpy()
    assert (raw > 0).all()  # nothing was cut off at zero
    value, reduced = total.reconcile(raw, error)
    np.testing.assert_allclose(table[[f"{n}_reconciled" for n in names]], value, rtol=1e-9)
    np.testing.assert_allclose(table[[f"{n}_reconciled_u" for n in names]], reduced, rtol=1e-9)
    out = closed.results["totals"]["rmsep_reconciled"]
    expected = np.sqrt(np.mean((value[:, 0] - table["MgO_certified"]) ** 2))
    assert out["MgO"] == pytest.approx(expected)


def test_total_is_that_of_the_calibration_standards_with_every_oxide(closed, small_library):
    manifest = json.loads((closed.path / "model" / "manifest.json").read_text())
    table = pd.read_csv(small_library / "standards.csv", index_col="standard")
    use = pd.read_csv(small_library / "bursts.csv").drop_duplicates("standard")
    trains = use.loc[use["use"] == "calibration", "standard"]
    totals = table.loc[trains, ["SiO2", "MgO"]].dropna().sum(axis=1)
    assert manifest["total"]["mean"] == pytest.approx(totals.mean())
    assert manifest["total"]["sd"] == pytest.approx(totals.std())


def test_many_rows_are_reconciled_as_one(closed):
    model = Model.open(closed.path / "model")
    rng = np.random.default_rng(2)
    rows = 100 + 500 * rng.uniform(0, 1, (150, model.wavelength.size))  # more than a block
    together = model.predict_arrays(rows, model.wavelength).columns()
    for i in (0, 63, 64, 149):
        alone = model.predict_arrays(rows[i], model.wavelength).columns()
        for name in ("MgO", "SiO2"):
            for key in (f"{name}_reconciled", f"{name}_reconciled_u"):
                assert alone[key][0] == together[key][i]


def test_without_being_asked_nothing_is_reconciled(trained):
    assert "total" not in json.loads((trained / "model" / "manifest.json").read_text())
    assert not [c for c in pd.read_csv(trained / "held_out.csv") if "reconciled" in c]
    assert "rmsep_reconciled" not in package.open_run(trained).results["totals"]


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"sd": float("nan")}, "total: found .* sd nan; need finite numbers"),
        ({"analytes": ["MgO"]}, r"'correlation' of shape \(2, 2\).*one row an analyte"),
        ({"analytes": ["MgO", "FeOT"]}, "lack .*not in tuple|lack .*FeOT"),
        ({"mean": None}, "lack"),
    ],
)
def test_a_damaged_total_is_refused(closed, change, message):
    manifest = json.loads((closed.path / "model" / "manifest.json").read_text())
    arrays = load_file(closed.path / "model" / "arrays.safetensors")
    manifest["total"] |= change
    with pytest.raises(ArtifactError, match=message):
        Model(manifest, arrays)


def test_a_total_of_one_analyte_is_refused_before_any_work(experiment, tmp_path):
    file = experiment(f'analytes = ["SiO2"]\n{QUICK}')
    with pytest.raises(SettingsError, match=r"'models.total' is true: found 1 analytes .* need 2"):
        package.train(file, tmp_path / "run")


def test_a_total_that_few_standards_tell_is_refused_before_any_work(
    experiment, small_library, tmp_path
):
    library = shutil.copytree(small_library, tmp_path / "gaps")
    table = pd.read_csv(library / "standards.csv", dtype=str, keep_default_na=False)
    table.loc[12:, "MgO"] = ""  # of 0 to 11 two are held out and one has no MgO
    table.to_csv(library / "standards.csv", index=False)
    file = experiment(f'analytes = ["MgO", "SiO2"]\n{QUICK}', library=library)
    message = "found 9 calibration standards with MgO, SiO2 all certified, need 10"
    with pytest.raises(SettingsError, match=message):
        package.train(file, tmp_path / "run")

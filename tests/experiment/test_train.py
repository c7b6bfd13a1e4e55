"""Training from file to run folder: what is chosen, what is read, what is left behind."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import calib
from calib.errors import CalibWarning, DataError, UsageError
from calib.experiment import open_run, plan
from tests.conftest import QUICK


def test_results_hold_the_contract(trained):
    results = json.loads((trained / "results.json").read_text())
    assert results["schema"] == 1
    entry = results["analytes"]["SiO2"]
    assert entry["unit"] == "wt%"
    assert entry["family"] == "pls"
    assert entry["n_standards"] == 20
    assert entry["n_held_out"] == 4
    assert results["analytes"]["MgO"]["n_standards"] == 19  # one is not certified
    assert 0 < entry["rmsep_low"] <= entry["rmsep"] <= entry["rmsep_high"]
    assert {"rmsec", "rmsecv", "bias", "sep"} <= set(entry)
    assert entry["r2"] > 0.5


def test_rmsep_is_that_of_the_predictions_in_the_table(trained):
    run = open_run(trained)
    table = run.table("held_out")
    error = table["MgO"] - table["MgO_certified"]
    assert run.analytes["MgO"]["rmsep"] == pytest.approx(float(np.sqrt((error**2).mean())))


def test_held_out_standards_beyond_the_range_are_counted_and_left_out_of_a_second_rmsep(trained):
    run = open_run(trained)
    table, entry = run.table("held_out"), run.analytes["SiO2"]
    beyond = ~table["SiO2_certified"].between(*entry["range"])
    assert entry["n_held_out_beyond_range"] == table["standard"][beyond].nunique()
    error = (table["SiO2"] - table["SiO2_certified"])[~beyond]
    assert entry["rmsep_in_range"] == pytest.approx(float(np.sqrt((error**2).mean())))


def test_rmsecv_is_that_of_the_out_of_fold_table(trained):
    run = open_run(trained)
    table = run.table("out_of_fold")
    error = table["SiO2"] - table["SiO2_certified"]
    assert run.analytes["SiO2"]["rmsecv"] == pytest.approx(float(np.sqrt((error**2).mean())))


def test_predictions_have_the_columns_of_the_contract(trained):
    columns = open_run(trained).table("held_out").columns.tolist()
    expected = ["burst", "standard"]
    for name in ("SiO2", "MgO"):
        expected += [name, f"{name}_u", f"{name}_low", f"{name}_high", f"{name}_flags"]
    assert columns[: len(expected)] == expected


def test_no_family_is_on_both_sides_of_a_split(trained):
    folds = open_run(trained).table("folds")
    assert folds.groupby("family")["use"].nunique().eq(1).all()
    calibration = folds[folds["use"] == "calibration"]
    for column in ("fold_1", "fold_2"):
        assert calibration.groupby("family")[column].nunique().eq(1).all()
    assert calibration["fold_1"].ne(calibration["fold_2"]).any()


def test_same_experiment_gives_the_same_numbers(experiment, tmp_path):
    file = experiment('analytes = ["SiO2"]\n' + QUICK)
    one, two = (calib.train(file, tmp_path / name) for name in ("one", "two"))
    assert one.results == two.results
    for name in ("held_out.csv", "out_of_fold.csv", "model/arrays.safetensors"):
        assert (one.path / name).read_bytes() == (two.path / name).read_bytes()


def poison(library: Path, target: Path) -> Path:
    """Copy a library with noise in place of every held-out count and absurd certified values."""
    import zarr

    shutil.copytree(library, target)
    opened = calib.open_library(target)
    group = zarr.open_group(target / "spectra.zarr", mode="r+")
    for row in opened.select("held-out").itertuples():
        noise = np.random.default_rng(row.first_row).integers(1, 60000, (row.shots, 180))
        group["counts"][row.first_row : row.first_row + row.shots] = noise
    table = pd.read_csv(target / "standards.csv", dtype=str, keep_default_na=False)
    held = table["standard"].isin(opened.select("held-out")["standard"])
    table.loc[held, "SiO2"] = "1.5"
    table.to_csv(target / "standards.csv", index=False)
    return target


def test_poisoned_held_out_standards_change_nothing_in_the_model(
    small_library, experiment, tmp_path
):
    text = 'analytes = ["SiO2", "MgO"]\n' + QUICK
    clean = calib.train(experiment(text), tmp_path / "clean")
    bad = poison(small_library, tmp_path / "poisoned")
    other = calib.train(experiment(text, library=bad), tmp_path / "bad")
    for name in ("out_of_fold.csv", "model/arrays.safetensors"):
        assert (clean.path / name).read_bytes() == (other.path / name).read_bytes()
    assert other.analytes["SiO2"]["rmsep"] > 5 * clean.analytes["SiO2"]["rmsep"]


def test_poisoned_fold_does_not_leak_into_its_own_predictions(small_library, experiment, tmp_path):
    """Absurd certified values of one family must leave its own out-of-fold predictions alone."""
    text = 'analytes = ["MgO"]\n[folds]\ncount = 4\nrepeats = 1\n'
    text += '[models]\nfamilies = ["pls"]\n[models.pls]\nmax_components = 1\n'
    text += 'rule = "minimum"\n'
    # folds are dealt by MgO: the poison keeps the order, and with it the folds
    clean = calib.train(experiment(text), tmp_path / "clean")
    known = clean.table("out_of_fold").dropna(subset=["MgO_certified"])
    family = calib.open_library(small_library).standards["family"]
    means = known.groupby(known["standard"].map(family))["MgO_certified"].mean()
    members = family.index[family == means.idxmax()]
    target = tmp_path / "poisoned"
    shutil.copytree(small_library, target)
    table = pd.read_csv(target / "standards.csv", dtype=str, keep_default_na=False)
    table.loc[table["standard"].isin(members), "MgO"] = "25"  # still the largest
    table.to_csv(target / "standards.csv", index=False)
    other = calib.train(experiment(text, library=target), tmp_path / "bad")
    assert clean.analytes["MgO"]["settings"] == other.analytes["MgO"]["settings"]
    a, b = clean.table("out_of_fold"), other.table("out_of_fold")
    mine = a["standard"].isin(members)
    np.testing.assert_array_equal(a.loc[mine, "MgO"], b.loc[mine, "MgO"])
    assert (a.loc[~mine, "MgO"] != b.loc[~mine, "MgO"]).any()


@pytest.fixture
def unmarked(small_library, tmp_path):
    """A copy of the library in which nothing is marked as held out."""
    target = tmp_path / "unmarked"
    shutil.copytree(small_library, target)
    text = (target / "bursts.csv").read_text().replace("held-out", "calibration")
    (target / "bursts.csv").write_text(text)
    return target


def test_a_share_cannot_be_chosen_over_what_the_library_marks(experiment):
    with pytest.raises(DataError, match="need 'library': a marked burst never trains"):
        plan(experiment("[folds]\ncount = 4\nheld_out = 0.25"))


def test_a_share_can_be_held_out(experiment, unmarked):
    decided = plan(experiment("[folds]\ncount = 4\nheld_out = 0.25", library=unmarked))
    families = decided.families(decided.held_out)
    assert len(set(families)) == round(0.25 * 22)
    assert set(families).isdisjoint(decided.families(decided.calibration))


def test_more_folds_than_families_is_refused(experiment):
    with pytest.raises(DataError, match=r"'folds.count' is 30, need 2 to 18, the families"):
        plan(experiment("[folds]\ncount = 30"))


def test_leave_one_out_leaves_a_family_out(experiment):
    decided = plan(experiment('[folds]\ncount = "leave-one-out"'))
    assert decided.folds.shape == (1, 40)
    assert decided.folds.max() + 1 == 18


def test_a_thin_analyte_is_skipped_with_a_warning(small_library, tmp_path):
    target = tmp_path / "thin"
    shutil.copytree(small_library, target)
    table = pd.read_csv(target / "standards.csv", dtype=str, keep_default_na=False)
    table.loc[7:, "MgO"] = ""
    table.to_csv(target / "standards.csv", index=False)
    (tmp_path / "e.toml").write_text(f'library = "thin"\nanalytes = ["SiO2", "MgO"]\n{QUICK}')
    with pytest.warns(CalibWarning, match="MgO: certified for 6 calibration standards, need 8"):
        run = calib.train(tmp_path / "e.toml", tmp_path / "run")
    assert list(run.analytes) == ["SiO2"]


def test_an_analyte_of_one_family_is_skipped_by_name(small_library, tmp_path):
    target = tmp_path / "one"
    shutil.copytree(small_library, target)
    table = pd.read_csv(target / "standards.csv", dtype=str, keep_default_na=False)
    table.loc[:9, "family"] = "base"
    table.loc[10:, "MgO"] = ""
    table.loc[9, "MgO"] = "4"
    table.to_csv(target / "standards.csv", index=False)
    (tmp_path / "e.toml").write_text('library = "one"\n[folds]\nheld_out = "library"\n')
    text = (target / "bursts.csv").read_text().replace("held-out", "calibration")
    (target / "bursts.csv").write_text(text)
    decided = plan(tmp_path / "e.toml")
    assert "MgO: its 10 calibration standards are fewer than 3 families" in decided.skipped[0]


def test_a_rare_analyte_does_not_cap_the_others(small_library, tmp_path):
    target = tmp_path / "rare"
    shutil.copytree(small_library, target)
    table = pd.read_csv(target / "standards.csv", dtype=str, keep_default_na=False)
    table["K2O"] = ["1", "2", "3", "4", "", "", "7", "8", "9", "1.5", *[""] * 14]
    table.to_csv(target / "standards.csv", index=False)
    text = (
        "[folds]\ncount = 4\nrepeats = 1\n"
        '[models]\nfamilies = ["pls"]\n[models.pls]\nmax_components = 15\n'
        '[preprocess]\nsteps = ["dark", "drop_shots", "average"]\n'
    )
    counts = []
    for name, analytes in (("alone", '["SiO2"]'), ("both", '["SiO2", "K2O"]')):
        (tmp_path / "e.toml").write_text(f'library = "rare"\nanalytes = {analytes}\n{text}')
        run = calib.train(tmp_path / "e.toml", tmp_path / name)
        counts.append(run.analytes["SiO2"]["settings"])
    assert counts[0] == counts[1]
    assert counts[1]["max_components"] == 15
    assert run.analytes["K2O"]["settings"]["max_components"] < 15


def test_nothing_held_out_is_said_and_gives_no_rmsep(experiment, unmarked, tmp_path):
    file = experiment('analytes = ["SiO2"]\n' + QUICK, library=unmarked)
    with pytest.warns(CalibWarning, match="nothing is held out"):
        run = calib.train(file, tmp_path / "run")
    assert run.analytes["SiO2"]["rmsep"] is None
    assert "not held out" in repr(run)


def test_a_family_on_both_sides_is_refused(small_library, tmp_path):
    target = tmp_path / "split"
    shutil.copytree(small_library, target)
    text = (target / "bursts.csv").read_text().splitlines()
    text[1] = text[1].replace("calibration", "held-out")
    (target / "bursts.csv").write_text("\n".join(text) + "\n")
    (tmp_path / "e.toml").write_text('library = "split"')
    with pytest.raises(DataError, match="family 'F00' has bursts for calibration and held-out"):
        plan(tmp_path / "e.toml")


def test_an_existing_run_folder_is_refused(experiment, tmp_path):
    (tmp_path / "run").mkdir()
    with pytest.raises(UsageError, match="run folder exists"):
        calib.train(experiment(), tmp_path / "run")


def test_a_place_that_cannot_be_written_is_found_before_the_work(experiment, tmp_path):
    (tmp_path / "file").write_text("")
    stages = []
    with pytest.raises(OSError, match="file"):
        calib.train(
            experiment('analytes = ["SiO2"]'), tmp_path / "file" / "run",
            report=lambda *stage: stages.append(stage),
        )  # fmt: skip
    assert stages == []


def test_a_failed_training_leaves_nothing(experiment, tmp_path):
    file = experiment(
        'analytes = ["SiO2"]\n'
        + '[preprocess]\nsteps = [{step = "drop_shots", first = 7}, "average"]\n'
        + QUICK
    )
    with pytest.raises(DataError, match=r"burst 'T00-1\.5': .*found a burst of 7 shots"):
        calib.train(file, tmp_path / "run")
    assert not list(tmp_path.glob("*run*"))


def test_an_analyte_the_library_lacks_is_refused(experiment):
    with pytest.raises(DataError, match=r"no column 'Pu', which the experiment asks for"):
        plan(experiment('analytes = ["Pu"]'))


def test_counts_that_are_not_finite_are_named_and_leave_nothing(tmp_path):
    rng = np.random.default_rng(5)
    table = pd.DataFrame(rng.uniform(1, 2, (12, 6)), columns=[f"{400 + i}" for i in range(6)])
    table.insert(0, "SiO2", rng.uniform(40, 70, 12).round(2))
    table.insert(0, "standard", [f"s{i}" for i in range(12)])
    table.to_csv(tmp_path / "t.csv", index=False)
    calib.import_table(tmp_path / "t.csv", tmp_path / "lib")
    import zarr

    zarr.open_group(tmp_path / "lib" / "spectra.zarr", mode="r+")["counts"][3, 2] = np.inf
    (tmp_path / "e.toml").write_text('library = "lib"\n[folds]\nheld_out = 0.2\ncount = 3\n')
    with pytest.raises(DataError, match="burst 'b00004', shot 0, channel 2 is inf"):
        calib.train(tmp_path / "e.toml", tmp_path / "run")
    assert not list(tmp_path.glob("*run*"))


def test_without_averaging_shots_train_and_bursts_are_tested(experiment, tmp_path):
    steps = '[preprocess]\nsteps = ["dark", "drop_shots", "normalise"]\n'
    run = calib.train(experiment('analytes = ["MgO"]\n' + steps + QUICK), tmp_path / "run")
    assert run.analytes["MgO"]["n_spectra"] == 38 * 2
    assert run.analytes["MgO"]["n_held_out_spectra"] == 8


def test_rmsec_is_the_error_on_the_training_bursts(trained, small_library):
    run, library = open_run(trained), calib.open_library(small_library)
    rows = library.select("calibration").index
    found = run.model.predict(
        [library.counts(row) for row in rows], library.wavelength, dark=library.dark(0)
    )
    certified = library.values.loc[library.bursts["standard"][rows], "MgO"].to_numpy()
    expected = np.sqrt(np.nanmean((found["MgO"].to_numpy() - certified) ** 2))
    # a burst predicted alone and among others differs by rounding only
    assert run.analytes["MgO"]["rmsec"] == pytest.approx(expected, rel=1e-9)


def test_coverage_is_counted_in_the_held_out_table(trained):
    run = open_run(trained)
    table = run.table("held_out")
    for name in ("SiO2", "MgO"):
        inside = (table[f"{name}_low"] <= table[f"{name}_certified"]) & (
            table[f"{name}_certified"] <= table[f"{name}_high"]
        )
        assert run.analytes[name]["coverage"] == pytest.approx(inside.mean())


def test_nested_estimate_is_its_own(trained):
    for entry in open_run(trained).analytes.values():
        assert entry["rmsecv_nested"] > 0
        assert entry["rmsecv_nested"] != pytest.approx(entry["rmsecv"], rel=1e-6)

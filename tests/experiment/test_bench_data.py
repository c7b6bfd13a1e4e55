"""What the bench shows of a run: the run's own numbers, and refits that equal plain ones."""

from __future__ import annotations

import shutil

import numpy as np
import pytest
from sklearn.cross_decomposition import PLSRegression

import calib as package
from calib.errors import DataError
from calib.experiment import open_run
from calib.experiment.bench_data import BenchRun


@pytest.fixture(scope="module")
def bench(trained):
    return BenchRun(open_run(trained))


def plain_refit(bench, analyte, dropped):
    """RMSECV of the standards that stay, by scikit-learn, one fit a fold."""
    X, _ = bench._training(0)
    folds = bench.run.table("folds").query("use == 'calibration'").reset_index(drop=True)
    table = bench.run.table("out_of_fold").query("repeat == 1").set_index("burst")
    y = table[f"{analyte}_certified"].reindex(folds["burst"]).to_numpy()
    stays = ~folds["standard"].isin(dropped).to_numpy() & np.isfinite(y)
    found = {}
    for fold in np.unique(folds["fold_1"]):
        inside = (folds["fold_1"] == fold).to_numpy()
        model = PLSRegression(bench.run.analytes[analyte]["settings"]["n_components"], scale=False)
        model.fit(X[~inside & stays], y[~inside & stays])
        found[fold] = model.predict(X).ravel()
    predicted = np.array([found[f][i] for i, f in enumerate(folds["fold_1"])])
    error = float(np.sqrt(np.mean((predicted - y)[stays] ** 2)))
    return error, predicted, folds["standard"].to_numpy()


@pytest.mark.parametrize("analyte", ["SiO2", "MgO"])
def test_a_refit_without_standards_is_that_of_scikit_learn(bench, analyte):
    """sklearn.cross_decomposition.PLSRegression, refitted in every fold."""
    dropped = {"T00", "T08"}
    found = bench.refit(analyte, dropped)
    error, predicted, standards = plain_refit(bench, analyte, dropped)
    assert found.after == pytest.approx(error, rel=1e-8)
    assert [name for name, _, _ in found.dropped] == ["T00", "T08"]
    for name, _, mean in found.dropped:
        assert mean == pytest.approx(predicted[standards == name].mean(), rel=1e-8)


def test_without_a_drop_nothing_changes(bench):
    found = bench.refit("SiO2", [])
    assert found.after == found.before == pytest.approx(plain_refit(bench, "SiO2", [])[0], rel=1e-8)


def test_held_out_standards_take_no_part_in_a_refit(bench):
    held = bench.run.table("held_out")["standard"].iloc[0]
    assert bench.refit("SiO2", [held]).after == bench.refit("SiO2", []).after


def test_points_are_the_predictions_of_the_run(bench):
    points = bench.points("MgO")
    held = points[points["use"] == "held-out"]
    table = bench.run.table("held_out")
    assert held["predicted"].tolist() == table["MgO"].tolist()
    assert "T09" not in set(points["standard"])  # not certified for MgO
    assert points[["t2", "q", "distance_m"]].notna().all(axis=None)


def test_a_spectrum_is_predicted_as_the_run_did(bench):
    table = bench.run.table("held_out")
    axis, spectrum = bench.spectrum(str(table["burst"].iloc[0]), "SiO2")
    member = bench.run.model.manifest["analytes"]["SiO2"]
    assert len(member["members"]) == 1
    arrays = bench.run.evidence().arrays
    assert axis == pytest.approx(arrays["variant0/axis"], rel=1e-6)
    intercept = table["SiO2"].iloc[0] - spectrum @ arrays["SiO2/coefficients"]
    other = bench.spectrum(str(table["burst"].iloc[1]), "SiO2")[1]
    again = table["SiO2"].iloc[1] - other @ arrays["SiO2/coefficients"]
    assert intercept == pytest.approx(again, rel=1e-4)  # coefficients are kept in single precision


def test_neighbours_are_the_nearest_others(bench):
    folds = bench.run.table("folds").query("use == 'calibration'")
    burst = str(folds["burst"].iloc[0])
    near = bench.neighbours(burst, "SiO2", 3)
    assert len(near) == 3
    assert burst not in {each.burst for each in near}
    assert [each.distance for each in near] == sorted(each.distance for each in near)


def test_shots_are_counts_less_the_dark(bench, small_library):
    library = package.open_library(small_library)
    shots = bench.shots("T00-1.5", "SiO2")
    row = int(library.bursts.index[library.bursts["burst"] == "T00-1.5"][0])
    expected = (library.counts(row) - library.dark(0)).sum(axis=1)
    assert shots.total == pytest.approx(expected)
    assert (shots.own < shots.total).all()


def test_without_its_library_a_run_has_points_but_no_spectra(trained, tmp_path):
    run = open_run(shutil.copytree(trained, tmp_path / "away" / "run"))
    bench = BenchRun(run)
    assert "no such library" in bench.problem
    assert len(bench.points("SiO2")) > 10
    with pytest.raises(DataError, match="no such library"):
        bench.refit("SiO2", [])

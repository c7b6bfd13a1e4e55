"""The code that trains cannot open held-out bursts."""

from __future__ import annotations

import sys

import numpy as np
import pytest

import calib
from calib.errors import DataError
from calib.experiment import engine as training
from calib.experiment import plan, unseen
from calib.library.guard import restrict
from tests.conftest import QUICK

TEXT = 'analytes = ["SiO2", "MgO"]\n' + QUICK


def test_library_of_a_plan_refuses_every_held_out_burst(experiment):
    decided = plan(experiment(TEXT))
    assert len(decided.held_out)
    for row in decided.held_out.index:
        with pytest.raises(DataError, match="held-out burst, which is closed to training"):
            decided.library.counts(row)
        with pytest.raises(DataError, match="closed to training"):
            list(decided.library.walk([int(row)]))


def test_library_of_a_plan_holds_no_certified_value_of_a_held_out_standard(experiment):
    decided = plan(experiment(TEXT))
    held = set(decided.held_out["standard"])
    assert not held & set(decided.library.values.index)
    assert not held & set(decided.library.uncertainty.index)
    with pytest.raises(KeyError):
        decided.certified(decided.held_out)


def test_open_bursts_are_the_same_as_without_the_guard(small_library, experiment):
    decided = plan(experiment(TEXT))
    whole = calib.open_library(small_library)
    rows = [int(r) for r in decided.calibration.index]
    for (row, guarded), (_, plain) in zip(
        decided.library.walk(rows), whole.walk(rows), strict=True
    ):
        np.testing.assert_array_equal(guarded, plain, err_msg=str(row))


def test_no_read_of_the_guard_reaches_into_a_closed_burst(small_library):
    library = calib.open_library(small_library)
    calibration = library.select("calibration")
    view = restrict(library, calibration.index)
    closed = np.ones(view._counts.shape[0], dtype=bool)
    for first, shots in calibration[["first_row", "shots"]].to_numpy():
        closed[first : first + shots] = False
    for first in calibration["first_row"]:
        read = len(view._counts[first : first + 10_000])
        assert not closed[first : first + read].any()


def test_training_up_to_the_final_model_never_meets_an_open_library(
    experiment, tmp_path, monkeypatch
):
    """Held-out bursts are opened by `read_held_out` and by nothing before or after it."""
    opened = []

    def no_reading(decided, trained, model, report):
        opened.append(model)
        with pytest.raises(DataError, match="closed to training"):
            decided.library.counts(int(decided.held_out.index[0]))
        return unseen.read_held_out(decided, trained, model, report)

    monkeypatch.setattr(training, "read_held_out", no_reading)
    module = sys.modules["calib.experiment.plan"]
    monkeypatch.setattr(module, "open_library", _once(calib.open_library))
    calib.train(experiment(TEXT), tmp_path / "run")
    assert len(opened) == 1


def _once(function):
    """Let a function be called a single time: the plan opens the library, the view goes on."""
    calls = []

    def guarded(*arguments):
        calls.append(arguments)
        assert len(calls) == 1
        return function(*arguments)

    return guarded


def test_results_say_what_was_checked(experiment, tmp_path):
    run = calib.train(experiment(TEXT), tmp_path / "run")
    names = {(c["name"], c["analyte"]) for c in run.results["checks"]}
    assert names == {
        (check, analyte)
        for check in ("optimism", "permutation", "influence", "held-out")
        for analyte in ("SiO2", "MgO")
    }
    entry = run.analytes["SiO2"]
    assert entry["limits"]["lod_low"] <= entry["limits"]["lod_high"]
    assert entry["rmsecv_nested"] > 0
    assert {p["name"] for p in entry["by_distance"]} == {"1.5", "4"}
    assert {p["name"] for p in entry["left_out"]["distance_m"]} == {"1.5", "4"}
    assert run.results["domain"]["components"] >= 1


def test_trained_model_gives_intervals_of_any_level(experiment, small_library, tmp_path):
    model = calib.train(experiment(TEXT), tmp_path / "run").model
    library = calib.open_library(small_library)
    counts, dark = library.counts(0), library.dark(int(library.bursts["dark"].iloc[0]))
    narrow, wide = (
        model.predict(counts[None], library.wavelength, dark=dark, level=level).iloc[0]
        for level in (0.5, 0.9)
    )
    assert narrow["SiO2"] == wide["SiO2"]
    assert wide["SiO2_low"] < narrow["SiO2_low"] < narrow["SiO2_high"] < wide["SiO2_high"]


def test_unlike_spectrum_and_one_below_detection_are_flagged(experiment, small_library, tmp_path):
    model = calib.train(experiment(TEXT), tmp_path / "run").model
    library = calib.open_library(small_library)
    flat = np.ones((1, library.wavelength.size))
    flat[0, 55:60] = 40.0
    row = model.predict(flat, library.wavelength).iloc[0]
    assert "high-q" in row["SiO2_flags"].split(";")
    assert row["MgO"] >= 0
    assert row["MgO_low"] >= 0
    lod = model.manifest["analytes"]["MgO"]["lod"]
    assert ("below-lod" in row["MgO_flags"].split(";")) == (row["MgO"] < lod)

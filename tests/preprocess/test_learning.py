"""Steps that learn do so inside the fold, and what they learned reaches the frozen model."""

from __future__ import annotations

import numpy as np
import pytest

import calib
from calib.artifact.runtime import Model
from calib.errors import DataError
from calib.experiment import plan
from calib.experiment.prepare import Spectra, reduce_bursts
from calib.experiment.variants import prepare
from calib.preprocess import Acquisition, Chain
from calib.regress import pls_family
from calib.regress.family import Problem

LEARNING = """
analytes = ["SiO2", "MgO"]
[preprocess]
steps = ["dark", "drop_shots", "average", {step = "normalise", by = "whole"}, "distance", "msc"]
[folds]
count = 4
repeats = 1
[models]
families = ["pls"]
[models.pls]
max_components = 4
"""


@pytest.fixture
def problem(experiment):
    """A problem whose chain learns, with the plan and the reduced spectra it came from."""
    decided = plan(experiment(LEARNING))
    spectra = reduce_bursts(
        decided.library, decided.calibration, decided.chain, lambda *_: None, ""
    )
    return decided, spectra, build(decided, spectra)


def build(decided, spectra):
    made = prepare(decided, spectra, None, lambda *_: None)["base"]
    folds = decided.folds[:, decided.calibration.index.get_indexer(spectra.bursts.index)]
    standards = spectra.bursts["standard"].to_numpy(dtype=str)
    return Problem(
        made.spectra, decided.certified(spectra.bursts), folds, standards, decided.analytes,
        made.refit,
    )  # fmt: skip


def poisoned(spectra, rows):
    counts = spectra.counts.copy()
    counts[rows] = np.random.default_rng(1).uniform(1, 9e4, counts[rows].shape)
    return Spectra(spectra.bursts, counts)


def test_a_fold_sees_nothing_of_its_own_rows(problem):
    decided, spectra, clean = problem
    held = clean.folds[0] == 2
    bad = build(decided, poisoned(spectra, held))
    one, two = clean.spectra(~held), bad.spectra(~held)
    np.testing.assert_array_equal(one[~held], two[~held])
    assert (one[held] != two[held]).any()
    # fitted on all rows, the poison does reach the others: the test can fail
    assert np.abs(clean.X[~held] - bad.X[~held]).max() > 1e-3


def test_poison_in_a_fold_leaves_the_predictions_of_its_other_rows_alone(problem):
    decided, spectra, clean = problem
    members = np.flatnonzero(clean.folds[0] == 2)
    bad = build(decided, poisoned(spectra, members[:1]))
    options = pls_family.options({"max_components": 3, "rule": "minimum"})
    one = pls_family._refitted(clean, clean.Y, clean.folds[0], 3, options["scale"])
    two = pls_family._refitted(bad, bad.Y, clean.folds[0], 3, options["scale"])
    np.testing.assert_array_equal(one[:, members[1:]], two[:, members[1:]])
    others = clean.folds[0] != 2
    assert (one[:, others] != two[:, others]).any()


def test_refitting_agrees_with_one_gram_matrix_where_nothing_is_learned(problem):
    _, _, learning = problem
    fast = Problem(learning.X, learning.Y, learning.folds, learning.standards, learning.analytes)
    slow = Problem(
        learning.X, learning.Y, learning.folds, learning.standards, learning.analytes,
        lambda training: learning.X,
    )  # fmt: skip
    options = pls_family.options({"max_components": 4})
    for one, two in zip(
        pls_family.select(fast, options), pls_family.select(slow, options), strict=True
    ):
        assert one.settings == two.settings
        # the promise of the fast cross-validation: the numbers of a refit
        np.testing.assert_allclose(one.out_of_fold, two.out_of_fold, rtol=1e-8)


def test_what_was_learned_is_frozen_and_predicts_the_same(experiment, tmp_path, small_library):
    run = calib.train(experiment(LEARNING), tmp_path / "run")
    model = Model.open(run.path / "model")
    assert model.stem.arrays()[-1]["reference"].shape == (180,)
    table = run.table("held_out")
    library = calib.open_library(small_library)
    row = int(library.bursts.index[library.bursts["burst"] == table["burst"].iloc[0]][0])
    burst = library.bursts.loc[row]
    again = model.predict(
        library.counts(row)[None], library.wavelength, dark=library.dark(int(burst["dark"])),
        distance_m=burst["distance_m"],
    )  # fmt: skip
    assert again["SiO2"].iloc[0] == pytest.approx(table["SiO2"].iloc[0], rel=1e-10)
    with pytest.raises(DataError, match="'distance': row 0: distance_m is nan, need the stand-off"):
        model.predict(library.counts(row)[None], library.wavelength)


def test_steps_before_the_first_that_learns_are_run_once():
    chain = Chain.of(["average", "normalise", "msc", "root"])
    fixed, rest = chain.split_learning()
    assert [step.name for step in fixed.steps] == ["normalise"]
    assert [step.name for step in rest.steps] == ["msc", "root"]


def test_a_chain_fitted_in_parts_is_the_chain_fitted_whole():
    rng = np.random.default_rng(2)
    X, axis = rng.uniform(1, 2, (9, 30)), np.linspace(400, 430, 30)
    shot = Acquisition((slice(0, 10), slice(10, 30)))
    chain = Chain.of([{"step": "mask", "edges": 1}, "msc", "snv"])
    _, whole = chain.fit_spectra(X, axis, shot)
    fixed, rest = chain.split_learning()
    _, parts = rest.fit_spectra(fixed.spectra(X, axis, shot), *fixed.after(axis, shot))
    np.testing.assert_array_equal(whole, parts)

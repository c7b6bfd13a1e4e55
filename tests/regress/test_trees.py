"""Families of trees: the frozen walk, what trees look at, and their options."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from safetensors.numpy import load, save
from sklearn.utils.estimator_checks import parametrize_with_checks

from calib.errors import SettingsError
from calib.regress import extra_trees, gradient_boosting, predictors, random_forest
from calib.regress.extra_trees import ExtraTrees
from calib.regress.family import Problem
from calib.regress.gradient_boosting import GradientBoosting
from calib.regress.random_forest import RandomForest
from calib.regress.tree_family import VIEWS, unrounded

MODULES = {
    "random_forest": random_forest,
    "extra_trees": extra_trees,
    "gradient_boosting": gradient_boosting,
}
ESTIMATORS = [RandomForest(n_trees=12), ExtraTrees(n_trees=12), GradientBoosting(n_trees=12)]


def spectra(n: int = 60, p: int = 90, seed: int = 3):
    generator = np.random.default_rng(seed)
    X = generator.standard_normal((n, 6)) @ generator.standard_normal((6, p)) + 5
    X += 0.1 * generator.standard_normal((n, p))
    return X, np.abs(X[:, 3]) + X[:, 40] ** 2 / 10


@parametrize_with_checks(
    [*ESTIMATORS, *(type(each)(on="bins", width=1, n_trees=12) for each in ESTIMATORS)]
)
def test_scikit_learn_contract(estimator, check):
    check(estimator)


@pytest.mark.parametrize("on", VIEWS)
@pytest.mark.parametrize("estimator", ESTIMATORS, ids=lambda each: type(each).__name__)
def test_frozen_trees_give_one_row_what_they_give_many(estimator, on):
    X, y = spectra()
    model = type(estimator)(on=on, width=16, n_trees=12).fit(X, y)
    kept = load(save(model.arrays_))  # as an artifact keeps them
    many = predictors.predict(model.predictor_, X, kept)
    one = [predictors.predict(model.predictor_, row[None], kept)[0] for row in X]
    np.testing.assert_array_equal(one, many)
    np.testing.assert_array_equal(
        predictors.predict(model.predictor_, np.asfortranarray(X), kept), many
    )
    np.testing.assert_array_equal(model.predict(X), many)
    assert all(np.isfinite(each).all() for each in kept.values())
    assert np.corrcoef(many, y)[0, 1] > 0.8


def test_many_rows_are_walked_in_parts(monkeypatch):
    X, y = spectra()
    model = RandomForest(n_trees=12).fit(X, y)
    whole = model.predict(X)
    monkeypatch.setattr(predictors, "_WALK", 12 * 7)
    np.testing.assert_array_equal(model.predict(X), whole)


def test_a_damaged_model_with_a_ring_of_nodes_comes_to_an_end():
    X, y = spectra()
    arrays = RandomForest(on="channels", n_trees=2).fit(X, y).arrays_
    arrays["children"][...] = np.roll(np.arange(len(arrays["children"])), 1)[:, None]
    assert predictors.trees(X, **arrays).shape == (60,)


floats = st.floats(
    width=32, allow_nan=False, allow_infinity=False, min_value=-(2**99), max_value=2**99
)


@given(floats, st.integers(-3, 3), st.sampled_from([0.0, 0.25, 0.5, 0.75]))
def test_thresholds_decide_for_doubles_as_for_their_single_rounding(single, ulps, share):
    low = np.float32(single)
    high = np.nextafter(low, np.float32(np.inf))
    threshold = np.float64(low) + share * (np.float64(high) - np.float64(low))
    moved = unrounded(np.array([threshold]))[0]
    for start in (np.float64(low), threshold, moved, np.float64(high)):
        x = start
        for _ in range(abs(ulps)):
            x = np.nextafter(x, np.inf * np.sign(ulps))
        assert (x <= moved) == (np.float32(x) <= threshold)


def test_bins_are_means_and_the_last_may_be_narrower():
    X = np.arange(10.0)[None]
    got = predictors.binned(X, np.array([0, 4, 8], dtype=np.int32))
    np.testing.assert_array_equal(got, [[1.5, 5.5, 8.5]])


@pytest.mark.parametrize("name", MODULES)
def test_an_attempt_without_a_search_takes_the_first_view(name):
    X, y = spectra()
    standards = np.arange(60) // 2
    problem = Problem(X, y[:, None], standards[None] % 5, standards, ("SiO2",))
    module = MODULES[name]
    options = module.options({"on": ["channels", "scores"]})
    selection = module.attempt(problem, 0, options, {})
    assert selection.settings["on"] == "channels"
    assert not {"kind", "n_components", "width"} & set(selection.settings)
    assert np.isfinite(selection.out_of_fold).all()
    drawn = {"on": "bins", "width": 8, "min_samples_leaf": 3}
    assert drawn.items() <= module.attempt(problem, 0, options, drawn).settings.items()
    assert module.complexity({**selection.settings, "min_samples_leaf": 2}) > 0


@pytest.mark.parametrize("name", MODULES)
def test_space_holds_only_what_the_options_allow(name):
    module = MODULES[name]
    assert {"kind", "n_components", "width"} <= set(module.space(module.options({})))
    alone = module.space(module.options({"on": ["channels"]}))
    assert not {"kind", "n_components", "width"} & set(alone)


@pytest.mark.parametrize(
    ("given", "needed"),
    [
        ({"on": "scores"}, r"'models.random_forest.on' is 'scores', need a list of some of scores"),
        ({"on": ["lines"]}, r"is \['lines'\], need a list"),
        ({"n_trees": 0}, r"'models.random_forest.n_trees' is 0, need a whole number ≥ 1"),
        ({"trees": 3}, r"'models.random_forest.trees' is unknown, need one of on, max_components"),
    ],
)
def test_options_that_cannot_be_are_refused(given, needed):
    with pytest.raises(SettingsError, match=needed):
        random_forest.options(given)


def test_an_unknown_view_is_refused():
    with pytest.raises(SettingsError, match="on is 'lines', need one of scores, bins, channels"):
        RandomForest(on="lines").fit(*spectra())

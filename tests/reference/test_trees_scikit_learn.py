"""Frozen trees and independent components against scikit-learn's own predictions.

Source: scikit-learn's RandomForestRegressor, ExtraTreesRegressor, HistGradientBoostingRegressor,
PCA, FastICA and LinearRegression, run here beside ours.
"""

from __future__ import annotations

import warnings

import numpy as np
import pytest
from sklearn.decomposition import PCA, FastICA
from sklearn.ensemble import (
    ExtraTreesRegressor,
    HistGradientBoostingRegressor,
    RandomForestRegressor,
)
from sklearn.exceptions import ConvergenceWarning
from sklearn.linear_model import LinearRegression

from calib.regress.extra_trees import ExtraTrees
from calib.regress.gradient_boosting import GradientBoosting
from calib.regress.independent_components import IndependentComponents
from calib.regress.predictors import project
from calib.regress.random_forest import RandomForest

# Rounding of two routes to the same rotation and regression.
ROUNDING = 1e-9

FORESTS = [(RandomForest, RandomForestRegressor), (ExtraTrees, ExtraTreesRegressor)]


def spectra(n: int = 200, p: int = 120):
    generator = np.random.default_rng(11)
    sources = generator.laplace(size=(n, 5))
    X = sources @ generator.standard_normal((5, p)) + 100
    X += 0.05 * generator.standard_normal((n, p))
    return X, 3 * sources[:, 0] + sources[:, 1] ** 2 + 50


def looked_at(model, X):
    """What the trees see, made without the code under test where it is simple enough."""
    if model.on == "scores":
        return project(X, model.arrays_["weights"], model.arrays_["offset"])
    if model.on == "bins":
        return X.reshape(len(X), -1, model.width).sum(axis=2) / model.width
    return X


@pytest.mark.parametrize("on", ["scores", "bins", "channels"])
@pytest.mark.parametrize(("ours", "theirs"), FORESTS)
def test_forests_predict_exactly_as_scikit_learn(ours, theirs, on):
    X, y = spectra()
    model = ours(on=on, width=8, n_trees=30, n_tried=6, min_samples_leaf=1).fit(X[:120], y[:120])
    plain = theirs(30, max_features=6, min_samples_leaf=1, random_state=0)
    plain.fit(looked_at(model, X[:120]), y[:120])
    expected = plain.predict(looked_at(model, X[120:]))
    np.testing.assert_array_equal(model.predict(X[120:]), expected)


@pytest.mark.parametrize("on", ["scores", "bins", "channels"])
def test_boosting_predicts_exactly_as_scikit_learn(on):
    X, y = spectra()
    model = GradientBoosting(on=on, width=8, n_trees=40, n_leaves=7).fit(X[:120], y[:120])
    plain = HistGradientBoostingRegressor(
        max_iter=40, max_leaf_nodes=7, min_samples_leaf=5, max_bins=32, early_stopping=False
    )
    plain.fit(looked_at(model, X[:120]), y[:120])
    expected = plain.predict(looked_at(model, X[120:]))
    np.testing.assert_allclose(model.predict(X[120:]), expected, rtol=1e-13)


def test_numbers_between_two_single_precision_ones_go_where_scikit_learn_sends_them():
    generator = np.random.default_rng(2)
    X = 1e4 + generator.uniform(0, 0.02, (300, 3))  # single precision steps there: 0.001
    y = X[:, 0] + generator.standard_normal(300) * 1e-3
    model = RandomForest(on="channels", n_trees=20, n_tried=3, min_samples_leaf=1).fit(X, y)
    plain = RandomForestRegressor(20, max_features=3, random_state=0).fit(X, y)
    new = 1e4 + generator.uniform(0, 0.02, (5000, 3))
    np.testing.assert_array_equal(model.predict(new), plain.predict(new))


@pytest.mark.parametrize("kept", [1, 3, 5])
def test_independent_components_are_those_of_fast_ica_and_their_regression_is_plain(kept):
    X, y = spectra()
    model = IndependentComponents(kind="pca", n_components=5, n_kept=kept).fit(X[:120], y[:120])
    rotation = FastICA(5, whiten="unit-variance", random_state=4, max_iter=1000, tol=1e-10)
    with warnings.catch_warnings():
        warnings.simplefilter("error", ConvergenceWarning)
        sources = rotation.fit_transform(X[:120])
    strength = np.abs(sources.T @ (y[:120] - y[:120].mean()))
    best = np.argsort(-strength)[:kept]
    plain = LinearRegression().fit(sources[:, best], y[:120])
    expected = plain.predict(rotation.transform(X[120:])[:, best])
    # some components: ours start elsewhere and stop where a direction turns by less than
    # sqrt(2 × 1e-8) = 1.4e-4, of predictions that spread over a tenth of their size
    limit = ROUNDING if kept == 5 else 1.4e-5
    np.testing.assert_allclose(model.predict(X[120:]), expected, rtol=limit)


def test_all_independent_components_are_principal_component_regression():
    X, y = spectra()
    model = IndependentComponents(kind="pca", n_components=5, n_kept=5).fit(X[:120], y[:120])
    scores = PCA(5).fit(X[:120])
    plain = LinearRegression().fit(scores.transform(X[:120]), y[:120])
    expected = plain.predict(scores.transform(X[120:]))
    np.testing.assert_allclose(model.predict(X[120:]), expected, rtol=ROUNDING)

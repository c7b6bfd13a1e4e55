"""Independent-component regression: its contract and how it finds the few that matter."""

from __future__ import annotations

import numpy as np
import pytest
from sklearn.decomposition import PCA
from sklearn.utils.estimator_checks import parametrize_with_checks

from calib.errors import SettingsError
from calib.regress import independent_components
from calib.regress.family import Problem
from calib.regress.independent_components import IndependentComponents, rotated


@parametrize_with_checks([IndependentComponents(), IndependentComponents(kind="pls")])
def test_scikit_learn_contract(estimator, check):
    check(estimator)


def mixed(n: int = 240, p: int = 80):
    generator = np.random.default_rng(8)
    sources = generator.uniform(-1, 1, (n, 6)) ** 3
    X = sources @ generator.standard_normal((6, p)) + 0.01 * generator.standard_normal((n, p))
    return X, sources


def test_one_component_says_nearly_all_of_one_source():
    X, sources = mixed()
    y = 10 + 4 * sources[:, 2]
    standards = np.arange(240) // 2
    problem = Problem(X, y[:, None], standards[None] % 6, standards, ("SiO2",))
    options = independent_components.options({})
    drawn = {"kind": "pca", "n_components": 6, "contrast": "logcosh"}
    selection = independent_components.attempt(problem, 0, options, drawn)
    error = np.sqrt(np.mean((selection.out_of_fold[0] - y) ** 2))
    assert min(selection.curve["rmsecv"]) == pytest.approx(error)
    strength = np.corrcoef(PCA(6).fit_transform(X).T, y)[-1, :-1]
    one_principal = np.sqrt(1 - np.max(strength**2)) * y.std()  # of the fit, not of new rows
    assert selection.curve["rmsecv"][1] < 0.5 * one_principal
    assert independent_components.complexity(selection.settings) == selection.settings["n_kept"]
    assert len(selection.curve["rmsecv"]) == 7


def test_components_are_uncorrelated_and_in_order():
    generator = np.random.default_rng(0)
    scores = generator.laplace(size=(100, 4))
    scores -= scores.mean(axis=0)
    scores = np.linalg.qr(scores)[0] * 10
    scores[:, 3] = 0.0  # beyond the rank
    rotation, coefficients = rotated(scores, generator.standard_normal(100), "exp", 0)
    assert rotation.shape == (4, 3)
    found = scores @ rotation
    np.testing.assert_allclose(found.T @ found / 100, np.eye(3), atol=1e-10)
    assert (np.diff(np.abs(coefficients)) <= 0).all()


def test_a_rotation_that_does_not_settle_is_still_one(monkeypatch):
    monkeypatch.setattr(independent_components, "_ROUNDS", 1)
    X, sources = mixed()
    model = IndependentComponents(n_components=6, n_kept=6).fit(X, sources[:, 0])
    np.testing.assert_allclose(model.predict(X), sources[:, 0], atol=0.05)


@pytest.mark.parametrize(
    ("given", "needed"),
    [
        ({"max_components": 1}, "max_components' is 1, need a whole number ≥ 2"),
        ({"rule": "least"}, "rule' is 'least', need one of minimum"),
    ],
)
def test_options_that_cannot_be_are_refused(given, needed):
    with pytest.raises(SettingsError, match=needed):
        independent_components.options(given)

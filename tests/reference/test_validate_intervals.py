"""Intervals against MAPIE and crepes, which know no standards: each spectrum is its own here.

And against the law of their coverage: Vovk 2012, Conditional validity of inductive conformal
predictors, Proc. Mach. Learn. Res. 25:475; Angelopoulos & Bates 2023, Found. Trends Mach. Learn.
16:494, doi 10.1561/2200000101, section 3.2.
"""

from __future__ import annotations

import numpy as np
import pytest
from crepes import ConformalRegressor
from mapie.regression import CrossConformalRegressor
from scipy import stats
from sklearn.linear_model import LinearRegression
from sklearn.model_selection import KFold, LeaveOneOut

from calib.validate.intervals import cv_plus, interval_multiple


def data(n: int):
    rng = np.random.default_rng(n)
    X = rng.normal(size=(n, 3))
    y = X @ [1.0, -2.0, 0.5] + rng.standard_t(4, size=n)
    return X, y, rng.normal(size=(25, 3))


@pytest.mark.parametrize("splitter", [KFold(5), LeaveOneOut()], ids=["CV+", "jackknife+"])
@pytest.mark.parametrize("level", [0.8, 0.9])
def test_cv_plus_is_that_of_mapie(splitter, level):
    X, y, new = data(61)
    reference = CrossConformalRegressor(
        LinearRegression(), confidence_level=level, method="plus", cv=splitter
    ).fit_conformalize(X, y)
    expected = reference.predict_interval(new)[1][..., 0]
    folds, residuals, models = np.empty(61, dtype=int), np.empty(61), []
    for fold, (train, test) in enumerate(splitter.split(X)):
        model = LinearRegression().fit(X[train], y[train])
        folds[test], residuals[test] = fold, y[test] - model.predict(X[test])
        models.append(model.predict(new))
    low, high = cv_plus(np.stack(models), folds, residuals, np.arange(61), level=level)
    np.testing.assert_allclose(low, expected[:, 0], rtol=1e-10)
    np.testing.assert_allclose(high, expected[:, 1], rtol=1e-10)


@pytest.mark.parametrize("level", [0.5, 0.8, 0.9, 0.95, 0.99])
def test_normalised_interval_is_that_of_crepes(level):
    rng = np.random.default_rng(8)
    residuals, sigmas = rng.standard_t(5, size=(200,)), rng.uniform(0.5, 2, 200)
    scores = np.sort(np.abs(residuals) / sigmas)
    weights = np.cumsum(np.full(200, 1 / 201))
    new, own = rng.normal(size=10), rng.uniform(0.5, 2, 10)
    reference = ConformalRegressor().fit(residuals, sigmas=sigmas)
    expected = reference.predict_int(new, sigmas=own, confidence=level)
    half = interval_multiple(scores, weights, level) * own
    np.testing.assert_allclose(np.column_stack([new - half, new + half]), expected, rtol=1e-10)


@pytest.mark.parametrize(("level", "spectra"), [(0.9, 1), (0.8, 4)])
def test_coverage_given_the_calibration_follows_the_beta_law(level, spectra):
    """Uniform scores, alike within a standard: the coverage is the score that was chosen."""
    rng, standards = np.random.default_rng(12), 30
    share = np.cumsum(np.full(standards * spectra, 1 / ((standards + 1) * spectra)))
    found = [
        interval_multiple(np.repeat(np.sort(rng.uniform(size=standards)), spectra), share, level)
        for _ in range(2000)
    ]
    k = int(np.ceil((standards + 1) * level))
    assert stats.kstest(found, stats.beta(k, standards + 1 - k).cdf).pvalue > 0.01

"""Penalised regressors against scikit-learn's Ridge, Lasso and ElasticNet on standardised data."""

from __future__ import annotations

import numpy as np
import pytest
from sklearn.linear_model import ElasticNet as PlainElasticNet
from sklearn.linear_model import Ridge as PlainRidge

from calib.regress.elastic_net import ElasticNet
from calib.regress.ridge import PENALTIES, Ridge

# Two routes to the same number: dual and primal; coordinate descent stopped at TIGHT.
ROUNDING = 1e-8
TIGHT = 1e-14


def data(n: int, p: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    generator = np.random.default_rng(6)
    X = generator.standard_normal((n + 10, p)) * generator.uniform(0.5, 2, p) + 3
    y = 20 + X[:, :3] @ [2.0, -1.0, 0.5] + 0.2 * generator.standard_normal(n + 10)
    return X[:n], y[:n], X[n:]


@pytest.mark.parametrize("scale", [False, True])
@pytest.mark.parametrize(("n", "p"), [(30, 70), (60, 8)])
@pytest.mark.parametrize("penalty", [PENALTIES[0], 0.01, PENALTIES[-1]])
def test_ridge_is_that_of_scikit_learn(n, p, penalty, scale):
    X, y, new = data(n, p)
    deviation = X.std(axis=0, ddof=1) if scale else np.ones(p)
    Z = (X - X.mean(axis=0)) / deviation
    alpha = penalty * (Z**2).sum() / n  # the trace of Z Zᵀ over n
    plain = PlainRidge(alpha, solver="svd").fit(Z, y)
    expected = plain.predict((new - X.mean(axis=0)) / deviation)
    got = Ridge(penalty, scale).fit(X, y).predict(new)
    np.testing.assert_allclose(got, expected, rtol=ROUNDING)


@pytest.mark.parametrize("scale", [False, True])
@pytest.mark.parametrize(("n", "p"), [(30, 200), (60, 8)])
@pytest.mark.parametrize("share", [1.0, 0.5])
@pytest.mark.parametrize("penalty", [0.5, 0.03])
def test_elastic_net_and_lasso_are_those_of_scikit_learn(n, p, penalty, share, scale):
    X, y, new = data(n, p)
    deviation = X.std(axis=0, ddof=1)
    divisor = deviation if scale else np.sqrt((deviation**2).mean())
    Z, z = (X - X.mean(axis=0)) / divisor, (y - y.mean()) / y.std()
    top = np.abs(Z.T @ z).max() / n / share  # where every coefficient is zero
    plain = PlainElasticNet(penalty * top, l1_ratio=share, tol=TIGHT, max_iter=100_000).fit(Z, z)
    expected = plain.predict((new - X.mean(axis=0)) / divisor) * y.std() + y.mean()
    ours = ElasticNet(penalty, share, scale, tolerance=TIGHT).fit(X, y)
    np.testing.assert_allclose(ours.predict(new), expected, rtol=ROUNDING)
    np.testing.assert_array_equal(ours.channels_, np.flatnonzero(plain.coef_))


def test_the_least_penalty_that_leaves_nothing_is_one():
    X, y, new = data(30, 200)
    model = ElasticNet(1.0, 1.0).fit(X, y)
    assert model.channels_.size == 0
    np.testing.assert_allclose(model.predict(new), y.mean())
    assert ElasticNet(0.99, 1.0, tolerance=TIGHT).fit(X, y).channels_.size == 1

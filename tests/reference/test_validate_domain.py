"""Limits of T² and Q against exact distributions, from SciPy and a published table."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from scipy import integrate, optimize, stats
from sklearn.covariance import EmpiricalCovariance
from sklearn.decomposition import PCA

from calib.validate.domain_training import (
    learn_domain,
    power_sums,
    q_box,
    q_jackson_mudholkar,
    t2_limit,
)


@pytest.mark.parametrize("limit", [q_box, q_jackson_mudholkar])
@pytest.mark.parametrize("level", [0.9, 0.95, 0.99])
def test_q_limit_of_equal_eigenvalues_is_the_chi_square_of_scipy(limit, level):
    expected = 0.3 * stats.chi2.ppf(level, 50)
    # Box is exact here; Jackson & Mudholkar's cube-root-like transform is good to 0.1 %
    assert limit(power_sums(np.full(50, 0.3)), level) == pytest.approx(expected, rel=1e-3)


def beyond(values, x):
    """P(Σ λ z² > x) by numerical inversion (Imhof 1961, Biometrika 48:419, equation 3.2)."""

    def integrand(u):
        angle = 0.5 * np.sum(np.arctan(values * u)) - 0.5 * x * u
        return np.sin(angle) / (u * np.prod((1 + (values * u) ** 2) ** 0.25))

    edges = np.arange(200) * 20 / x  # a few turns of the sine at a time
    pieces = [integrate.quad(integrand, a, b)[0] for a, b in itertools.pairwise(edges)]
    return 0.5 + sum(pieces) / np.pi


@pytest.mark.parametrize(("x", "expected"), [(0.1, 0.9458), (0.7, 0.5064), (2.0, 0.1240)])
def test_exact_tail_meets_the_table_of_imhof(x, expected):
    """Imhof 1961, table 1, Q = 0.6 χ² + 0.3 χ² + 0.1 χ², from memory."""
    assert beyond(np.array([0.6, 0.3, 0.1]), x) == pytest.approx(expected, abs=5e-5)


@pytest.mark.parametrize("limit", [q_box, q_jackson_mudholkar])
def test_q_limit_of_falling_eigenvalues_is_near_the_exact_one(limit):
    values = 0.8 ** np.arange(30)
    exact = optimize.brentq(lambda q: beyond(values, q) - 0.05, 5.0, 20.0)
    # both are approximations, by two and by three moments; they say so themselves
    assert limit(power_sums(values)) == pytest.approx(exact, rel=0.02)


def test_t2_limit_is_the_t_of_student_for_one_component():
    n = 20
    expected = stats.t.ppf(0.975, n - 1) ** 2 * (n + 1) / n
    assert t2_limit(1, n) == pytest.approx(expected, rel=1e-12)


def test_t2_limit_goes_to_chi_square():
    assert t2_limit(4, 10**7) == pytest.approx(stats.chi2.ppf(0.95, 4), rel=1e-5)


def test_statistics_are_those_of_sklearn():
    rng = np.random.default_rng(6)
    X = rng.normal(size=(90, 12)) @ np.diag(2.0 ** -np.arange(12))
    folds = np.tile(np.arange(90) % 5, (2, 1))
    domain = learn_domain(X, folds, np.arange(90)).domain
    k = domain.deviation.size
    new = rng.normal(size=(7, 12))
    found = domain.statistics(new)
    pca = PCA(k, svd_solver="full").fit(X)
    scores = pca.transform(new)
    np.testing.assert_allclose(
        found["t2"], np.sum(scores**2 / pca.explained_variance_, axis=1), rtol=1e-8
    )
    left = new - pca.inverse_transform(scores)
    np.testing.assert_allclose(found["q"], np.sum(left**2, axis=1), rtol=1e-8)
    covariance = EmpiricalCovariance().fit(pca.transform(X))
    distance = [covariance.mahalanobis(pca.transform(X) - row + covariance.location_).min()
                for row in scores]  # fmt: skip
    np.testing.assert_allclose(found["neighbour"] ** 2, np.array(distance) * 89 / 90, rtol=1e-8)
    hat = np.column_stack([np.ones(90), pca.transform(X)])
    row = np.column_stack([np.ones(7), scores])
    leverage = np.einsum("ij,jk,ik->i", row, np.linalg.inv(hat.T @ hat), row)
    np.testing.assert_allclose(found["leverage"], leverage, rtol=1e-8)

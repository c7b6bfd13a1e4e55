"""Local PLS against scikit-learn's nearest neighbours and PLSRegression, one row at a time."""

from __future__ import annotations

import numpy as np
import pytest
from sklearn.cross_decomposition import PLSRegression
from sklearn.decomposition import PCA
from sklearn.linear_model import LinearRegression
from sklearn.neighbors import NearestNeighbors
from sklearn.preprocessing import StandardScaler

from calib.regress.local_pls import LocalPLS

# Two routes to the same number.
ROUNDING = 1e-8


def data() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    generator = np.random.default_rng(12)
    hidden = generator.standard_normal((80, 5))
    X = hidden @ generator.standard_normal((5, 60)) + 0.2 * generator.standard_normal((80, 60))
    y = 10 + 2 * hidden[:, 0] + np.sin(2 * hidden[:, 1])
    return X[:60], y[:60], X[60:]


def neighbours(k: int, count: int):
    """Scores of each new row and of its neighbours, by scikit-learn; and the tricube weights."""
    X, y, new = data()
    parts = PCA(k, svd_solver="full").fit(X)
    scaler = StandardScaler().fit(parts.transform(X))
    T, T_new = scaler.transform(parts.transform(X)), scaler.transform(parts.transform(new))
    distance, index = NearestNeighbors(n_neighbors=count).fit(T).kneighbors(T_new)
    for row, far, who in zip(T_new, distance, index, strict=True):
        yield row[None], T[who], y[who], (1 - (far / far[-1]) ** 3) ** 3


def test_with_all_components_it_is_weighted_least_squares_of_the_neighbours():
    X, y, new = data()
    expected = [
        LinearRegression().fit(T, values, sample_weight=weight).predict(row)[0]
        for row, T, values, weight in neighbours(4, 25)
    ]
    got = LocalPLS("pca", 4, 25, local_components=4).fit(X, y).predict(new)
    np.testing.assert_allclose(got, expected, rtol=ROUNDING)


@pytest.mark.parametrize("components", [1, 2])
def test_fewer_components_are_weighted_pls_of_the_neighbours(components):
    X, y, new = data()
    expected = []
    for row, T, values, weight in neighbours(4, 25):
        # weights enter PLS as the square root of each centred row
        mean, level = np.average(T, axis=0, weights=weight), np.average(values, weights=weight)
        root = np.sqrt(weight)
        # the mirror image of the rows keeps PLSRegression from centring them again
        rows, left = (T - mean) * root[:, None], (values - level) * root
        plain = PLSRegression(components, scale=False)
        plain.fit(np.concatenate([rows, -rows]), np.concatenate([left, -left]))
        expected.append(level + ((row - mean) @ plain.coef_[0])[0])
    got = LocalPLS("pca", 4, 25, local_components=components).fit(X, y).predict(new)
    np.testing.assert_allclose(got, expected, rtol=ROUNDING)

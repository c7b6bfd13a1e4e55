"""Kernel regressors against scikit-learn's GaussianProcessRegressor and SVR on its PLS scores."""

from __future__ import annotations

import numpy as np
import pytest
from sklearn.cross_decomposition import PLSRegression
from sklearn.decomposition import PCA
from sklearn.gaussian_process import GaussianProcessRegressor
from sklearn.gaussian_process.kernels import RBF, ConstantKernel, DotProduct
from sklearn.preprocessing import StandardScaler
from sklearn.svm import SVR

from calib.regress.gaussian_process import GaussianProcess
from calib.regress.support_vectors import SupportVectors

# Two routes to the same number.
ROUNDING = 1e-8

# Where the search for support vectors stops, so tight that its path no longer shows.
TIGHT = 1e-10


def data() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    generator = np.random.default_rng(4)
    hidden = generator.standard_normal((70, 5))
    X = hidden @ generator.standard_normal((5, 80)) + 0.3 * generator.standard_normal((70, 80)) + 4
    y = 10 + 2 * hidden[:, 0] + np.sin(2 * hidden[:, 1])
    return X[:50], y[:50], X[50:]


def scores(
    kind: str, k: int, X: np.ndarray, y: np.ndarray, new: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    plain = PLSRegression(k, scale=False) if kind == "pls" else PCA(k, svd_solver="full")
    plain.fit(X, y)
    scaler = StandardScaler().fit(plain.transform(X))
    return scaler.transform(plain.transform(X)), scaler.transform(plain.transform(new))


@pytest.mark.parametrize("kind", ["pls", "pca"])
@pytest.mark.parametrize("share", [0.0, 0.4, 1.0])
def test_gaussian_process_is_that_of_scikit_learn(kind, share):
    X, y, new = data()
    k, length, noise = 4, 0.7, 0.01
    kernel = ConstantKernel(1 - share or 1e-300) * RBF(length * np.sqrt(k))
    if share:
        kernel = kernel + ConstantKernel(share / k) * DotProduct(0, "fixed")
    T, T_new = scores(kind, k, X, y, new)
    plain = GaussianProcessRegressor(kernel, alpha=noise, optimizer=None, normalize_y=True)
    expected = plain.fit(T, y).predict(T_new)
    ours = GaussianProcess(kind, k, length, share, noise).fit(X, y)
    np.testing.assert_allclose(ours.predict(new), expected, rtol=ROUNDING)


@pytest.mark.parametrize("kind", ["pls", "pca"])
@pytest.mark.parametrize("share", [0.0, 1.0])
def test_support_vectors_are_those_of_scikit_learn(kind, share):
    X, y, new = data()
    k, length = 4, 0.7
    T, T_new = scores(kind, k, X, y, new)
    mean, spread = y.mean(), y.std()
    if share:  # the linear kernel of SVR has no factor: give it to the scores
        plain, factor = SVR(kernel="linear", C=5, epsilon=0.05, tol=TIGHT), 1 / np.sqrt(k)
    else:
        plain, factor = (
            SVR(kernel="rbf", gamma=1 / (2 * k * length**2), C=5, epsilon=0.05, tol=TIGHT),
            1.0,
        )
    plain.fit(T * factor, (y - mean) / spread)
    expected = plain.predict(T_new * factor) * spread + mean
    ours = SupportVectors(kind, k, length, share, penalty=5, tube=0.05, tolerance=TIGHT).fit(X, y)
    np.testing.assert_allclose(ours.predict(new), expected, rtol=ROUNDING)
    assert len(ours.arrays_["dual"]) < len(y)

"""PLS2 against scikit-learn's PLSRegression of all analytes together."""

from __future__ import annotations

import numpy as np
import pytest
from sklearn.cross_decomposition import PLSRegression

from calib.regress.pls2 import PLS2

# Two routes to the same number: through XXᵀ here, NIPALS on X there.
ROUNDING = 1e-8


def data(n: int, p: int) -> tuple[np.ndarray, np.ndarray]:
    generator = np.random.default_rng(14)
    hidden = generator.standard_normal((n, 5))
    X = hidden @ generator.standard_normal((5, p)) + 0.3 * generator.standard_normal((n, p)) + 6
    Y = hidden @ generator.standard_normal((5, 3)) * [1, 10, 0.1] + [50, 20, 3]
    return X, Y + 0.1 * generator.standard_normal(Y.shape) * Y.std(axis=0)


@pytest.mark.parametrize(("n", "p"), [(40, 90), (60, 12)])
@pytest.mark.parametrize("components", [1, 3, 7])
def test_one_analyte_of_several(n, p, components):
    X, Y = data(n, p)
    scaled = (Y - Y.mean(axis=0)) / Y.std(axis=0)
    plain = PLSRegression(components, scale=False, tol=1e-20, max_iter=20_000).fit(X, scaled)
    expected = plain.predict(X) * Y.std(axis=0) + Y.mean(axis=0)
    for j in range(3):
        model = PLS2(components).fit(X, Y[:, j], others=np.delete(Y, j, axis=1))
        np.testing.assert_allclose(model.predict(X), expected[:, j], rtol=ROUNDING)


def test_alone_it_is_pls1():
    X, Y = data(40, 90)
    expected = PLSRegression(4, scale=False).fit(X, Y[:, 0]).predict(X)
    np.testing.assert_allclose(PLS2(4).fit(X, Y[:, 0]).predict(X), expected, rtol=ROUNDING)


def test_a_value_not_certified_counts_as_the_mean_and_half_must_be():
    X, Y = data(40, 90)
    gaps = Y.copy()
    gaps[:5, 1] = np.nan
    gaps[:25, 2] = np.nan
    filled = gaps[:, 1].copy()
    filled[:5] = np.nanmean(filled)
    spread = np.array([Y[:, 0].std(), np.nanstd(gaps[:, 1])])
    part = np.column_stack([Y[:, 0], filled])
    plain = PLSRegression(3, scale=False, tol=1e-20, max_iter=20_000)
    plain.fit(X, (part - part.mean(axis=0)) / spread)
    expected = plain.predict(X)[:, 0] * spread[0] + part[:, 0].mean()
    got = PLS2(3).fit(X, Y[:, 0], others=gaps[:, 1:]).predict(X)
    np.testing.assert_allclose(got, expected, rtol=ROUNDING)

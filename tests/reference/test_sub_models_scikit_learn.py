"""Blended sub-models against scikit-learn's PLSRegression on each range, blended by np.interp."""

from __future__ import annotations

import numpy as np
from sklearn.cross_decomposition import PLSRegression

from calib.regress.sub_models import SubModels

# Two routes to the same number: through XXᵀ here, on X there.
ROUNDING = 1e-8


def test_sub_models_are_plain_models_of_each_range():
    generator = np.random.default_rng(8)
    y = generator.uniform(0, 30, 90)
    X = np.outer(np.sqrt(y), generator.uniform(0.5, 2, 40)) + 0.1 * generator.standard_normal(
        (90, 40)
    )
    edges, counts = [(8.0, 12.0), (18.0, 22.0)], [4, 2, 3, 2]
    got = SubModels(edges, counts).fit(X, y).predict(X)
    ranges = [y > -1, y <= 12, (y >= 8) & (y <= 22), y >= 18]
    full, low, middle, high = (
        PLSRegression(k, scale=False).fit(X[rows], y[rows]).predict(X)
        for rows, k in zip(ranges, counts, strict=True)
    )
    to_middle = np.interp(full, edges[0], [0, 1])
    to_high = np.interp(full, edges[1], [0, 1])
    expected = (1 - to_middle) * low + (to_middle - to_high) * middle + to_high * high
    np.testing.assert_allclose(got, expected, rtol=ROUNDING)

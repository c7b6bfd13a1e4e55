"""PLS against the package ikpls (PyPI), both of its algorithms.

Source: Engstrøm et al. (2024), ikpls, J. Open Source Softw. 9(99), 6533,
doi:10.21105/joss.06533; improved kernel PLS of Dayal & MacGregor (1997).
"""

import numpy as np
import pytest

from calib.regress.pls import cross_validate

ikpls = pytest.importorskip("ikpls.fast_cross_validation.numpy")

# Largest difference allowed, in standard deviations of the analyte.
AGREEMENT = 1e-8


@pytest.mark.parametrize("weighted", [False, True])
@pytest.mark.parametrize("scale", [False, True])
@pytest.mark.parametrize("algorithm", [1, 2])
@pytest.mark.parametrize(("n", "p"), [(60, 150), (200, 40)])
def test_cross_validation_equals_ikpls(n, p, algorithm, scale, weighted):
    generator = np.random.default_rng(5)
    X = generator.standard_normal((n, p)) + 3
    y = X[:, :5].sum(axis=1) + 0.5 * generator.standard_normal(n)
    folds = generator.permutation(n) % 6
    weight = generator.uniform(0.2, 2.0, n) if weighted else None
    expected = np.empty((10, n))

    def collect(_, prediction, *weights):
        return prediction[:, :, 0]

    model = ikpls.PLS(algorithm, scale_X=scale, scale_Y=False, ddof=1)
    found = model.cross_validate(
        X, y[:, None], 10, folds, collect, sample_weight=weight, n_jobs=1, verbose=0
    )
    for fold, prediction in found.items():
        expected[:, folds == fold] = prediction
    got = cross_validate(X, y, folds, 10, scale, sample_weight=weight)[:, :, 0]
    assert np.abs(got - expected).max() <= AGREEMENT * y.std()

"""Reconciled compositions against generalised and non-negative least squares of libraries.

Sources: statsmodels' GLS with the total as one more observation; SciPy's ``nnls`` on the same
system, whitened.
"""

from __future__ import annotations

import numpy as np
import pytest
import scipy.linalg
import statsmodels.api as sm
from scipy.optimize import nnls

from calib.regress.composition import Total

ROUNDING = 1e-9


def case(seed: int):
    """Return a total, one row of predictions and its error bars, and the system of both."""
    generator = np.random.default_rng(seed)
    k = 8
    correlation = np.corrcoef(generator.standard_normal((k, 3 * k)))
    u = generator.uniform(0.1, 3, k)
    y = generator.normal(np.array([50, 15, 10, 8, 5, 3, 2, 1]), 2 * u)
    sigma = scipy.linalg.block_diag(correlation * np.outer(u, u), 1.3**2)
    design = np.concatenate([np.eye(k), np.ones((1, k))])
    return Total(98.5, 1.3, correlation), y, u, design, np.append(y, 98.5), sigma


@pytest.mark.parametrize("seed", range(5))
def test_without_a_bound_it_is_generalised_least_squares(seed):
    total, y, u, design, observed, sigma = case(seed)
    shift = 50.0  # far from zero, where no bound holds
    y, observed = y + shift, observed + shift * np.append(np.ones(8), 8)
    total = Total(total.mean + 8 * shift, total.sd, total.correlation)
    fitted = sm.GLS(observed, design, sigma=sigma).fit(
        cov_type="fixed scale", cov_kwds={"scale": 1}
    )
    value, error = total.reconcile(y[None], u[None])
    np.testing.assert_allclose(value[0], fitted.params, rtol=ROUNDING)
    np.testing.assert_allclose(
        error[0], np.sqrt(np.diagonal(fitted.normalized_cov_params)), rtol=ROUNDING
    )


@pytest.mark.parametrize("seed", range(40))
def test_with_the_bound_it_is_non_negative_least_squares(seed):
    total, y, u, design, observed, sigma = case(seed)
    y[5:] -= 4.0  # traces that are predicted below zero
    observed = np.append(y, 98.5)
    root = np.linalg.inv(np.linalg.cholesky(sigma))
    expected = nnls(root @ design, root @ observed)[0]
    value, _ = total.reconcile(y[None], u[None])
    np.testing.assert_allclose(value[0], expected, rtol=1e-7, atol=1e-8 * expected.max())

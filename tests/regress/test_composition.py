"""Predictions reconciled to the total: by hand, by simulation, and what is learned."""

from __future__ import annotations

import numpy as np
import pytest

from calib.errors import DataError
from calib.regress.composition import LEAST_STANDARDS, Total, bounded, learn_total


def test_hand_worked_example():
    # 60 ± 2 and 30 ± 1 are 10 short of 100 ± 0: shared 4 to 1
    total = Total(100.0, 0.0, np.eye(2))
    value, error = total.reconcile(np.array([[60.0, 30.0]]), np.array([[2.0, 1.0]]))
    np.testing.assert_allclose(value, [[68.0, 32.0]], rtol=1e-14)
    # variances 4 − 16/5 and 1 − 1/5
    np.testing.assert_allclose(error, np.sqrt([[0.8, 0.8]]), rtol=1e-14)


def test_a_total_nobody_knows_changes_nothing():
    total = Total(100.0, 1e9, np.eye(3))
    value, error = np.array([[40.0, 30.0, 1.0]]), np.array([[2.0, 1.0, 0.5]])
    got = total.reconcile(value, error)
    np.testing.assert_allclose(got[0], value, rtol=1e-12)
    np.testing.assert_allclose(got[1], error, rtol=1e-12)


def test_reconciled_values_are_better_and_their_error_bars_true():
    generator = np.random.default_rng(7)
    n, k = 4000, 5
    correlation = 0.3 + 0.7 * np.eye(k)
    u = np.array([3.0, 1.5, 1.0, 0.8, 0.4])
    rest = generator.normal(0, 1.2, n)
    truth = generator.dirichlet([50, 15, 8, 8, 4], n) * (98 + rest)[:, None]
    errors = generator.multivariate_normal(np.zeros(k), correlation * np.outer(u, u), n)
    total = Total(98.0, 1.2, correlation)
    value, reduced = total.reconcile(truth + errors, np.broadcast_to(u, (n, k)))
    off = value - truth
    assert np.sqrt((off[:, 0] ** 2).mean()) < 0.75 * u[0]
    ratio = np.sqrt(((off / reduced) ** 2).mean(axis=0))
    np.testing.assert_allclose(ratio, 1.0, atol=0.05)  # 4000 draws: 1 ± 0.011
    assert (reduced < u).all()


def test_contents_are_never_negative_and_a_row_is_itself_alone_or_among_many():
    generator = np.random.default_rng(3)
    correlation = np.corrcoef(generator.standard_normal((6, 20)))
    total = Total(100.0, 1.0, correlation)
    value = generator.normal([60, 20, 10, 1, 0.5, 0.1], 5, (300, 6))
    error = generator.uniform(0.1, 4, (300, 6))
    many = total.reconcile(value, error)
    assert (many[0] >= 0).all()
    assert (many[0] == 0).any(axis=1).sum() > 50
    for i in range(300):
        one = total.reconcile(value[i : i + 1], error[i : i + 1])
        np.testing.assert_array_equal(one[0][0], many[0][i])
        np.testing.assert_array_equal(one[1][0], many[1][i])


def test_bounded_satisfies_the_conditions_of_an_optimum():
    generator = np.random.default_rng(5)
    for _ in range(200):
        root = generator.standard_normal((7, 7))
        covariance, mean = root @ root.T, generator.standard_normal(7)
        found = bounded(mean, covariance)
        push = np.linalg.solve(covariance, found - mean)
        assert (found >= 0).all()
        assert push[found > 0] == pytest.approx(0, abs=1e-7 * np.abs(push).max())
        assert (push >= -1e-7 * np.abs(push).max()).all()


def test_a_value_known_exactly_stays():
    total = Total(100.0, 0.0, np.eye(2))
    value, error = total.reconcile(np.array([[60.0, 30.0]]), np.array([[0.0, 1.0]]))
    np.testing.assert_allclose(value, [[60.0, 40.0]])
    np.testing.assert_array_equal(error, [[0.0, 0.0]])
    untouched = total.reconcile(np.array([[60.0, 30.0]]), np.zeros((1, 2)))[0]
    np.testing.assert_array_equal(untouched, [[60.0, 30.0]])


def standards_of(n: int = 30, spectra: int = 4):
    generator = np.random.default_rng(0)
    certified = generator.dirichlet([50, 15, 8], n) * generator.normal(97, 2, n)[:, None]
    shared = generator.standard_normal((n, 1))
    errors = shared * [1.0, 0.5, -0.2] + 0.3 * generator.standard_normal((n, 3))
    rows = np.repeat(np.arange(n), spectra)
    return certified[rows], errors[rows], rows


def test_a_total_is_learned_from_standards_not_from_spectra():
    certified, errors, standards = standards_of()
    first = standards == 0
    often = np.concatenate([np.arange(len(standards)), np.flatnonzero(first).repeat(50)])
    plain = learn_total(certified, errors, standards)
    loaded = learn_total(certified[often], errors[often], standards[often])
    assert loaded.mean == pytest.approx(plain.mean)
    assert loaded.sd == pytest.approx(plain.sd)
    np.testing.assert_allclose(loaded.correlation, plain.correlation)
    totals = certified[::4].sum(axis=1)
    assert plain.mean == pytest.approx(totals.mean())
    assert plain.sd == pytest.approx(totals.std(ddof=1))
    assert plain.correlation[0, 1] > 0.5 > 0 > plain.correlation[0, 2]
    assert np.linalg.eigvalsh(plain.correlation).min() > 0


def test_standards_with_a_gap_teach_no_total():
    certified, errors, standards = standards_of(n=12)
    certified[standards < 2, 1] = np.nan
    errors[standards == 5] = np.nan
    learned = learn_total(certified, errors, standards)
    rest = certified[standards >= 2][::4].sum(axis=1)
    assert learned.mean == pytest.approx(rest.mean())
    certified[standards == 3, 0] = np.nan
    needed = f"total: 9 standards have all 3 analytes certified, need {LEAST_STANDARDS}"
    with pytest.raises(DataError, match=needed):
        learn_total(certified, errors, standards)


def test_errors_that_say_nothing_leave_analytes_independent():
    certified, errors, standards = standards_of()
    learned = learn_total(certified, np.zeros_like(errors), standards)
    np.testing.assert_array_equal(learned.correlation, np.eye(3))

"""Checks that must fail when they should, and comparison of two runs."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from calib.validate.comparison import compare_held_out, ratio_interval
from calib.validate.honesty import (
    Range,
    corrected_for_choice,
    held_out_check,
    held_out_interval,
    influence,
    influence_check,
    optimism_check,
    permutation_check,
)


def test_permutation_check_passes_skill_and_fails_chance_and_leaks():
    rng = np.random.default_rng(1)
    shuffled = rng.normal(1.0, 0.03, 200)
    assert permutation_check("A", 0.3, shuffled, 1.0, "wt%").passed
    chance = permutation_check("A", 1.0, shuffled, 1.0, "wt%")
    assert not chance.passed
    assert "no skill" in chance.detail
    leak = permutation_check("A", 0.3, 0.5 * shuffled, 1.0, "wt%")
    assert not leak.passed
    assert "shuffled values are predicted" in leak.detail


def test_shuffled_values_of_split_standards_are_predicted_and_that_is_seen():
    """The leak the check is for: replicates of a standard on both sides of the folds."""
    from calib.regress.pls import cross_validated_mean, permutation_test
    from calib.validate.scores import rmse

    rng = np.random.default_rng(2)
    own = rng.normal(size=(30, 60))
    X = np.repeat(own, 4, axis=0) + 0.01 * rng.normal(size=(120, 60))
    y = np.repeat(rng.normal(size=30), 4)
    standards = np.repeat(np.arange(30), 4)
    for folds, honest in ((standards % 5, True), (np.arange(120) % 5, False)):
        found = permutation_test(X, y, folds, 8, standards, n_permutations=20)
        missed = rmse(cross_validated_mean(y, folds)[:, 0], y)
        check = permutation_check("A", float(found.rmsecv[0]), found.permuted[:, 0], missed, "wt%")
        assert ("shuffled values are predicted" in check.detail) is not honest


def test_optimism_is_told_beyond_fifteen_percent():
    assert optimism_check("A", 1.0, 1.14, "wt%").passed
    assert not optimism_check("A", 1.0, 1.16, "wt%").passed
    assert optimism_check("A", 1.0, float("nan"), "wt%").passed


def test_promise_of_rmsecv_is_wider_for_fewer_held_out_standards():
    rng = np.random.default_rng(3)
    errors, standards = rng.normal(size=100), np.arange(100)
    few, many = (held_out_interval(errors, standards, n) for n in (5, 50))
    assert few[0] < many[0] < 1 < many[1] < few[1]


def test_promise_holds_for_standards_of_the_same_kind_and_not_for_worse():
    rng = np.random.default_rng(4)
    kept = 0
    for _ in range(100):
        errors, unseen = rng.normal(size=80), rng.normal(size=20)
        rmsep = float(np.sqrt(np.mean(unseen**2)))
        kept += held_out_check("A", rmsep, errors, np.arange(80), 20, "wt%").passed
    assert kept >= 88  # of 100 at 95 %, binomial
    worse = held_out_check("A", 3.0, rng.normal(size=80), np.arange(80), 20, "wt%")
    assert not worse.passed
    assert "worse than promised" in worse.detail
    beyond = held_out_check(
        "A", 3.0, rng.normal(size=80), np.arange(80), 20, "wt%", range_=Range(2, 0.98)
    )
    assert not beyond.passed
    assert beyond.detail.endswith(
        "2 of them lie beyond the values trained on, without them RMSEP is 0.98"
    )


def test_influence_is_cooks_distance_of_statsmodels():
    import statsmodels.api as sm

    rng = np.random.default_rng(5)
    scores = rng.normal(size=(40, 2))
    y = scores @ [1.0, 2.0] + rng.normal(size=40)
    fitted = sm.OLS(y, sm.add_constant(scores)).fit()
    summary = fitted.get_influence()
    deleted = summary.resid_press
    _, found = influence(deleted, np.arange(40), scores)
    expected = summary.cooks_distance[0] * fitted.mse_resid / np.mean(deleted**2)
    np.testing.assert_allclose(found, expected, rtol=1e-10)


def test_a_standard_that_bends_the_model_is_named_whatever_its_replicates():
    rng = np.random.default_rng(6)
    scores, errors = rng.normal(size=(50, 2)), rng.normal(size=50)
    assert influence_check("A", errors, np.arange(50), scores).passed
    errors[17] = 9.0
    scores[17] = 8.0
    check = influence_check("A", errors, np.arange(50), scores)
    assert not check.passed
    assert "standard 17" in check.detail
    again = influence_check(
        "A", np.repeat(errors, 3), np.repeat(np.arange(50), 3), np.repeat(scores, 3, axis=0)
    )
    assert again.detail == check.detail


def test_choosing_the_best_of_many_equals_is_corrected():
    """Fifty models of equal skill: the best looks better than it is; the correction undoes it."""
    found, flattering = [], []
    for seed in range(20):
        rng = np.random.default_rng(seed)
        truth = rng.normal(size=60)
        models = truth + rng.normal(size=(50, 60))
        flattering.append(np.sqrt(((models - truth) ** 2).mean(axis=1)).min())
        found.append(corrected_for_choice(models, truth, np.arange(60), samples=200))
    assert np.mean(flattering) < 0.85
    # one such RMSE has a standard error of 1/√120; the bootstrap leaves 3 standard errors of 20
    assert np.mean(found) == pytest.approx(1.0, abs=3 / np.sqrt(20 * 120))


def table(rng, scale: float, truth) -> pd.DataFrame:
    predicted = truth + scale * rng.normal(size=truth.size)
    return pd.DataFrame(
        {
            "burst": np.arange(truth.size).astype(str),
            "standard": np.repeat(np.arange(30), 2).astype(str),
            "A": predicted,
            "A_certified": truth,
        }
    )


def test_clear_difference_is_shown_with_its_ratio():
    rng = np.random.default_rng(8)
    truth = np.repeat(rng.uniform(0, 50, 30), 2)
    found = compare_held_out(table(rng, 1.0, truth), table(rng, 0.4, truth), ["A"])[0]
    assert found.words == "second better"
    assert found.ratio_low < found.ratio < found.ratio_high < 1


def test_no_difference_says_so():
    rng = np.random.default_rng(9)
    truth = np.repeat(rng.uniform(0, 50, 30), 2)
    found = compare_held_out(table(rng, 1.0, truth), table(rng, 1.0, truth), ["A"])[0]
    assert found.words == "no difference shown"
    assert found.ratio_low < 1 < found.ratio_high


def test_ratio_interval_is_that_of_scipy():
    from scipy import stats

    rng = np.random.default_rng(10)
    first, second = rng.chisquare(4, 40), rng.chisquare(4, 40) * 0.7

    def ratio(a, b, axis=-1):
        return np.sqrt(b.sum(axis=axis) / a.sum(axis=axis))

    expected = stats.bootstrap(
        (first, second), ratio, paired=True, vectorized=True, method="percentile",
        n_resamples=2000, rng=np.random.default_rng(0),
    ).confidence_interval  # fmt: skip
    # SciPy draws the same standards from the same generator
    found = ratio_interval(first, second, samples=2000, seed=0)
    assert found == pytest.approx((expected.low, expected.high), rel=1e-10)

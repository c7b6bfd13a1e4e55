"""Repeated and nested cross-validation, permutation test and bootstrap."""

import numpy as np
import pytest

from calib.errors import DataError
from calib.regress.pls import (
    PLS,
    Dealing,
    bootstrap_coefficients,
    choose_components,
    cross_validate,
    cross_validated_mean,
    deal_groups,
    nested_cross_validate,
    permutation_test,
    repeated_cross_validate,
)

SIZES = [(48, 80), (96, 20)]

# Rounding of two routes to the same number, relative to the largest.
ROUNDING = 1e-9


def problem(n, p, seed=0):
    """Return spectra (four a standard), two analytes and standards."""
    generator = np.random.default_rng(seed)
    standard = np.repeat(np.arange(n // 4), 4)
    amount = generator.uniform(1, 10, (n // 4, 3))
    X = amount[standard] @ generator.random((3, p)) + 0.3 * generator.standard_normal((n, p))
    Y = amount[:, :2] + 0.2 * generator.standard_normal((n // 4, 2))
    return X, Y[standard], standard


def close(got, expected):
    return np.abs(got - expected).max() <= ROUNDING * np.abs(expected).max()


def test_dealing_keeps_groups_whole_and_folds_even():
    groups = np.random.default_rng(0).integers(0, 23, 400)
    folds = deal_groups(groups, 5, seed=3)
    of_group = {g: set(folds[groups == g]) for g in np.unique(groups)}
    assert all(len(f) == 1 for f in of_group.values())
    sizes = np.bincount([next(iter(f)) for f in of_group.values()])
    assert sizes.max() - sizes.min() <= 1
    np.testing.assert_array_equal(folds, deal_groups(groups, 5, seed=3))
    assert (folds != deal_groups(groups, 5, seed=4)).any()


@pytest.mark.parametrize("n_folds", [1, 24])
def test_dealing_refuses_a_number_of_folds_that_cannot_be(n_folds):
    with pytest.raises(DataError, match=f"n_folds: {n_folds}, needs 2 to 23"):
        deal_groups(np.arange(23), n_folds)


@pytest.mark.parametrize("scale", [False, True])
@pytest.mark.parametrize(("n", "p"), SIZES)
def test_every_repeat_is_a_cross_validation_of_its_folds(n, p, scale):
    X, Y, standard = problem(n, p)
    dealing = Dealing(n_folds=5, n_repeats=3, seed=7)
    found = repeated_cross_validate(X, Y, standard, 4, dealing=dealing, scale=scale)
    assert found.predictions.shape == (3, 4, n, 2)
    for r in range(3):
        np.testing.assert_array_equal(found.folds[r], deal_groups(standard, 5, 7 + r))
        assert close(found.predictions[r], cross_validate(X, Y, found.folds[r], 4, scale))
        np.testing.assert_array_equal(found.baseline[r], cross_validated_mean(Y, found.folds[r]))


@pytest.mark.parametrize("scale", [False, True])
@pytest.mark.parametrize(("n", "p"), SIZES)
def test_nested_equals_choosing_and_refitting_inside_each_outer_fold(n, p, scale):
    X, Y, standard = problem(n, p)
    Y[standard == 3, 1] = np.nan
    found = nested_cross_validate(X, Y, standard, 4, dealing=Dealing(4, 3, seed=5), scale=scale)
    for fold in range(4):
        train = found.folds != fold
        inner = deal_groups(standard[train], 3, 6 + fold)
        path = cross_validate(X[train], Y[train], inner, 4, scale)
        mean = cross_validated_mean(Y[train], inner)
        for j in range(2):
            choice = choose_components(
                path[:, :, j], Y[train, j], standard[train], baseline=mean[:, j]
            )
            assert found.n_components[fold, j] == choice.n_components
            model = PLS(4, scale=scale).fit(X[train], Y[train, j])
            expected = model.predict(X[~train], choice.n_components)
            assert close(found.predictions[~train, j], expected)


def test_nested_never_sees_the_values_it_predicts():
    X, Y, standard = problem(48, 80)
    before = nested_cross_validate(X, Y, standard, 4, dealing=Dealing(4, 3))
    held = before.folds == 2
    poisoned = Y.copy()
    poisoned[held] = -1e3 * poisoned[held]
    after = nested_cross_validate(X, poisoned, standard, 4, dealing=Dealing(4, 3))
    assert close(after.predictions[held], before.predictions[held])
    np.testing.assert_array_equal(after.n_components[2], before.n_components[2])


def test_nested_error_of_noise_is_no_better_than_the_mean():
    generator = np.random.default_rng(1)
    X, y = generator.standard_normal((60, 90)), generator.standard_normal(60)
    rows = np.arange(60)
    found = nested_cross_validate(X, y, rows, 8, dealing=Dealing(6), rule="minimum")
    mean = cross_validated_mean(y, found.folds)
    error = ((found.predictions[:, 0] - y) ** 2).mean()
    assert error >= 0.95 * ((mean[:, 0] - y) ** 2).mean()


def test_permutation_test_finds_a_signal_and_not_noise():
    X, Y, standard = problem(48, 80)
    noise = np.random.default_rng(2).standard_normal(12)[standard]
    table = np.column_stack([Y[:, 0], noise])
    folds = deal_groups(standard, 4)
    found = permutation_test(X, table, folds, 3, standard, n_permutations=99)
    assert found.p_value[0] == 0.01
    assert found.p_value[1] > 0.1
    assert found.permuted.shape == (99, 2)


def test_permutation_test_observes_the_cross_validated_error():
    X, Y, standard = problem(48, 80)
    folds = deal_groups(standard, 4)
    found = permutation_test(X, Y, folds, 3, standard, n_permutations=2)
    error = cross_validate(X, Y, folds, 3) - Y
    np.testing.assert_allclose(found.rmsecv, np.sqrt((error**2).mean(axis=1)).min(axis=0))


def test_permutation_p_value_is_uniform_where_there_is_nothing():
    generator = np.random.default_rng(3)
    X = generator.standard_normal((20, 30))
    table = generator.standard_normal((20, 150))
    found = permutation_test(X, table, np.arange(20) % 4, 2, n_permutations=39)
    # 150 analytes at level 0.2, which share X: five standard errors of 0.033.
    assert np.mean(found.p_value <= 0.2) == pytest.approx(0.2, abs=0.17)


def test_permutation_moves_whole_standards_only():
    X, Y, standard = problem(48, 80)
    Y[1, 1] += 1
    with pytest.raises(DataError, match=r"groups: standard 0 has values .* in column 1 of Y"):
        permutation_test(X, Y, deal_groups(standard, 4), 3, standard)


@pytest.mark.parametrize("scale", [False, True])
@pytest.mark.parametrize(("n", "p"), SIZES)
def test_bootstrap_equals_refits_on_the_standards_drawn(n, p, scale):
    X, Y, standard = problem(n, p)
    Y[standard == 5, 1] = np.nan
    found = bootstrap_coefficients(X, Y, standard, 3, n_draws=6, scale=scale, seed=8)
    generator = np.random.default_rng(8)
    for j in range(2):
        names = np.unique(standard[~np.isnan(Y[:, j])])
        coef = []
        for _ in range(6):
            drawn = names[generator.integers(0, len(names), len(names))]
            rows = np.concatenate([np.flatnonzero(standard == s) for s in drawn])
            coef.append(PLS(3, scale=scale).fit(X[rows], Y[rows, j]).coef_[0])
        assert close(found.mean[j], np.mean(coef, axis=0))
        assert close(found.standard_error[j], np.std(coef, axis=0, ddof=1))
        assert close(found.low[j], np.percentile(coef, 5, axis=0))
        assert close(found.high[j], np.percentile(coef, 95, axis=0))


def test_bootstrap_by_standard_is_wider_than_by_spectrum():
    X, Y, standard = problem(48, 80)
    by_standard = bootstrap_coefficients(X, Y, standard, 3, n_draws=100)
    by_spectrum = bootstrap_coefficients(X, Y, np.arange(48), 3, n_draws=100)
    assert np.median(by_standard.standard_error / by_spectrum.standard_error) > 1.05


def test_bootstrap_refuses_too_few_standards():
    X, Y, standard = problem(48, 80)
    Y[standard > 1, 0] = np.nan
    with pytest.raises(DataError, match=r"groups: 2 standard\(s\) with a value in column 0"):
        bootstrap_coefficients(X, Y, standard, 1)

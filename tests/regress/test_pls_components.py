"""Choice of the component count, with errors grouped by standard."""

import itertools

import numpy as np
import pytest

from calib.errors import DataError
from calib.regress.pls import (
    choose_components,
    cross_validate,
    cross_validated_mean,
    deal_groups,
    randomisation_test,
)


def errors_path(root_mean_square, n=40, seed=0):
    """Return (predictions, y) with the wanted RMSECV for 1, 2, … components."""
    generator = np.random.default_rng(seed)
    y = generator.normal(50, 10, n)
    path = []
    for wanted in root_mean_square:
        error = generator.standard_normal(n)
        path.append(y + error * wanted / np.sqrt((error**2).mean()))
    return np.array(path), y


def test_minimum_takes_the_smallest_error():
    path, y = errors_path([3.0, 2.0, 1.5, 1.4, 1.45])
    choice = choose_components(path, y, np.arange(40), "minimum")
    assert choice.n_components == 4
    np.testing.assert_allclose(choice.rmsecv[1:], [3.0, 2.0, 1.5, 1.4, 1.45], rtol=1e-12)
    assert np.isnan(choice.rmsecv[0])


def test_one_standard_error_takes_the_fewest_within_it():
    path, y = errors_path([3.0, 1.5, 1.42, 1.4, 1.45])
    assert choose_components(path, y, np.arange(40)).n_components == 2


def test_zero_components_where_nothing_beats_the_mean():
    path, y = errors_path([12.0, 13.0, 14.0])
    mean = np.full(40, y.mean())
    for rule in ("minimum", "one-standard-error", "randomisation"):
        assert choose_components(path, y, np.arange(40), rule, baseline=mean).n_components == 0


def test_standard_error_of_single_spectra_is_the_textbook_one():
    path, y = errors_path([1.5])
    square = (path[0] - y) ** 2
    choice = choose_components(path, y, np.arange(40))
    of_mean_square = square.std(ddof=1) / np.sqrt(40)
    expected = of_mean_square / (2 * np.sqrt(square.mean()))
    assert choice.standard_error[1] == pytest.approx(expected, rel=1e-12)


def test_copies_of_a_spectrum_do_not_narrow_the_standard_error():
    path, y = errors_path([2.0, 1.5])
    once = choose_components(path, y, np.arange(40))
    copies = np.repeat(np.arange(40), 9)
    many = choose_components(path[:, copies], y[copies], copies)
    np.testing.assert_allclose(many.standard_error[1:], once.standard_error[1:], rtol=1e-12)
    np.testing.assert_allclose(many.rmsecv[1:], once.rmsecv[1:], rtol=1e-12)
    naive = choose_components(path[:, copies], y[copies], np.arange(len(copies)))
    assert naive.standard_error[1] < 0.4 * many.standard_error[1]


def test_copies_of_a_spectrum_do_not_sharpen_the_randomisation_test():
    path, y = errors_path([1.7, 1.5], seed=3)
    error = path - y
    once = randomisation_test(error[0], error[1], np.arange(40), seed=1)
    copies = np.repeat(np.arange(40), 9)
    many = randomisation_test(error[0][copies], error[1][copies], copies, seed=1)
    assert many == once
    naive = randomisation_test(error[0][copies], error[1][copies], np.arange(360), seed=1)
    assert naive < once


def test_few_standards_are_tested_by_all_sign_patterns():
    generator = np.random.default_rng(4)
    error, reference = generator.standard_normal((2, 18))
    groups = np.repeat(np.arange(6), 3)
    difference = np.bincount(groups, error**2 - reference**2)
    patterns = [np.dot(s, difference) for s in itertools.product([1, -1], repeat=6)]
    expected = np.mean(np.array(patterns) >= difference.sum() - 1e-12)
    assert randomisation_test(error, reference, groups) == expected


def test_randomisation_test_keeps_its_level_where_there_is_no_difference():
    generator = np.random.default_rng(5)
    p_values = [
        randomisation_test(*generator.standard_normal((2, 30)), np.arange(30), n_draws=199, seed=k)
        for k in range(600)
    ]
    # 600 trials at level 0.1: the standard error of the share is 0.012.
    assert np.mean(np.array(p_values) <= 0.1) == pytest.approx(0.1, abs=0.037)


def test_randomisation_takes_more_components_only_where_they_help():
    path, y = errors_path([3.0, 1.5, 1.48, 1.47])
    choice = choose_components(path, y, np.arange(40), "randomisation")
    assert choice.n_components == 2
    assert choice.p_value[1] < 0.01 < choice.p_value[2]


def test_rows_not_certified_take_no_part():
    path, y = errors_path([3.0, 1.5])
    y[::4] = np.nan
    known = ~np.isnan(y)
    got = choose_components(path, y, np.arange(40))
    expected = choose_components(path[:, known], y[known], np.arange(40)[known])
    np.testing.assert_array_equal(got.rmsecv, expected.rmsecv)
    np.testing.assert_array_equal(got.standard_error, expected.standard_error)


def test_finds_the_rank_of_spectra_made_of_three_parts():
    generator = np.random.default_rng(6)
    standard = np.repeat(np.arange(40), 3)
    amount = generator.uniform(1, 10, (40, 3))[standard]
    X = amount @ generator.random((3, 200)) + 0.02 * generator.standard_normal((120, 200))
    y = amount @ [1.0, -1.0, 0.5] + generator.normal(0, 0.05, 40)[standard]
    folds = deal_groups(standard, 8)
    choice = choose_components(
        cross_validate(X, y, folds, 10)[:, :, 0],
        y,
        standard,
        baseline=cross_validated_mean(y, folds)[:, 0],
    )
    assert choice.n_components == 3


BAD = {
    "rule": ({"rule": "best"}, "rule: 'best', needs one of minimum, one-standard-error"),
    "two analytes": ({"predictions": np.zeros((2, 40, 2))}, "one analyte at a time"),
    "rows": ({"predictions": np.zeros((2, 39))}, r"predictions: shape \(2, 39\) for y"),
    "groups": ({"groups": np.arange(3)}, r"groups: shape \(3,\), needs one label for each of 40"),
    "one standard": ({"groups": np.zeros(40)}, r"groups: 1 standard\(s\) with a certified value"),
    "baseline": ({"baseline": np.zeros(3)}, r"baseline: shape \(3,\), needs \(40,\)"),
}


@pytest.mark.parametrize("case", BAD)
def test_bad_input_names_the_argument(case):
    path, y = errors_path([2.0, 1.0])
    arguments = {"predictions": path, "y": y, "groups": np.arange(40)} | BAD[case][0]
    with pytest.raises(DataError, match=BAD[case][1]):
        choose_components(**arguments)

"""Scores: identities and the unit of evidence."""

from __future__ import annotations

import numpy as np
import pytest

from calib.errors import DataError
from calib.validate.breakdown import by_group, by_range, reference_share, repeatability, totals
from calib.validate.scores import line, rmse_interval, score


def test_rmsep_bias_and_sep_satisfy_their_identity():
    rng = np.random.default_rng(1)
    truth, error = rng.uniform(0, 50, 30), rng.normal(0.4, 1, 30)
    found = score(truth + error, truth, np.arange(30))
    assert found.rmsep**2 == pytest.approx(found.bias**2 + found.sep**2 * 29 / 30, rel=1e-12)


def test_copies_of_a_spectrum_add_no_evidence():
    rng = np.random.default_rng(2)
    truth = rng.uniform(0, 50, 12)
    predicted = truth + rng.normal(size=12)
    once = score(predicted, truth, np.arange(12))
    often = score(np.tile(predicted, 7), np.tile(truth, 7), np.tile(np.arange(12), 7))
    for key in ("rmsep", "low", "high", "bias", "bias_limit", "slope", "line_p", "rpiq"):
        if key != "rpiq":  # SEP has n − 1 of spectra
            assert getattr(often, key) == pytest.approx(getattr(once, key), rel=1e-12), key


def test_interval_holds_the_truth_about_as_often_as_it_says():
    hits = 0
    for seed in range(300):
        rng = np.random.default_rng(seed)
        errors = rng.normal(size=24)[:, None] + 0.5 * rng.normal(size=(24, 4))
        low, high = rmse_interval((errors**2).sum(axis=1), np.full(24, 4.0), samples=300, seed=seed)
        hits += low <= np.sqrt(1.25) <= high
    assert 0.90 <= hits / 300 <= 0.98  # binomial standard error 0.013


def test_one_dominating_standard_leaves_an_interval_with_an_end():
    squares = np.r_[np.full(22, 0.1), 400.0]
    low, high = rmse_interval(squares, np.full(23, 4.0))
    found = np.sqrt(squares.sum() / 92)
    assert low < found < high < 10 * found


def test_missing_pairs_are_left_out():
    found = score([1.0, np.nan, 3.0], [1.0, 2.0, np.nan], ["a", "b", "c"])
    assert (found.n_standards, found.n_spectra, found.rmsep) == (1, 1, 0.0)
    assert np.isnan(score([np.nan], [1.0], ["a"]).rmsep)


def test_line_of_constant_predictions_is_unknown():
    assert np.isnan(line([2.0, 2.0, 2.0], [1.0, 2.0, 3.0]).slope)


def test_perfect_line_passes_and_a_perfect_other_line_does_not():
    x = np.arange(5.0)
    assert line(x, x).joint_p == 1.0
    assert line(x, 2 * x).joint_p == pytest.approx(0.0, abs=1e-12)


def test_lengths_that_differ_are_refused():
    with pytest.raises(DataError, match="need three alike"):
        score([1.0], [1.0, 2.0], ["a", "b"])


def test_breakdown_by_distance_adds_up():
    rng = np.random.default_rng(3)
    errors, standards = rng.normal(size=40), np.repeat(np.arange(10), 4)
    parts = by_group(errors, standards, np.tile([1.5, 3.0, 5.0, np.nan], 10))
    assert [p.name for p in parts] == ["1.5", "3", "5"]
    assert [p.n_spectra for p in parts] == [10, 10, 10]
    known = np.tile([True, True, True, False], 10)
    total = sum(p.rmsep**2 * p.n_spectra for p in parts)
    assert total == pytest.approx(float(errors[known] @ errors[known]), rel=1e-12)


def test_breakdown_by_range_holds_every_standard_once():
    certified = np.repeat(np.r_[np.zeros(10), np.arange(1.0, 21.0)], 2)
    standards = np.repeat(np.arange(30), 2)
    parts = by_range(np.ones(60), certified, standards)
    assert sum(p.n_standards for p in parts) == 30
    assert all(p.rmsep == 1.0 for p in parts)
    assert by_range(np.ones(2), np.full(2, np.nan), np.arange(2)) == []


def test_repeatability_is_the_pooled_standard_deviation():
    """ISO 5725-2:2019: cells of equal size pool to the mean of their variances."""
    predicted = np.array([1.0, 3.0, 10.0, 14.0])
    standards = np.array(["a", "a", "b", "b"])
    assert repeatability(predicted, standards) == pytest.approx(np.sqrt((2 + 8) / 2))
    assert np.isnan(repeatability(predicted, standards, [1.5, 3.0, 1.5, 3.0]))


def test_share_of_the_certified_uncertainty():
    errors = np.array([2.0, -2.0, 2.0, 9.0])
    found = reference_share(errors, np.array([1.0, 1.0, 1.0, np.nan]))
    assert found.share == pytest.approx(0.25)
    assert found.corrected == pytest.approx(np.sqrt(3))
    assert found.n_spectra == 3
    assert reference_share(errors, np.full(4, 5.0)).corrected == 0.0


def test_totals_compare_with_the_certified_total():
    predicted = np.array([[60.0, 39.0], [50.0, 52.0]])
    found = totals(predicted, np.array([[60.0, 40.0], [50.0, np.nan]]))
    assert found["mean"] == pytest.approx(100.5)
    assert found["rmse"] == pytest.approx(1.0)

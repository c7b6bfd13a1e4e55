"""Error bars: what they promise on standards not seen, and what they are made from."""

from __future__ import annotations

import numpy as np
import pytest

from calib.errors import DataError
from calib.validate.intervals import cv_plus, interval_multiple, local_error


def draw(rng, standards: int):
    """Errors that grow with the value and are mostly the standard's own."""
    truth = np.repeat(rng.lognormal(1.0, 1.0, standards), 4)
    own = np.repeat(rng.standard_t(5, standards), 4) * (0.3 + 0.1 * truth)
    return truth, truth + own + 0.1 * rng.normal(size=truth.size)


@pytest.mark.parametrize("level", [0.7, 0.9])
def test_coverage_on_new_standards_is_the_level_on_average(level):
    shares = []
    for seed in range(20):
        rng = np.random.default_rng(seed)
        truth, predicted = draw(rng, 100)
        bars = local_error(predicted, truth, np.repeat(np.arange(100), 4))
        truth, predicted = draw(rng, 400)
        half = bars.multiple(level) * bars.at(predicted)
        shares.append(np.mean(np.abs(predicted - truth) <= half))
    # 20 calibrations of 100 standards: the mean has a standard error near 0.008
    assert np.mean(shares) == pytest.approx(level, abs=0.025)


def test_error_bar_follows_the_prediction():
    truth = np.linspace(0, 80, 2401)
    size = 0.2 + 0.05 * truth
    predicted = truth + np.where(np.arange(truth.size) % 2, size, -size)
    bars = local_error(predicted, truth, np.arange(truth.size))
    at = np.array([5.0, 40.0, 75.0])
    # around one prediction, errors up and down differ by 5 % of it, either way
    np.testing.assert_allclose(bars.at(at), 0.2 + 0.05 * at, rtol=0.01)


def test_unusual_spectra_get_wider_bars_that_hold_as_often():
    """Errors of unusual spectra three times as large: the level holds among them alone."""

    def draw_unusual(rng, standards: int):
        truth, predicted = draw(rng, standards)
        far = np.where(np.repeat(rng.uniform(size=standards) < 0.15, 4), 9.0, 0.5)
        return truth, truth + (predicted - truth) * np.sqrt(np.maximum(far, 1.0)), far

    shares = {True: [], False: []}
    for seed in range(20):
        rng = np.random.default_rng(seed)
        truth, predicted, far = draw_unusual(rng, 100)
        standards = np.repeat(np.arange(100), 4)
        bars = local_error(predicted, truth, standards, far)
        blind = local_error(predicted, truth, standards)
        truth, predicted, far = draw_unusual(rng, 400)
        for seeing, half in (
            (True, bars.multiple(0.9) * bars.at(predicted, far)),
            (False, blind.multiple(0.9) * blind.at(predicted, far)),
        ):
            shares[seeing].append(np.mean((np.abs(predicted - truth) <= half)[far > 1]))
    # 20 times 60 unusual standards, limits from 100 each: standard error near 0.011
    assert np.mean(shares[True]) == pytest.approx(0.9, abs=0.033)
    assert np.mean(shares[False]) < 0.75


def test_bars_made_without_it_take_no_notice_of_unusual_spectra():
    truth = np.linspace(0, 10, 80)
    bars = local_error(truth + np.where(np.arange(80) % 2, 0.5, -0.5), truth, np.arange(80))
    np.testing.assert_array_equal(bars.at(truth, np.full(80, 50.0)), bars.at(truth))


def test_constant_error_gives_a_flat_table():
    truth = np.linspace(0, 10, 80)
    predicted = truth + np.where(np.arange(80) % 2, 0.5, -0.5)
    bars = local_error(predicted, truth, np.arange(80))
    np.testing.assert_allclose(bars.error, 0.5, rtol=1e-12)
    np.testing.assert_allclose(bars.score, 1.0, rtol=1e-12)


def test_a_window_of_few_standards_is_widened():
    """Ten spectra each of three odd standards among many: they may not be their own yardstick."""
    truth = np.repeat(np.arange(40.0), 10)
    error = np.where(truth < 3, 5.0, 0.5)
    bars = local_error(truth + error, truth, np.repeat(np.arange(40), 10))
    odd = np.repeat(np.arange(40), 10) < 3
    assert bars.error[0] < 5.0
    assert bars.multiple(0.9) < bars.score.max()
    assert odd.sum() == 30


def test_repeats_of_one_spectrum_add_no_evidence():
    rng = np.random.default_rng(2)
    truth, predicted = draw(rng, 50)
    standards = np.repeat(np.arange(50), 4)
    once = local_error(predicted, truth, standards)
    often = local_error(np.tile(predicted, (3, 1)), truth, standards)
    np.testing.assert_allclose(often.error, once.error, rtol=1e-12)
    assert often.multiple(0.9) == pytest.approx(once.multiple(0.9), rel=1e-12)


def test_too_few_standards_for_a_level_give_no_end():
    truth = np.arange(8.0)
    bars = local_error(truth + 0.1, truth, np.arange(8))
    assert np.isfinite(bars.multiple(0.8))
    assert np.isinf(bars.multiple(0.9))  # 8 of 9 pieces of weight are finite


def test_tied_predictions_are_no_trouble():
    truth = np.linspace(0, 1, 60)
    predicted = np.where(truth < 0.7, 0.0, truth)
    bars = local_error(predicted, truth, np.arange(60))
    assert np.isfinite(bars.error).all()
    assert (np.diff(bars.predicted) > 0).all()


def test_higher_level_is_never_narrower():
    rng = np.random.default_rng(3)
    truth, predicted = draw(rng, 60)
    bars = local_error(predicted, truth, np.repeat(np.arange(60), 4))
    multiples = [bars.multiple(level) for level in np.linspace(0.05, 0.99, 40)]
    assert (np.diff(multiples) >= 0).all()


@pytest.mark.parametrize("level", [0.0, 1.0, -0.1, float("nan")])
def test_level_that_cannot_be_is_refused(level):
    with pytest.raises(DataError, match="need a number between 0 and 1"):
        interval_multiple(np.ones(3), np.full(3, 0.3), level)


def test_nothing_known_is_refused():
    with pytest.raises(DataError, match="need 1"):
        local_error(np.ones(2), np.full(2, np.nan), np.arange(2))


def test_cv_plus_of_models_that_agree_is_the_interval_about_them():
    rng = np.random.default_rng(4)
    residuals, standards = rng.normal(size=120), np.repeat(np.arange(40), 3)
    models = np.tile(rng.normal(size=5), (4, 1))
    low, high = cv_plus(models, np.arange(120) % 4, residuals, standards, level=0.8)
    order = np.argsort(np.abs(residuals))
    multiple = interval_multiple(
        np.abs(residuals)[order], np.cumsum(np.full(120, 1 / (41 * 3))), 0.8
    )
    np.testing.assert_allclose(high, models[0] + multiple, rtol=1e-12)
    np.testing.assert_allclose(low, models[0] - multiple, rtol=1e-12)

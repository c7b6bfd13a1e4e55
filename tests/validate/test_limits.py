"""Limits of detection: the univariate limit, the blank's leverage, what is reported."""

from __future__ import annotations

import numpy as np
import pytest

from calib.validate.limits import blank_limits, detection_interval, linear_limits, reported


def univariate():
    certified = np.repeat([0.0, 1.0, 2.0, 5.0, 10.0], 3)
    slope, noise = 2.5, 0.05
    return certified, slope, noise


def test_one_channel_gives_the_univariate_limit():
    """Currie 1995, Pure Appl. Chem. 67:1699 (IUPAC): 3.3 s/slope √(1 + ȳ²/Σ(y − ȳ)² …).

    With one sensor the leverage of a sample is its own share of the spread, so both ends of the
    interval are that of the blank, and the calibration line's intercept adds its leverage.
    """
    certified, slope, noise = univariate()
    away = certified - certified.mean()
    leverage = away**2 / (away @ away)
    found = linear_limits(
        np.array([1 / slope]), (slope * certified)[:, None], certified, leverage,
        noise=noise / slope,
    )  # fmt: skip
    expected = 3.3 * noise / slope * np.sqrt(1 + certified.mean() ** 2 / (away @ away))
    assert found.lod_low == pytest.approx(expected, rel=1e-12)
    assert found.lod_high == pytest.approx(expected, rel=1e-12)
    assert found.loq_low / found.lod_low == pytest.approx(10 / 3.3)
    assert found.sensitivity == pytest.approx(slope)
    assert found.selectivity == pytest.approx(1.0)
    assert found.analytical_sensitivity == pytest.approx(slope / noise)


def test_overlapped_constituents_cost_sensitivity_and_selectivity():
    """Net analyte signal (Lorber 1986): SEN = ‖s‖ √(1 − cos²), for two pure spectra."""
    rng = np.random.default_rng(1)
    analyte, other = np.array([1.0, 0.0, 0.0]), np.array([0.8, 0.6, 0.0])
    amounts = rng.uniform(0, 1, (200, 2))
    spectra = amounts @ np.stack([analyte, other])
    coefficients = np.linalg.pinv(spectra) @ amounts[:, 0]
    found = linear_limits(coefficients, spectra, amounts[:, 0], np.full(200, 0.01), noise=0.01)
    assert found.sensitivity == pytest.approx(np.sqrt(1 - 0.8**2), rel=1e-10)
    assert 0 < found.selectivity < 0.6


def test_blank_lies_between_the_two_leverages():
    certified = np.array([1.0, 2.0, 3.0])
    low, high = detection_interval(certified, np.array([0.9, 0.4, 0.9]), 1.0, 0.0)
    least = 4.0 / 2.0
    most = max(
        h + least * (1 - ((y - 2) / 2) ** 2)
        for h, y in zip((0.9, 0.4, 0.9), certified, strict=True)
    )
    assert low == pytest.approx(np.sqrt(1 + least))
    assert high == pytest.approx(np.sqrt(1 + most))
    _, worse = detection_interval(certified, np.array([0.9, 0.4, 0.9]), 1.0, 0.5)
    assert worse == pytest.approx(np.sqrt(1 + most + most * 0.25))


def test_model_of_another_kind_has_a_limit_from_its_own_errors():
    found = blank_limits(0.2, 0.1)
    assert (found.lod_low, found.lod_high) == (pytest.approx(0.66), pytest.approx(0.66))
    assert found.sensitivity is None


def test_a_concentration_is_never_reported_below_zero_and_an_octane_number_may_be():
    values = np.array([-0.5, 0.0, 2.0])
    assert reported(values, "wt%").tolist() == [0.0, 0.0, 2.0]
    assert reported(values, "ppm").tolist() == [0.0, 0.0, 2.0]
    assert reported(values, "octane").tolist() == [-0.5, 0.0, 2.0]

"""Blended sub-models: the blend by hand, the edges, and who trains what."""

from __future__ import annotations

import numpy as np
import pytest

from calib.errors import SettingsError
from calib.regress import sub_models
from calib.regress.family import Problem
from calib.regress.predictors import blended
from calib.regress.sub_models import SubModels


@pytest.mark.parametrize(
    ("full", "expected"),
    [
        (9.0, 11.0),  # below the first overlap: the low sub-model alone
        (12.0, 0.6 * 11 + 0.4 * 16),  # in [10, 15]: (12 − 10) / (15 − 10) of the middle one
        (15.0, 16.0),
        (25.0, 0.5 * 16 + 0.5 * 30),  # in [20, 30]: (25 − 20) / (30 − 20) of the high one
        (99.0, 30.0),
    ],
)
def test_the_blend_worked_by_hand(full, expected):
    # weights as in Anderson et al. 2017, Spectrochim. Acta B 129:49, section 2; numbers our own
    got = blended(
        np.array([[full]]),
        coefficients=np.array([[1.0], [0.0], [0.0], [0.0]]),
        intercept=np.array([0.0, 11.0, 16.0, 30.0]),
        edges=np.array([[10.0, 15.0], [20.0, 30.0]]),
    )
    assert got[0] == pytest.approx(expected, rel=1e-14)


def bent(seed: int = 2) -> Problem:
    """A line whose slope falls by four above 10: two straight pieces."""
    generator = np.random.default_rng(seed)
    y = np.repeat(generator.uniform(0, 20, 60), 2)
    light = np.minimum(y, 10) + 0.25 * np.maximum(y - 10, 0)
    X = np.outer(light, generator.uniform(0.5, 2, 30))
    X += np.outer(generator.standard_normal(120), generator.standard_normal(30))
    X += 0.05 * generator.standard_normal(X.shape)
    standards = np.repeat(np.arange(60), 2)
    folds = generator.permutation(60)[standards][None] % 6
    return Problem(X, y[:, None], folds, standards, ("CaO",))


def rmse(predicted: np.ndarray, y: np.ndarray) -> float:
    return float(np.sqrt(np.mean((predicted - y) ** 2)))


def test_two_straight_pieces_are_found_and_beat_one_line():
    made = bent()
    found = sub_models.attempt(made, 0, sub_models.options({}), {})
    alone = sub_models.attempt(made, 0, sub_models.options({"max_ranges": 1}), {})
    assert found.settings["edges"]
    assert alone.settings["edges"] == []
    y = made.Y[:, 0]
    assert rmse(found.out_of_fold[0], y) < 0.8 * rmse(alone.out_of_fold[0], y)


def test_too_few_rows_for_ranges_leave_one_model():
    made = bent()
    few = Problem(made.X[:24], made.Y[:24], made.folds[:, :24] % 3, made.standards[:24], ("CaO",))
    assert sub_models.attempt(few, 0, sub_models.options({}), {}).settings["edges"] == []


def test_two_folds_are_enough():
    made = bent()
    halved = Problem(made.X, made.Y, made.folds % 2, made.standards, ("CaO",))
    found = sub_models.attempt(halved, 0, sub_models.options({}), {})
    assert np.isfinite(found.out_of_fold).all()


@pytest.mark.parametrize(
    ("settings", "message"),
    [
        ({"edges": [(5, 4)]}, r"edges are \[\(5, 4\)\], need pairs of low < high that rise"),
        ({"edges": [(5, 9), (8, 12)]}, "need pairs of low < high that rise"),
        ({"edges": [(5, 9)], "n_components": [2, 2]}, "n_components has 2 counts, need 3"),
    ],
)
def test_edges_and_counts_that_cannot_be_are_refused(settings, message):
    made = bent()
    with pytest.raises(SettingsError, match=message):
        SubModels(**settings).fit(made.X, made.Y[:, 0])

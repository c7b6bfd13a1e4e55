"""The stack: best weights, honest out-of-fold predictions, weights that change over the range."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import minimize

from calib.errors import DataError
from calib.regress import predictors
from calib.regress.stack import LEAST_WEIGHT, convex_weights, stack

# Two solvers of one problem: the other's own tolerance.
SOLVER = 1e-6


def rivals(n: int = 200, repeats: int = 2, seed: int = 0):
    """Return members with errors that partly cancel, values, folds, standards of 4 spectra."""
    generator = np.random.default_rng(seed)
    standards = np.arange(n) // 4
    y = np.repeat(generator.uniform(10, 70, n // 4), 4)
    shared = generator.standard_normal((repeats, n))
    members = np.stack(
        [y + spread * generator.standard_normal((repeats, n)) + shared for spread in (1, 1.5, 6)]
    )
    folds = np.stack([standards % 5, (standards * 7 + 3) % 5])
    return members, y, folds, standards


def test_weights_are_the_best_of_all_that_sum_to_one():
    generator = np.random.default_rng(1)
    errors = generator.standard_normal((80, 5)) @ generator.standard_normal((5, 5))
    weights = convex_weights(errors)
    found = minimize(
        lambda w: np.sum((errors @ w) ** 2),
        np.full(5, 0.2),
        bounds=[(0, None)] * 5,
        constraints={"type": "eq", "fun": lambda w: w.sum() - 1},
        tol=1e-14,
    )
    np.testing.assert_allclose(weights, found.x, atol=SOLVER)
    assert weights.sum() == pytest.approx(1, abs=1e-14)
    assert weights.min() >= 0


def test_hand_worked_weights():
    # uncorrelated errors of variance 1 and 4: weights 4/5 and 1/5
    errors = np.array([[1.0, 2.0], [1.0, -2.0], [-1.0, 2.0], [-1.0, -2.0]])
    np.testing.assert_allclose(convex_weights(errors), [0.8, 0.2], rtol=1e-12)
    np.testing.assert_array_equal(convex_weights(np.zeros((4, 2))), [0.5, 0.5])


@pytest.mark.parametrize("by_range", [False, True])
def test_a_stack_of_what_complements_beats_its_members(by_range):
    members, y, folds, standards = rivals()
    made = stack(members, y, folds, standards, by_range=by_range)
    errors = np.sqrt(np.mean((members - y) ** 2, axis=(1, 2)))
    assert np.sqrt(np.mean((made.out_of_fold - y) ** 2)) < errors.min()
    assert made.weights.sum() == pytest.approx(1)
    assert np.argsort(-made.weights).tolist()[:2] == [0, 1]


def test_few_standards_leave_most_weight_to_the_best_member():
    members, y, folds, standards = rivals(n=400, repeats=1, seed=5)
    few = slice(0, 24)
    drawn = stack(members[:, :, few], y[few], folds[:1, few], standards[few]).weights
    # the best of all weights of errors with standard deviations 1 and 1.5 beside a shared one:
    # 1.5² / (1 + 1.5²) = 0.69
    many = stack(members, y, folds[:1], np.arange(400)).weights
    assert drawn[0] > 0.9
    assert 0.69 < many[0] < drawn[0]


def test_standards_weigh_alike_however_often_they_were_shot():
    members, y, folds, standards = rivals(repeats=1)
    folds = folds[:1]
    # one standard shot forty times more, where the worst member happens to be right
    often = np.concatenate([np.arange(200), np.zeros(40, dtype=int)])
    more = members[:, :, often]
    more[2, 0, 200:] = y[0]
    plain = stack(members, y, folds, standards).weights
    loaded = stack(more, y[often], folds[:, often], standards[often]).weights
    # not equal: that standard's mean error has changed; by rows its forty would be a sixth of all
    np.testing.assert_allclose(loaded, plain, atol=0.05)


@pytest.mark.parametrize("by_range", [False, True])
def test_values_of_a_fold_change_nothing_in_its_own_predictions(by_range):
    members, y, folds, standards = rivals()
    before = stack(members, y, folds, standards, by_range=by_range).out_of_fold
    poisoned = y.copy()
    held = folds[0] == 2
    poisoned[held] = 1e4
    after = stack(members, poisoned, folds, standards, by_range=by_range).out_of_fold
    np.testing.assert_array_equal(after[0, held], before[0, held])
    assert np.abs(after - before).max() > 0.01


def test_weights_follow_the_range_where_members_do():
    generator = np.random.default_rng(4)
    n = 400
    standards = np.arange(n)
    y = generator.uniform(0, 1, n)
    noise = generator.standard_normal((2, 1, n))
    # the first member is good below, the second above
    members = np.stack([y + noise[0] * (0.01 + 0.2 * y), y + noise[1] * (0.21 - 0.2 * y)])
    folds = standards[None] % 10
    fixed = stack(members, y, folds, standards)
    moving = stack(members, y, folds, standards, by_range=True)
    error = [np.sqrt(np.mean((s.out_of_fold - y) ** 2)) for s in (fixed, moving)]
    assert moving.combine == "weights_by_range"
    assert error[1] < 0.9 * error[0]
    weights = moving.arrays["weights"]
    np.testing.assert_allclose(weights.sum(axis=1), 1, atol=1e-12)
    assert (np.diff(weights[:, 0]) < 0).all()


def test_few_values_keep_weights_near_the_constant_ones():
    members, y, folds, standards = rivals(n=24, repeats=1, seed=3)
    fixed = stack(members, y, folds[:1], standards)
    moving = stack(members, y, folds[:1], standards, by_range=True)
    constant = fixed.weights[list(fixed.members)]
    assert np.abs(moving.arrays["centre"] - fixed.weights[list(moving.members)]).max() < 1e-12
    assert np.abs(moving.weights[list(fixed.members)] - constant).max() < 0.25


def test_members_of_no_weight_are_left_out():
    members, y, folds, standards = rivals()
    useless = np.concatenate([members, members[:1] + 50])
    made = stack(useless, y, folds, standards)
    assert 3 not in made.members
    assert made.weights[3] == 0
    assert made.arrays["weights"].shape == (len(made.members),)
    assert made.arrays["weights"].min() >= LEAST_WEIGHT
    alone = stack(members[:1], y, folds, standards)
    assert (alone.combine, alone.arrays, alone.members) == ("single", {}, (0,))
    np.testing.assert_allclose(alone.out_of_fold, members[0], rtol=1e-14)


def test_equal_predictions_throughout_have_no_range():
    members, y, folds, standards = rivals()
    assert stack(np.full_like(members, 3.0), y, folds, standards, by_range=True).combine in (
        "single",
        "weights",
    )


def test_rows_without_a_value_are_joined_but_teach_nothing():
    members, y, folds, standards = rivals()
    known = y.copy()
    known[:20] = np.nan
    made = stack(members, known, folds, standards)
    assert np.isfinite(made.out_of_fold).all()
    shorter = stack(members[..., 20:], y[20:], folds[:, 20:], standards[20:])
    np.testing.assert_allclose(made.weights, shorter.weights, rtol=1e-12)


@pytest.mark.parametrize("kind", ["weights", "weights_by_range"])
def test_a_row_is_joined_alike_alone_and_among_many(kind):
    members = np.random.default_rng(0).normal(30, 5, (7, 50))
    arrays = {"weights": np.full(7, 1 / 7)}
    if kind == "weights_by_range":
        mixed = np.random.default_rng(1).dirichlet(np.ones(7), 3)
        knots = np.array([25.0, 30, 35])
        arrays = {"centre": arrays["weights"], "knots": knots, "weights": mixed}
    many = predictors.combine(kind, members, arrays)
    one = [predictors.combine(kind, members[:, [i]], arrays)[0] for i in range(50)]
    np.testing.assert_array_equal(one, many)
    assert ((members.min(axis=0) <= many) & (many <= members.max(axis=0))).all()


def test_hand_worked_weights_over_the_range():
    # half-way between knots 10 and 20 each member counts by the mean of its two weights
    arrays = {
        "centre": np.array([1.0, 0.0]),
        "knots": np.array([10.0, 20.0]),
        "weights": np.array([[1.0, 0.0], [0.0, 1.0]]),
    }
    members = np.array([[15.0, 5.0, 30.0], [17.0, 9.0, 31.0]])
    got = predictors.combine("weights_by_range", members, arrays)
    np.testing.assert_allclose(got, [16.0, 5.0, 31.0], rtol=1e-14)


def test_what_cannot_be_joined_is_refused():
    members, y, folds, standards = rivals()
    with pytest.raises(DataError, match=r"y \(199,\).*need \(n,\), \(repeats, n\), \(n,\)"):
        stack(members, y[1:], folds, standards)
    with pytest.raises(DataError, match="fewer than 2 standards"):
        stack(members, np.where(standards == 0, y, np.nan), folds, standards)

"""Scores of a split: from its training rows alone, made once, never more than the rank."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from calib.regress.family import Problem
from calib.regress.predictors import project
from calib.regress.scores import AT_ONCE, fit_scores, split_scores

ROUNDING = 1e-9


def problem(n: int = 30, p: int = 50, rank: int = 50) -> Problem:
    generator = np.random.default_rng(5)
    X = generator.standard_normal((n, rank)) @ generator.standard_normal((rank, p)) + 1
    Y = X[:, :2] + 0.1 * generator.standard_normal((n, 2))
    return Problem(X, Y, np.arange(n)[None] % 3, np.arange(n), ("SiO2", "MgO"))


@pytest.mark.parametrize("kind", ["pls", "pca"])
def test_held_out_rows_change_nothing_but_their_own_scores(kind):
    made = problem()
    split = next(made.splits(0))
    poisoned = replace(made, X=made.X.copy(), Y=made.Y.copy(), memo={})
    row = int(np.flatnonzero(split.held)[0])
    poisoned.X[row] += 7.0
    poisoned.Y[split.held] = 1e6
    others = np.arange(30) != row
    got = split_scores(poisoned, 0, split, kind, 5)[others]
    np.testing.assert_allclose(got, split_scores(made, 0, split, kind, 5)[others], atol=ROUNDING)


@pytest.mark.parametrize("kind", ["pls", "pca"])
def test_fewer_scores_are_the_first_of_more(kind):
    made = problem()
    split = next(made.splits(0))
    many = split_scores(made, 0, split, kind, AT_ONCE + 5)
    few = split_scores(replace(made, memo={}), 0, split, kind, 4)
    np.testing.assert_allclose(many[:, :4], few, atol=ROUNDING)


def test_principal_components_are_shared_by_analytes_and_pls_scores_are_not():
    made = problem()
    split = next(made.splits(0))
    for kind, count in (("pca", 1), ("pls", 3)):
        for column in (0, 1):
            split_scores(made, column, split, kind, 3)
        assert sum(key[0] == "scores" for key in made.memo if key != "gram") == count


@pytest.mark.parametrize("kind", ["pls", "pca"])
def test_scores_beyond_the_rank_are_zero(kind):
    made = problem(rank=4)
    split = next(made.splits(0))
    found = split_scores(made, 0, split, kind, 9)
    assert (found[:, 4:] == 0).all()
    np.testing.assert_allclose(found[split.trains, :4].std(axis=0), 1, rtol=ROUNDING)
    weights, offset = fit_scores(made.X[split.trains], made.Y[split.trains, 0], kind, 9)
    assert weights.shape == (50, 9)
    np.testing.assert_allclose(project(made.X, weights, offset), found, atol=1e-7)


def test_a_chain_that_learns_learns_from_the_rows_that_train():
    made = problem()
    masks = []

    def refit(training):
        masks.append(training)
        return made.X - made.X[training].mean(axis=0)

    split = next(made.splits(0))
    learning = replace(made, refit=refit, memo={})
    got = split_scores(learning, 0, split, "pls", 3)
    split_scores(learning, 0, split, "pls", 3)
    assert [mask.tolist() for mask in masks] == [split.trains.tolist()]
    np.testing.assert_allclose(got, split_scores(made, 0, split, "pls", 3), atol=ROUNDING)

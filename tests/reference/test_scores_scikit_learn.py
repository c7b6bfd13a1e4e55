"""Scores against scikit-learn's PLSRegression and PCA, each standardised (StandardScaler)."""

from __future__ import annotations

import numpy as np
import pytest
from sklearn.cross_decomposition import PLSRegression
from sklearn.decomposition import PCA
from sklearn.preprocessing import StandardScaler

from calib.regress.family import Problem
from calib.regress.predictors import project
from calib.regress.scores import fit_scores, split_scores

# Two routes to the same number: through XXᵀ here, on X there.
ROUNDING = 1e-8


def problem(n: int, p: int) -> Problem:
    generator = np.random.default_rng(3)
    X = generator.standard_normal((n, 8)) @ generator.standard_normal((8, p))
    X += 0.2 * generator.standard_normal((n, p)) + 2
    Y = np.column_stack([X[:, 0] + X[:, 1] ** 2, X[:, 2]])
    Y[::7, 0] = np.nan
    folds = np.stack([np.arange(n) % 4, np.arange(n) // 2 % 4])
    return Problem(X, Y, folds, np.arange(n), ("SiO2", "MgO"))


def outside(kind: str, X: np.ndarray, y: np.ndarray, k: int, new: np.ndarray) -> np.ndarray:
    plain = PLSRegression(k, scale=False) if kind == "pls" else PCA(k, svd_solver="full")
    scores = plain.fit(X, y).transform(X)
    return StandardScaler().fit(scores).transform(plain.transform(new))


def aligned(got: np.ndarray, expected: np.ndarray) -> np.ndarray:
    """Give each expected column the sign of ours: that of a component is arbitrary."""
    return expected * np.sign((got * expected).sum(axis=0))


@pytest.mark.parametrize("kind", ["pls", "pca"])
@pytest.mark.parametrize(("n", "p"), [(40, 90), (60, 12)])
def test_scores_are_those_of_scikit_learn(kind, n, p):
    made = problem(n, p)
    for split in made.splits(0):
        X, y = made.X[split.trains], made.Y[split.trains, 0]
        got = split_scores(made, 0, split, kind, 6)
        expected = aligned(got, outside(kind, X, y, 6, made.X))
        assert np.abs(got - expected).max() < ROUNDING * np.abs(expected).max()
        weights, offset = fit_scores(X, y, kind, 6)
        again = project(made.X, weights, offset)
        assert np.abs(got - again).max() < ROUNDING * np.abs(expected).max()

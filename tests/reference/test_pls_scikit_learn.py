"""PLS against scikit-learn's ``PLSRegression``, refitted for each fold and analyte.

Source: scikit-learn, https://scikit-learn.org, class ``PLSRegression`` (NIPALS, deflation).
"""

import warnings

import numpy as np
import pytest
from sklearn.cross_decomposition import PLSRegression

from calib.regress.pls import PLS, cross_validate

# Largest difference allowed, in standard deviations of the analyte's predictions.
AGREEMENT = 1e-8

SHAPES = {
    "wide": (60, 200, 12),
    "wide, 30 components": (90, 400, 30),
    "tall": (200, 30, 12),
    "tall, 30 components": (300, 60, 30),
    "square": (50, 50, 20),
}


def spectra(kind: str, n: int, p: int, seed: int = 0) -> np.ndarray:
    generator = np.random.default_rng(seed)
    if kind == "independent channels":
        return generator.standard_normal((n, p))
    # Singular values that fall over five decades, on a mean far from zero.
    parts = min(n, p) - 1
    scores = generator.standard_normal((n, parts)) * np.logspace(0, -5, parts)
    X = scores @ generator.standard_normal((parts, p))
    return X + (100.0 if kind == "collinear on a high mean" else 1.0)


def values(X: np.ndarray, seed: int = 1) -> np.ndarray:
    generator = np.random.default_rng(seed)
    n, p = X.shape
    exact = (X - X.mean(axis=0)) @ generator.standard_normal(p)
    noisy = exact + 0.3 * exact.std() * generator.standard_normal(n)
    missing = 50 + generator.standard_normal(n)
    missing[generator.random(n) < 0.2] = np.nan
    return np.column_stack([exact, noisy, missing])


def refitted(X, Y, folds, components, scale) -> np.ndarray:
    """Return scikit-learn's predictions for 1 … components components."""
    out = np.empty((components, *Y.shape))
    for fold in np.unique(folds):
        for j in range(Y.shape[1]):
            train = (folds != fold) & ~np.isnan(Y[:, j])
            with warnings.catch_warnings():
                warnings.filterwarnings("ignore", "y residual is constant")
                model = PLSRegression(components, scale=scale).fit(X[train], Y[train, j])
            # PLS1 components are nested: fewer components are the first of them.
            for a in range(components):
                inner = model.x_rotations_[:, : a + 1] @ model.y_loadings_[0, : a + 1]
                coef = inner * Y[train, j].std(ddof=1) if scale else inner
                Z = X[folds == fold] - X[train].mean(axis=0)
                Z = Z / X[train].std(axis=0, ddof=1) if scale else Z
                out[a, folds == fold, j] = Z @ coef + Y[train, j].mean()
    return out


def worst(got: np.ndarray, expected: np.ndarray) -> float:
    spread = expected.reshape(-1, expected.shape[-1]).std(axis=0)
    return float((np.abs(got - expected) / spread).max())


@pytest.mark.parametrize("scale", [False, True])
@pytest.mark.parametrize("kind", ["independent channels", "collinear", "collinear on a high mean"])
@pytest.mark.parametrize("shape", SHAPES)
def test_cross_validation_equals_a_refit_for_each_fold_and_count(shape, kind, scale):
    n, p, components = SHAPES[shape]
    X = spectra(kind, n, p)
    Y = values(X)
    folds = np.random.default_rng(2).permutation(n) % 5
    got = cross_validate(X, Y, folds, components, scale)
    assert worst(got, refitted(X, Y, folds, components, scale)) <= AGREEMENT


@pytest.mark.parametrize(("n", "p"), [(60, 200), (120, 30)])
def test_rank_deficient_spectra_agree_up_to_their_rank(n, p):
    generator = np.random.default_rng(3)
    rank = 6
    X = generator.standard_normal((n, rank)) @ generator.standard_normal((rank, p))
    Y = generator.standard_normal((n, 2))
    folds = np.arange(n) % 4
    got = cross_validate(X, Y, folds, rank + 4)
    assert worst(got[:rank], refitted(X, Y, folds, rank, False)) <= AGREEMENT
    np.testing.assert_array_equal(got[rank:], np.broadcast_to(got[rank - 1], got[rank:].shape))


@pytest.mark.parametrize("scale", [False, True])
@pytest.mark.parametrize(("n", "p"), [(40, 90), (150, 25)])
def test_estimator_has_the_same_parts(n, p, scale):
    X = spectra("independent channels", n, p) + 2
    y = X[:, :3].sum(axis=1) + 0.1 * np.random.default_rng(4).standard_normal(n)
    ours = PLS(6, scale=scale).fit(X, y)
    theirs = PLSRegression(6, scale=scale).fit(X, y)
    sign = np.sign((ours.x_weights_[0] * theirs.x_weights_).sum(axis=0))
    inner = y.std(ddof=1) if scale else 1.0
    pairs = {
        "weights": (ours.x_weights_[0] * sign, theirs.x_weights_),
        "scores": (ours.x_scores_[0] * sign, theirs.x_scores_),
        "loadings": (ours.x_loadings_[0] * sign, theirs.x_loadings_),
        "rotations": (ours.x_rotations_[0] * sign, theirs.x_rotations_),
        "y loadings": (ours.y_loadings_[0] * sign, theirs.y_loadings_[0] * inner),
        "coefficients": (ours.coef_, theirs.coef_),
        "predictions": (ours.predict(X), theirs.predict(X)),
    }
    for name, (got, expected) in pairs.items():
        limit = AGREEMENT * np.abs(expected).max()
        assert np.abs(got - expected).max() <= limit, name

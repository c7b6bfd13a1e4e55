"""The PLS estimator: scikit-learn's contract, its identities and bad input."""

import warnings

import numpy as np
import pytest
from sklearn.base import clone
from sklearn.utils.estimator_checks import parametrize_with_checks

from calib.errors import CalibWarning, DataError
from calib.regress.pls import PLS

# Rounding of two routes to the same number, relative to the largest.
ROUNDING = 1e-9

SIZES = [(24, 60), (60, 15), (20, 20)]


def problem(n, p, m=2, seed=0):
    generator = np.random.default_rng(seed)
    X = generator.standard_normal((n, p)) + 1
    Y = X[:, :4] @ generator.standard_normal((4, m)) + 0.3 * generator.standard_normal((n, m))
    return X, Y


def close(got, expected, limit=ROUNDING):
    return np.abs(got - expected).max() <= limit * np.abs(expected).max()


# One component explains the symmetric design of the checks on weights; that the second
# stops with a warning is right.
@pytest.mark.filterwarnings("ignore:PLS. column 0 of Y stopped:calib.errors.CalibWarning")
@parametrize_with_checks([PLS(), PLS(scale=True)])
def test_scikit_learn_contract(estimator, check):
    check(estimator)


@pytest.mark.parametrize("scale", [False, True])
@pytest.mark.parametrize("weighted", [False, True])
@pytest.mark.parametrize(("n", "p"), SIZES)
def test_parts_fit_together(n, p, weighted, scale):
    X, Y = problem(n, p)
    X[:, 5] = 0.1
    weight = np.random.default_rng(1).uniform(0.5, 2e6, n) if weighted else np.ones(n)
    model = PLS(5, scale=scale).fit(X, Y, weight)
    for j in range(2):
        Z = (X - model.x_mean_[j]) / model.x_scale_[j]
        T, P, W = model.x_scores_[j], model.x_loadings_[j], model.x_weights_[j]
        gram = T.T @ (weight[:, None] * T)
        assert close(gram, np.diag(np.diagonal(gram)))
        assert close(W.T @ W, np.eye(5))
        assert close(Z @ model.x_rotations_[j], T)
        assert close(P, Z.T @ (weight[:, None] * T) / np.diagonal(gram))
        # rotations = W (Pᵀ W)⁻¹
        assert close(model.x_rotations_[j], W @ np.linalg.inv(P.T @ W))
        assert close(T @ model.y_loadings_[j] + model.y_mean_[j], model.predict(X)[:, j])
        left = Z - T @ P.T
        shares = model.x_explained_variance_ratio_[j]
        whole = (weight[:, None] * Z**2).sum()
        assert close(shares.sum(), 1 - (weight[:, None] * left**2).sum() / whole)
        y = Y[:, j] - model.y_mean_[j]
        missed = (weight * (Y[:, j] - model.predict(X)[:, j]) ** 2).sum()
        assert close(model.y_explained_variance_ratio_[j].sum(), 1 - missed / (weight @ y**2))


def test_all_components_are_least_squares():
    X, Y = problem(60, 8)
    design = np.column_stack([np.ones(60), X])
    expected = np.linalg.lstsq(design, Y, rcond=None)[0]
    model = PLS(8).fit(X, Y)
    assert close(model.coef_, expected[1:].T)
    assert close(model.intercept_, expected[0])


def test_coefficients_of_every_count_are_those_of_a_fit_with_that_count():
    X, Y = problem(24, 60)
    path = PLS(6).fit(X, Y)
    for a in range(1, 7):
        alone = PLS(a).fit(X, Y)
        assert close(path.coef_path_[a - 1], alone.coef_)
        assert close(path.intercept_path_[a - 1], alone.intercept_)
        assert close(path.predict(X, a), alone.predict(X))


@pytest.mark.parametrize("scale", [False, True])
@pytest.mark.parametrize(("n", "p"), SIZES)
def test_a_row_not_certified_is_left_out_for_that_analyte_only(n, p, scale):
    X, Y = problem(n, p)
    full = PLS(4, scale=scale).fit(X, Y)
    Y[::5, 1] = np.nan
    got = PLS(4, scale=scale).fit(X, Y)
    known = ~np.isnan(Y[:, 1])
    alone = PLS(4, scale=scale).fit(X[known], Y[known, 1])
    assert close(got.coef_[0], full.coef_[0])
    assert close(got.coef_[1], alone.coef_[0])
    assert got.x_scores_.shape == (2, n, 4)
    assert np.isfinite(got.x_scores_).all()


def test_vip_has_mean_square_one_and_ranks_the_channels_that_matter():
    generator = np.random.default_rng(2)
    X = generator.standard_normal((80, 30))
    y = X[:, 3] + X[:, 17] + 0.05 * generator.standard_normal(80)
    model = PLS(2).fit(X, y)
    assert (model.vip_**2).mean() == pytest.approx(1, rel=ROUNDING)
    assert set(np.argsort(model.vip_[0])[-2:]) == {3, 17}


@pytest.mark.parametrize("scale", [False, True])
@pytest.mark.parametrize(("n", "p"), SIZES)
def test_selectivity_ratio_is_explained_over_residual_variance(n, p, scale):
    X, Y = problem(n, p)
    model = PLS(3, scale=scale).fit(X, Y[:, 0])
    Z = (X - model.x_mean_[0]) / model.x_scale_[0]
    t = Z @ (model.coef_[0] * model.x_scale_[0])
    explained = np.outer(t, t @ Z / (t @ t))
    expected = (explained**2).sum(axis=0) / ((Z - explained) ** 2).sum(axis=0)
    assert close(model.selectivity_ratio_[0], expected)


def test_one_dimensional_values_give_one_dimensional_predictions():
    X, Y = problem(24, 60)
    assert PLS().fit(X, Y[:, 0]).predict(X).shape == (24,)
    assert PLS().fit(X, Y[:, :1]).predict(X).shape == (24, 1)


@pytest.mark.parametrize(("n", "p"), [(24, 60), (60, 20)])
@pytest.mark.parametrize("scale", [False, True])
def test_lost_rank_stops_with_a_warning(n, p, scale):
    generator = np.random.default_rng(3)
    X = generator.standard_normal((n, 3)) @ generator.standard_normal((3, p))
    X[:, ::4] = 0.1
    y = generator.standard_normal(n)
    with pytest.warns(CalibWarning, match="column 0 of Y stopped at 3 of 7 components"):
        model = PLS(7, scale=scale).fit(X, y)
    assert model.n_components_used_.tolist() == [3]
    for name in ("coef_path_", "x_scores_", "x_loadings_", "x_weights_", "vip_"):
        assert np.isfinite(getattr(model, name)).all(), name
    np.testing.assert_array_equal(model.coef_path_[3:], np.stack([model.coef_path_[2]] * 4))
    assert np.isfinite(model.selectivity_ratio_).all()


@pytest.mark.parametrize(("n", "p"), [(24, 60), (60, 20)])
def test_a_constant_response_is_its_own_prediction(n, p):
    X, _ = problem(n, p)
    with pytest.warns(CalibWarning, match="stopped at 0 of 2"):
        model = PLS().fit(X, np.full(n, 7.0))
    np.testing.assert_allclose(model.predict(X), 7.0, rtol=1e-12)


@pytest.mark.parametrize(("n", "p"), [(24, 1500), (60, 15)])
@pytest.mark.parametrize("scale", [False, True])
def test_single_precision_spectra_give_the_numbers_of_their_widened_values(n, p, scale):
    X, Y = problem(n, p)
    single = X.astype(np.float32)
    got = PLS(5, scale=scale).fit(single, Y)
    expected = PLS(5, scale=scale).fit(single.astype(np.float64), Y)
    assert close(got.coef_path_, expected.coef_path_)
    assert close(got.predict(single), expected.predict(single.astype(np.float64)))
    assert got.coef_.dtype == np.float64


def test_clone_keeps_settings_and_forgets_the_fit():
    X, Y = problem(24, 60)
    copy = clone(PLS(3, scale=True).fit(X, Y))
    assert copy.get_params() == {"n_components": 3, "scale": True}
    assert not hasattr(copy, "coef_")


BAD = {
    "above the rows": ({"n_components": 24}, {}, "n_components: 24, needs .* from 1 to 23"),
    "none": ({"n_components": 0}, {}, "n_components: 0, needs a whole number from 1 to 23"),
    "not whole": ({"n_components": 1.5}, {}, "n_components: 1.5, needs a whole number"),
    "weights": ({}, {"sample_weight": np.ones(5)}, r"sample_weight: shape \(5,\), needs \(24,\)"),
    "rows": ({}, {"y": np.ones(5)}, "Y: 5 rows, needs 24 as X has"),
    "infinite": ({}, {"y": np.full(24, np.inf)}, "contains infinity"),
    "never certified": ({}, {"y": np.full(24, np.nan)}, "n_samples = 0 certified rows"),
    "NaN in X": ({}, {"X": np.full((24, 60), np.nan)}, "X contains NaN"),
}


@pytest.mark.parametrize("case", BAD)
def test_bad_input_names_the_argument(case):
    X, Y = problem(24, 60)
    settings, changed, message = BAD[case]
    arguments = {"X": X, "y": Y[:, 0]} | changed
    with pytest.raises(ValueError, match=message):
        PLS(**settings).fit(**arguments)


def test_predict_refuses_a_count_that_was_not_fitted():
    X, Y = problem(24, 60)
    with pytest.raises(DataError, match="n_components: 3, needs 1 to 2 as fitted"):
        PLS().fit(X, Y).predict(X, 3)


def test_a_sound_fit_does_not_warn():
    X, Y = problem(24, 60)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        PLS(20).fit(X, Y)

"""Cross-validation of PLS1: invariances, leaks, precision, namespaces and bad input."""

import importlib

import array_api_strict
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from calib.errors import DataError
from calib.regress.pls import PLS, cross_validate, cross_validated_mean, gram_matrix

# Rounding of two routes to the same number, in standard deviations of the analyte; small
# random problems reach 1e-11 at most.
ROUNDING = 1e-9

# What the mean and five decades of singular values leave of float32's own 6e-8.
SINGLE = 1e-5

SIZES = [(24, 60), (60, 15), (20, 20)]


def problem(n, p, m=2, seed=0):
    generator = np.random.default_rng(seed)
    X = generator.standard_normal((n, p)) + 1
    Y = X[:, :4] @ generator.standard_normal((4, m)) + 0.3 * generator.standard_normal((n, m))
    return X, Y, generator.permutation(n) % 4


def close(got, expected, limit=ROUNDING):
    spread = np.asarray(expected).std(axis=-2, keepdims=True).max(axis=0)
    return bool((np.abs(got - expected) <= limit * spread).all())


@pytest.mark.parametrize("scale", [False, True])
@pytest.mark.parametrize("weighted", [False, True])
@pytest.mark.parametrize(("n", "p"), SIZES)
def test_equals_a_refit_of_the_estimator(n, p, weighted, scale):
    X, Y, folds = problem(n, p)
    Y[1::5, 1] = np.nan
    weight = np.random.default_rng(1).uniform(0.5, 3.0, n) if weighted else None
    got = cross_validate(X, Y, folds, 6, scale, sample_weight=weight)
    expected = np.empty_like(got)
    for fold in range(4):
        train = folds != fold
        own = None if weight is None else weight[train]
        model = PLS(6, scale=scale).fit(X[train], Y[train], own)
        for a in range(6):
            expected[a, ~train] = model.predict(X[~train], a + 1)
    assert close(got, expected)


@pytest.mark.parametrize(("n", "p"), SIZES)
def test_mean_is_the_prediction_of_no_component(n, p):
    _, Y, folds = problem(n, p)
    Y[::3, 0] = np.nan
    got = cross_validated_mean(Y, folds)
    for i in range(n):
        np.testing.assert_allclose(got[i], np.nanmean(Y[folds != folds[i]], axis=0), rtol=1e-12)


@pytest.mark.parametrize(("n", "p"), SIZES)
@pytest.mark.parametrize("scale", [False, True])
def test_rows_without_a_certified_value_are_still_predicted(n, p, scale):
    X, Y, folds = problem(n, p)
    Y[::4, 0] = np.nan
    assert np.isfinite(cross_validate(X, Y, folds, 5, scale)).all()


@pytest.mark.parametrize("scale", [False, True])
@pytest.mark.parametrize(("n", "p"), SIZES)
def test_a_row_left_out_cannot_change_its_own_prediction_by_its_value(n, p, scale):
    X, Y, folds = problem(n, p)
    before = cross_validate(X, Y, folds, 5, scale)
    poisoned = Y.copy()
    poisoned[folds == 2] += 1e6
    after = cross_validate(X, poisoned, folds, 5, scale)
    assert close(after[:, folds == 2], before[:, folds == 2])
    assert not close(after[:, folds == 1], before[:, folds == 1])


@pytest.mark.parametrize("scale", [False, True])
@pytest.mark.parametrize(("n", "p"), SIZES)
def test_a_spectrum_left_out_cannot_change_predictions_of_its_fold_mates(n, p, scale):
    X, Y, folds = problem(n, p)
    before = cross_validate(X, Y, folds, 5, scale)
    held = np.flatnonzero(folds == 2)
    poisoned = X.copy()
    poisoned[held[0]] += 100 * np.random.default_rng(9).standard_normal(p)
    after = cross_validate(poisoned, Y, folds, 5, scale)
    assert close(after[:, held[1:]], before[:, held[1:]])
    assert not close(after[:, held[:1]], before[:, held[:1]])


@pytest.mark.parametrize(("n", "p"), SIZES)
def test_weight_zero_is_absence(n, p):
    X, Y, folds = problem(n, p)
    weight = np.ones(n)
    weight[::6] = 0
    absent = Y.copy()
    absent[::6] = np.nan
    got = cross_validate(X, Y, folds, 5, sample_weight=weight)
    assert close(got, cross_validate(X, absent, folds, 5))


@pytest.mark.parametrize("scale", [False, True])
@pytest.mark.parametrize(("n", "p"), SIZES)
def test_whole_weights_are_repeated_rows(n, p, scale):
    X, Y, folds = problem(n, p)
    times = np.random.default_rng(2).integers(1, 4, n)
    repeated = np.repeat(np.arange(n), times)
    weighted = cross_validate(X, Y, folds, 5, scale, sample_weight=times)
    plain = cross_validate(X[repeated], Y[repeated], folds[repeated], 5, scale)
    assert close(plain, weighted[:, repeated])


def test_gram_matrix_at_hand_gives_the_same():
    X, Y, folds = problem(24, 60)
    expected = cross_validate(X, Y, folds, 5)
    assert close(cross_validate(X, Y, folds, 5, gram=gram_matrix(X)), expected)
    assert close(cross_validate(X, Y, folds, 5, gram=X @ X.T), expected)


def test_gram_matrix_keeps_its_digits_on_a_high_mean():
    X, Y, folds = problem(24, 60)
    # The shift is a power of two, so X + shift − shift is X rounded once.
    high = X + 2.0**20
    expected = cross_validate(high - 2.0**20, Y, folds, 5)
    assert close(cross_validate(high, Y, folds, 5), expected)


def test_many_columns_are_worked_off_in_blocks(monkeypatch):
    from calib.regress import pls_validation

    X, Y, folds = problem(24, 60, m=5)
    expected = cross_validate(X, Y, folds, 5)
    monkeypatch.setattr(pls_validation, "_WORKING_SET", 8 * 24 * 6 * 3)
    assert close(cross_validate(X, Y, folds, 5), expected)


@pytest.mark.parametrize("scale", [False, True])
@pytest.mark.parametrize(("n", "p"), SIZES)
def test_work_side_by_side_gives_the_same(monkeypatch, n, p, scale):
    from calib.regress import pls_gram, pls_threads, pls_validation

    X, Y, folds = problem(n, p, m=5)
    Y[::5, 1] = np.nan
    expected = cross_validate(X, Y, folds, 5, scale)
    monkeypatch.setattr(pls_gram, "_WORTH_THREADS", 0)
    monkeypatch.setattr(pls_validation, "_WORTH_THREADS", 0)
    monkeypatch.setattr(pls_threads, "workers", lambda: 3)
    assert close(cross_validate(X, Y, folds, 5, scale), expected)
    X[7, 3] = np.nan
    with pytest.raises(DataError, match="X: row 7, channel 3 is nan"):
        cross_validate(X, Y, folds, 5, scale)


def test_blas_has_its_threads_back_after_work_side_by_side():
    from calib.regress import pls_threads

    before = pls_threads.workers()
    seen = []
    pls_threads.each(lambda _: seen.append(pls_threads.workers()), range(4))
    assert seen == [1] * 4
    assert pls_threads.workers() == before


@pytest.mark.parametrize("scale", [False, True])
@pytest.mark.parametrize(("n", "p"), [(24, 1500), (60, 15)])
def test_single_precision_spectra_stay_within_their_rounding(n, p, scale):
    X, Y, folds = problem(n, p)
    single = X.astype(np.float32)
    got = cross_validate(single, Y, folds, 6, scale)
    assert got.dtype == np.float64
    # The same values widened first: only the order of the sums differs.
    assert close(got, cross_validate(single.astype(np.float64), Y, folds, 6, scale))
    assert close(got, cross_validate(X, Y, folds, 6, scale), SINGLE)


NAMESPACES = ["array_api_strict", "torch"]


@pytest.mark.parametrize("scale", [False, True])
@pytest.mark.parametrize(("n", "p"), [(24, 60), (60, 15)])
@pytest.mark.parametrize("name", NAMESPACES)
def test_other_array_namespaces_give_the_same(name, n, p, scale):
    if name == "torch":
        pytest.importorskip("torch")
    xp = importlib.import_module(name)
    X, Y, folds = problem(n, p)
    Y[::5, 1] = np.nan
    got = cross_validate(xp.asarray(X), Y, folds, 5, scale)
    assert isinstance(got, type(xp.asarray(X)))
    assert close(np.asarray(got), cross_validate(X, Y, folds, 5, scale))


def test_everything_may_come_in_another_namespace():
    xp = array_api_strict
    X, Y, folds = problem(24, 60)
    got = cross_validate(
        xp.asarray(X), xp.asarray(Y), xp.asarray(folds), 5, sample_weight=xp.ones(24)
    )
    assert close(np.asarray(got), cross_validate(X, Y, folds, 5))


def test_inputs_are_left_unchanged():
    X, Y, folds = problem(24, 60)
    Y[0, 0] = np.nan
    copies = X.copy(), Y.copy(), folds.copy()
    for array in (X, Y, folds):
        array.setflags(write=False)
    cross_validate(X, Y, folds, 5)
    for array, copy in zip((X, Y, folds), copies, strict=True):
        np.testing.assert_array_equal(array, copy)


def test_running_twice_gives_identical_numbers():
    X, Y, folds = problem(24, 60)
    np.testing.assert_array_equal(cross_validate(X, Y, folds, 5), cross_validate(X, Y, folds, 5))


@pytest.mark.parametrize("scale", [False, True])
@pytest.mark.parametrize(("n", "p"), [(24, 60), (60, 20)])
def test_constant_channels_and_lost_rank_stop_without_nan(n, p, scale):
    generator = np.random.default_rng(6)
    X = generator.standard_normal((n, 3)) @ generator.standard_normal((3, p))
    X[:, ::4] = 0.1
    Y = generator.standard_normal((n, 2))
    got = cross_validate(X, Y, np.arange(n) % 4, 8, scale)
    assert np.isfinite(got).all()
    np.testing.assert_array_equal(got[3:], np.broadcast_to(got[2], got[3:].shape))


def test_a_constant_response_is_predicted_by_its_value():
    X, _, folds = problem(24, 60)
    np.testing.assert_allclose(cross_validate(X, np.full(24, 7.0), folds, 3), 7.0, rtol=1e-12)


problems = st.tuples(st.sampled_from(SIZES), st.integers(0, 2**32 - 1), st.booleans())


@settings(max_examples=25, deadline=None)
@given(problems)
def test_permuting_rows_permutes_predictions(drawn):
    (n, p), seed, scale = drawn
    X, Y, folds = problem(n, p, seed=seed)
    order = np.random.default_rng(seed).permutation(n)
    got = cross_validate(X[order], Y[order], folds[order], 4, scale)
    assert close(got, cross_validate(X, Y, folds, 4, scale)[:, order])


@settings(max_examples=25, deadline=None)
@given(problems, st.floats(-1e4, 1e4))
def test_shifting_x_changes_nothing(drawn, shift):
    (n, p), seed, scale = drawn
    X, Y, folds = problem(n, p, seed=seed)
    # X + 1e4 rounds X to 1e-12 of itself; 1e-8 leaves room for what follows.
    moved = X + shift * np.random.default_rng(seed).uniform(-1, 1, p)
    got = cross_validate(moved, Y, folds, 4, scale)
    assert close(got, cross_validate(X, Y, folds, 4, scale), 1e-8)


@settings(max_examples=25, deadline=None)
@given(problems)
def test_rotating_x_changes_nothing_unscaled(drawn):
    (n, p), seed, _ = drawn
    X, Y, folds = problem(n, p, seed=seed)
    rotation = np.linalg.qr(np.random.default_rng(seed).standard_normal((p, p)))[0]
    assert close(cross_validate(X @ rotation, Y, folds, 4), cross_validate(X, Y, folds, 4))


@settings(max_examples=25, deadline=None)
@given(problems, hnp.arrays(np.int64, 4, elements=st.integers(-100, 100), unique=True))
def test_names_of_folds_change_nothing(drawn, names):
    (n, p), seed, scale = drawn
    X, Y, folds = problem(n, p, seed=seed)
    got = cross_validate(X, Y, names[folds], 4, scale)
    assert close(got, cross_validate(X, Y, folds, 4, scale))


@settings(max_examples=25, deadline=None)
@given(problems)
def test_giving_two_folds_one_label_leaves_the_others_alone(drawn):
    (n, p), seed, scale = drawn
    X, Y, folds = problem(n, p, seed=seed)
    merged = np.where(folds == 3, 2, folds)
    others = folds < 2
    got = cross_validate(X, Y, merged, 4, scale)
    assert close(got[:, others], cross_validate(X, Y, folds, 4, scale)[:, others])


@settings(max_examples=25, deadline=None)
@given(problems, st.floats(1e-3, 1e3), st.floats(-1e3, 1e3))
def test_predictions_follow_a_linear_change_of_y(drawn, factor, shift):
    (n, p), seed, scale = drawn
    X, Y, folds = problem(n, p, seed=seed)
    got = cross_validate(X, factor * Y + shift, folds, 4, scale)
    expected = factor * cross_validate(X, Y, folds, 4, scale) + shift
    # A shift of 1e3 on values of 1e-3 costs six digits of y itself.
    assert close(got, expected, 1e-6)


BAD = {
    "components above the rows": ({"max_components": 18}, "max_components: 18, needs 1 to 17"),
    "no component": ({"max_components": 0}, "max_components: 0, needs 1 to 17"),
    "half a component": ({"max_components": 2.5}, "max_components: 2.5, needs a whole number"),
    "one label": ({"folds": np.zeros(24)}, r"folds: one label only \(\[0.0\]\)"),
    "few labels": ({"folds": np.arange(20) % 4}, r"folds: shape \(20,\), needs one label for"),
    "few values": ({"Y": np.zeros(20)}, r"Y: shape \(20, 1\), needs 24 rows"),
    "infinite value": ({"Y": np.full(24, np.inf)}, "Y: row 0, column 0 is infinite"),
    "few weights": ({"sample_weight": np.ones(3)}, r"sample_weight: shape \(3,\), needs \(24,\)"),
    "negative weight": ({"sample_weight": -np.ones(24)}, "sample_weight: row 0 is -1.0"),
    "no weight": ({"sample_weight": np.zeros(24)}, "sample_weight: all 24 are zero"),
    "wrong gram": ({"gram": np.eye(3)}, r"gram: shape \(3, 3\) with scale=False; needs"),
    "gram and scale": ({"gram": np.eye(24), "scale": True}, "gram: .* with scale=True"),
    "one spectrum": ({"X": np.zeros(60)}, r"X: 1 dimension\(s\), needs 2"),
}


@pytest.mark.parametrize("case", BAD)
def test_bad_input_names_the_argument(case):
    X, Y, folds = problem(24, 60)
    arguments = {"X": X, "Y": Y, "folds": folds, "max_components": 3} | BAD[case][0]
    with pytest.raises(DataError, match=BAD[case][1]):
        cross_validate(**arguments)


@pytest.mark.parametrize("scale", [False, True])
@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf])
@pytest.mark.parametrize(("n", "p"), SIZES)
def test_a_value_that_is_not_finite_is_found_in_x(n, p, value, scale):
    X, Y, folds = problem(n, p)
    X[7, 3] = value
    with pytest.raises(DataError, match=r"X: row 7, channel 3 is .*, needs a finite number"):
        cross_validate(X, Y, folds, 3, scale)


def test_a_fold_with_every_certified_row_is_refused():
    X, Y, folds = problem(24, 60)
    Y[folds != 1, 1] = np.nan
    with pytest.raises(DataError, match=r"fold 1 holds every certified row of column 1 of Y"):
        cross_validate(X, Y, folds, 3)


def test_an_analyte_never_certified_is_refused():
    X, Y, folds = problem(24, 60)
    Y[:, 1] = np.nan
    with pytest.raises(DataError, match="column 1"):
        cross_validate(X, Y, folds, 3)

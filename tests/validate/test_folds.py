"""Folds: families whole, every fold alike, the same from the same seed."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from calib.errors import DataError
from calib.validate.folds import (
    TOLERANCE,
    assign_folds,
    choose_held_out,
    imbalance,
    leave_one_out,
)


def rocks(seed: int = 0, families: int = 100, rows: int = 3):
    """Skewed compositions of eight analytes, doping series of five among the families."""
    rng = np.random.default_rng(seed)
    sizes = np.where(np.arange(families) % 20 == 0, 5, 1) * rows
    member = np.repeat(np.arange(families), sizes)
    return np.array([f"F{i:03d}" for i in member]), rng.gamma(2.0, size=(families, 8))[member]


@settings(max_examples=40, deadline=None)
@given(
    hnp.arrays(int, st.integers(12, 60), elements=st.integers(0, 11)),
    st.integers(2, 5),
    st.integers(0, 1000),
)
def test_no_family_is_ever_split(families, count, seed):
    if len(np.unique(families)) < count:
        return
    values = np.random.default_rng(seed).normal(size=(len(families), 3))
    labels = assign_folds(families, values, count, seed=seed)
    for family in np.unique(families):
        assert len(np.unique(labels[families == family])) == 1
    assert set(labels) == set(range(count))


@pytest.mark.parametrize("seed", range(5))
def test_every_fold_is_within_tolerance_for_eight_analytes_at_once(seed):
    values = np.random.default_rng(seed).gamma(2.0, size=(120, 8))
    labels = assign_folds(np.arange(120), values, 10, seed=seed)
    assert np.nanmax(imbalance(labels, values)) < TOLERANCE
    random = np.random.default_rng(seed).permutation(120) % 10
    assert np.nanmax(imbalance(random, values)) > TOLERANCE


def test_folds_with_large_families_are_far_more_alike_than_random_ones():
    """A series of five odd standards cannot be balanced within one fold; the rest is."""
    ratios = []
    for seed in range(5):
        families, values = rocks(seed)
        dealt = np.nanmean(imbalance(assign_folds(families, values, 10, seed=seed), values))
        code = np.unique(families, return_inverse=True)[1]
        random = [np.random.default_rng(k).permutation(100)[code] % 10 for k in range(10)]
        ratios.append(dealt / np.mean([np.nanmean(imbalance(r, values)) for r in random]))
    assert max(ratios) < 0.6


def test_folds_hold_about_equally_many_rows():
    families, values = rocks()
    sizes = np.bincount(assign_folds(families, values, 10, seed=1))
    assert sizes.max() <= 1.6 * sizes.min()  # a doping series is five standards in one fold


def test_one_analyte_is_dealt_in_rotation():
    values = np.arange(30.0)
    labels = assign_folds(np.arange(30), values, 5, seed=2)
    for block in range(0, 30, 5):
        assert set(labels[block : block + 5]) == set(range(5))


def test_same_seed_same_folds_and_rows_may_come_in_any_order():
    families, values = rocks()
    labels = assign_folds(families, values, 10, seed=4)
    np.testing.assert_array_equal(labels, assign_folds(families, values, 10, seed=4))
    assert (labels != assign_folds(families, values, 10, seed=5)).any()
    order = np.random.default_rng(0).permutation(len(families))
    np.testing.assert_array_equal(
        labels[order], assign_folds(families[order], values[order], 10, seed=4)
    )


def test_values_that_are_not_certified_do_not_count():
    values = np.random.default_rng(4).gamma(2.0, size=(120, 8))
    values[::2, 3] = np.nan
    values[:, 5] = np.nan
    labels = assign_folds(np.arange(120), values, 10, seed=4)
    found = imbalance(labels, values)
    assert np.isnan(found[5])
    assert np.nanmax(np.delete(found, [3, 5])) < TOLERANCE
    assert found[3] < 2 * TOLERANCE  # six certified standards a fold


def test_held_out_set_is_like_the_rest():
    families, values = rocks()
    held = choose_held_out(families, values, 0.2, seed=3)
    assert len(np.unique(families[held])) == 20
    assert not set(families[held]) & set(families[~held])
    assert np.nanmax(imbalance(held, values)) < TOLERANCE


def test_extremes_are_kept_for_training_where_asked():
    families, values = rocks()
    held = choose_held_out(families, values, 0.3, seed=3, extremes="train")
    inside = values[~held]
    assert (values[held] >= inside.min(axis=0)).all()
    assert (values[held] <= inside.max(axis=0)).all()
    spread = choose_held_out(families, values, 0.3, seed=3)
    assert (values[spread] > values[~spread].max(axis=0)).any() or (
        values[spread] < values[~spread].min(axis=0)
    ).any()


@pytest.mark.parametrize("fraction", [0.0, 0.6, -1.0])
def test_fraction_that_cannot_be_is_refused(fraction):
    with pytest.raises(DataError, match="held-out fraction is"):
        choose_held_out(*rocks(), fraction, seed=1)


def test_lengths_that_differ_are_refused():
    with pytest.raises(DataError, match="found 2 compositions for 3 rows"):
        assign_folds(["a", "b", "c"], [1.0, 2.0], 2, seed=1)


def test_leaving_a_distance_out_leaves_its_standards_out_too():
    distances = np.tile([1.5, 3.0, np.nan], 4)
    folds = np.repeat([0, 1], 6)
    parts = list(leave_one_out(distances, folds))
    assert [name for name, *_ in parts] == ["1.5", "3"]
    for name, trains, predicted in parts:
        assert (distances[predicted] == float(name)).all()
        assert not (trains & predicted).any()


def test_leave_one_distance_out_equals_a_plain_refit():
    from calib.regress.pls import PLS, cross_validate

    rng = np.random.default_rng(5)
    X, y = rng.normal(size=(24, 40)), rng.normal(size=24)
    distances, folds = np.tile([1.5, 4.0], 12), np.repeat(np.arange(4), 6)
    for _, trains, predicted in leave_one_out(distances, folds):
        path = cross_validate(X, y, folds, 2, sample_weight=trains.astype(float))
        for fold in range(4):
            rows = predicted & (folds == fold)
            use = trains & (folds != fold)
            plain = PLS(2).fit(X[use], y[use]).predict(X[rows])
            np.testing.assert_allclose(path[1, rows, 0], plain, rtol=1e-8)

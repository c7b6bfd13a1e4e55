"""The domain: false alarms, what is caught, what stays apart."""

from __future__ import annotations

import numpy as np
import pytest

from calib.errors import ArtifactError
from calib.validate.domain import FLAGS, Domain, unusual, words
from calib.validate.domain_training import learn_domain


def spectra(rng, standards: int, *, rows: int = 3, channels: int = 300):
    """Five constituents with log-normal amounts; a standard's spectra differ by noise."""
    lines = np.random.default_rng(99).gamma(0.3, size=(5, channels))
    amounts = np.repeat(rng.lognormal(0, 0.5, (standards, 5)), rows, axis=0)
    return amounts @ lines + 0.05 * rng.normal(size=(standards * rows, channels))


@pytest.fixture(scope="module")
def trained():
    rng = np.random.default_rng(5)
    X = spectra(rng, 100)
    standards = np.repeat(np.arange(100), 3)
    folds = np.stack([rng.permutation(100)[standards] % 10 for _ in range(2)])
    return learn_domain(X, folds, standards), X, folds, standards


def test_false_alarms_on_new_standards_are_five_percent_on_average():
    alarms = {"t2": [], "q": []}
    for seed in range(12):
        rng = np.random.default_rng(seed)
        folds = np.stack([rng.permutation(100).repeat(3) % 10 for _ in range(2)])
        X, standards = spectra(rng, 100), np.repeat(np.arange(100), 3)
        domain = learn_domain(X, folds, standards).domain
        found = domain.statistics(spectra(rng, 200))
        for name, shares in alarms.items():
            shares.append(np.mean(found[name] > domain.limits[name]))
    for name, shares in alarms.items():
        # a limit from 100 standards and 200 new ones: Beta-binomial, standard deviation 2.6 %
        # where the spectra of a standard agree; three standard errors of 12 trainings
        assert np.mean(shares) == pytest.approx(0.05, abs=3 * 0.026 / np.sqrt(12)), name


def test_a_material_unlike_any_standard_is_caught(trained):
    odd = spectra(np.random.default_rng(7), 20)
    odd[:, 40:60] += 3.0
    assert all("high-q" in flags for flags in trained[0].domain.judge(odd)[0])


def test_an_extreme_mixture_of_known_things_is_caught(trained):
    lines = np.random.default_rng(99).gamma(0.3, size=(5, 300))
    flags = trained[0].domain.judge((lines[2] * 30)[None])[0][0]
    assert "high-t2" in flags
    assert "no-neighbour" in flags
    assert "high-leverage" in flags


def test_unusual_is_one_where_t2_and_q_together_pass_their_limits(trained):
    domain = trained[0].domain
    X = spectra(np.random.default_rng(10), 30)
    found, (_, far) = domain.statistics(X), domain.judge(X)
    expected = found["t2"] / domain.limits["t2"] + found["q"] / domain.limits["q"]
    np.testing.assert_allclose(far, expected, rtol=1e-12)


@pytest.mark.parametrize("limits", [{}, {"t2": np.inf, "q": 0.0}])
def test_a_statistic_without_a_limit_makes_nothing_unusual(limits):
    assert unusual({"t2": np.ones(2), "q": np.ones(2)}, limits).tolist() == [0.0, 0.0]


def test_flags_of_a_row_do_not_depend_on_its_company(trained):
    domain = trained[0].domain
    X = spectra(np.random.default_rng(8), 40)
    together = domain.statistics(X)
    alone = domain.statistics(X[7:8])
    for name in FLAGS:
        assert together[name][7] == alone[name][0]


def test_poisoned_fold_changes_no_statistic_of_another_folds_limit(trained):
    """A standard's out-of-fold statistics come from models that never saw it."""
    from calib.validate.domain_training import _out_of_fold

    _, X, folds, _ = trained
    inside = folds[0] == 3
    bad = X.copy()
    bad[inside] *= 50
    gram, other = (Z @ Z.T for Z in (X - X.mean(axis=0), bad - bad.mean(axis=0)))
    clean, poisoned = (_out_of_fold(g, folds[0], 4) for g in (gram, other))
    assert (poisoned["q"][inside] > clean["q"][inside]).all()
    plain = X[~inside]
    values = np.linalg.svd(plain - plain.mean(axis=0), full_matrices=False)
    along = (X[inside] - plain.mean(axis=0)) @ values[2][:4].T
    q = np.sum((X[inside] - plain.mean(axis=0)) ** 2, axis=1) - np.sum(along**2, axis=1)
    np.testing.assert_allclose(clean["q"][inside], q, rtol=1e-7)
    t2 = np.sum((along / values[1][:4]) ** 2, axis=1) * (len(plain) - 1)
    np.testing.assert_allclose(clean["t2"][inside], t2, rtol=1e-7)


def test_few_standards_fall_back_on_the_formulas():
    rng = np.random.default_rng(9)
    trained = learn_domain(spectra(rng, 8), (np.repeat(np.arange(8), 3) % 4)[None],
                           np.repeat(np.arange(8), 3))  # fmt: skip
    assert trained.domain.limits["t2"] == trained.formulas["t2_f"]
    assert trained.domain.limits["q"] >= trained.formulas["q_box"]


def test_round_trip_through_arrays(trained):
    domain = trained[0].domain
    again = Domain.of(domain.arrays(), {**domain.limits, "q": None})
    assert again.limits["q"] == np.inf
    np.testing.assert_array_equal(again.loadings, domain.loadings)


@pytest.mark.parametrize(
    ("name", "value", "match"),
    [
        ("loadings", np.zeros((2, 3)), "do not fit"),
        ("mean", np.full(300, np.nan), "not finite"),
    ],
)
def test_damaged_arrays_are_refused(trained, name, value, match):
    domain = trained[0].domain
    with pytest.raises(ArtifactError, match=match):
        Domain.of(domain.arrays() | {name: value}, domain.limits)


def test_unknown_limit_is_refused(trained):
    with pytest.raises(ArtifactError, match="unknown limit 'r'"):
        Domain.of(trained[0].domain.arrays(), {"r": 1.0})


def test_words_are_joined_by_semicolons():
    assert words({"a": [True, False], "b": [True, True]}) == ["a;b", "b"]

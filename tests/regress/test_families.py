"""The contract of every family in the contest, whatever it does inside."""

from __future__ import annotations

import inspect
import json
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from sklearn.utils.estimator_checks import parametrize_with_checks

from calib.errors import SettingsError
from calib.regress import predictors
from calib.regress.array_model import ArrayModel
from calib.regress.elastic_net import ElasticNet
from calib.regress.family import FAMILIES, Hopeless, Problem, family, fit_final
from calib.regress.gaussian_process import GaussianProcess
from calib.regress.local_pls import LocalPLS
from calib.regress.ridge import Ridge
from calib.regress.space import Choice, Real
from calib.regress.support_vectors import SupportVectors

# Through the Gram matrix of all rows in an attempt, from the training rows in a fit; a coordinate
# descent stops at its tolerance.
TWO_ROUTES = 1e-6

NESTED = {"sub_models"}
"""Families whose out-of-fold predictions also choose within the fold: no one setting gives them."""

UNWATCHED = {"pls"}
"""Families that try all there is in one step, for all folds at once."""


def models() -> list[ArrayModel]:
    """One estimator of each class that the families' modules define."""
    found = []
    for name in FAMILIES:
        module = family(name)
        for _, thing in inspect.getmembers(module, inspect.isclass):
            if issubclass(thing, ArrayModel) and thing.__module__ == module.__name__:
                found.append(thing())
    return found


@parametrize_with_checks(models())
def test_scikit_learn_contract(estimator, check):
    check(estimator)


def problem(seed: int = 0, standards: int = 24) -> Problem:
    """Standards of two rows each, one not certified for the first analyte; bent, with noise."""
    generator = np.random.default_rng(seed)
    standard = np.repeat(np.arange(standards), 2)
    hidden = generator.standard_normal((standards, 4))[standard]
    noise = 0.1 * generator.standard_normal((2 * standards, 60))
    X = hidden @ generator.standard_normal((4, 60)) + noise + 5
    bent = 50 + 4 * hidden[:, 0] + hidden[:, 1] ** 2
    Y = np.column_stack([bent, 3 + hidden[:, 2] + 0.3 * hidden[:, 1]])
    Y[10:12, 0] = np.nan
    folds = np.stack([generator.permutation(standards)[standard] % 4 for _ in range(2)])
    return Problem(X, Y, folds, standard.astype(str), ("SiO2", "MgO"))


def draw(name: str, *, high: bool = False) -> dict[str, Any]:
    """Settings from the middle of a family's space, with the first or the last of choices."""
    module = family(name)
    drawn: dict[str, Any] = {}
    for key, range_ in module.space(module.options({})).items():
        if isinstance(range_, Choice):
            drawn[key] = range_.values[-1 if high else 0]
        elif isinstance(range_, Real):
            low, top = range_.low, range_.high
            drawn[key] = float(np.sqrt(low * top)) if range_.log else (low + top) / 2
        else:
            drawn[key] = int(range_.low + (range_.high - range_.low) * (0.4 if high else 0.2))
    if name == "support_vectors":  # so tight that the path to the solution no longer shows
        drawn["tolerance"] = 1e-9
    return drawn


def attempted(name: str, made: Problem, **keywords: Any):
    module = family(name)
    settings = keywords.pop("settings", None) or draw(name)
    return module.attempt(made, 0, module.options({}), settings, **keywords)


@pytest.mark.parametrize("high", [False, True])
@pytest.mark.parametrize("name", FAMILIES)
def test_settings_are_plain_data_and_lead_to_plain_arrays(name, high):
    made = problem()
    selection = attempted(name, made, settings=draw(name, high=high))
    assert selection.out_of_fold.shape == (2, 48)
    assert np.isfinite(selection.out_of_fold).all()
    settings = json.loads(json.dumps(selection.settings))
    assert settings == selection.settings
    assert np.isfinite(family(name).complexity(settings))
    fitted = fit_final(name, made, 0, settings)
    assert set(fitted.arrays) == predictors.array_names(fitted.predictor)
    for array in fitted.arrays.values():
        assert array.dtype in (np.float64, np.int32, np.int64)
        assert np.isfinite(array).all()


@pytest.mark.parametrize("name", FAMILIES)
def test_a_family_beats_the_mean(name):
    made = problem(standards=96)  # trees need more standards than the other tests have
    errors = attempted(name, made).out_of_fold - made.Y[:, 0]
    assert np.sqrt(np.nanmean(errors**2)) < 0.8 * np.nanstd(made.Y[:, 0])


@pytest.mark.parametrize("name", sorted(set(FAMILIES) - NESTED))
def test_an_attempt_predicts_as_models_fitted_without_the_fold(name):
    made = problem()
    selection = attempted(name, made)
    for split in made.splits(0):
        part = replace(made, X=made.X[split.trains], Y=made.Y[split.trains], memo={})
        fitted = fit_final(name, part, 0, selection.settings)
        got = selection.out_of_fold[split.repeat, split.held]
        expected = predictors.predict(fitted.predictor, made.X[split.held], fitted.arrays)
        np.testing.assert_allclose(got, expected, rtol=TWO_ROUTES)


@pytest.mark.parametrize("name", FAMILIES)
def test_a_row_is_predicted_alike_alone_and_among_many(name):
    made = problem()
    fitted = fit_final(name, made, 0, attempted(name, made).settings)
    many = predictors.predict(fitted.predictor, made.X, fitted.arrays)
    alone = [predictors.predict(fitted.predictor, row[None], fitted.arrays)[0] for row in made.X]
    np.testing.assert_array_equal(many, alone)


def first_fold(name: str, made: Problem) -> np.ndarray:
    """Out-of-fold predictions when only the first fold has been predicted, if it can be watched."""
    seen: list[np.ndarray] = []

    def watch(predicted: np.ndarray) -> None:
        seen.append(predicted.copy())
        raise Hopeless

    if name in UNWATCHED:
        return attempted(name, made).out_of_fold[0]
    with pytest.raises(Hopeless):
        attempted(name, made, watch=watch)
    return seen[0]


@pytest.mark.parametrize("name", FAMILIES)
def test_what_a_fold_holds_out_never_teaches_the_models_that_predict_it(name):
    made = problem()
    made.Y[10:12] = np.nan  # a standard that scores nothing, so that no choice along a path sees it
    made = replace(made, folds=(made.folds[:1] - made.folds[0, 10]) % 4)
    held = next(made.splits(0)).held
    poisoned = replace(made, X=made.X.copy(), Y=made.Y.copy(), memo={})
    poisoned.X[10] += 3.0
    chooses = set(attempted(name, made).settings) > set(draw(name))
    if name in NESTED or not chooses:
        poisoned.Y[held] += 1e3
    others = held & (np.arange(48) != 10)
    got, expected = first_fold(name, poisoned), first_fold(name, made)
    np.testing.assert_allclose(got[others], expected[others], rtol=TWO_ROUTES)
    assert got[10] != expected[10]


@pytest.mark.parametrize("name", sorted(set(FAMILIES) - UNWATCHED))
def test_a_watch_sees_every_fold_once_it_is_predicted(name):
    made = problem()
    seen = []
    attempted(name, made, watch=lambda predicted: seen.append(np.isfinite(predicted)))
    assert len(seen) == 8
    for split, known in zip(made.splits(0), seen, strict=True):
        np.testing.assert_array_equal(known, made.folds[split.repeat] <= split.fold)


@pytest.mark.parametrize("name", FAMILIES)
def test_a_chain_that_learns_never_sees_the_fold(name):
    made = problem()
    masks = []

    def refit(training: np.ndarray) -> np.ndarray:
        masks.append(training)
        return made.X - made.X[training].mean(axis=0)

    learning = replace(made, refit=refit, memo={})
    selection = attempted(name, learning)
    assert np.isfinite(selection.out_of_fold).all()
    folds = [labels == fold for labels in made.folds for fold in np.unique(labels)]
    for mask in masks:
        assert any(not (mask & held).any() for held in folds)
    assert {split.trains.tobytes() for split in made.splits(0)} <= {
        (mask & np.isfinite(made.Y[:, 0])).tobytes() for mask in masks
    }


@pytest.mark.parametrize("name", FAMILIES)
def test_unknown_options_are_refused(name):
    with pytest.raises(SettingsError, match=f"models.{name}.colour"):
        family(name).options({"colour": "red"})


@pytest.mark.parametrize(
    ("model", "message"),
    [
        (GaussianProcess(noise=0), "GaussianProcess: noise is 0, need > 0"),
        (GaussianProcess(kind="ica"), "kind is 'ica', need one of pls, pca"),
        (SupportVectors(tube=-1), "SupportVectors: tube is -1, need ≥ 0"),
        (SupportVectors(n_components=0), "n_components is 0, need a whole number ≥ 1"),
        (LocalPLS(neighbours=0), "LocalPLS: neighbours is 0, need a whole number ≥ 1"),
        (Ridge(penalty=0), "Ridge: penalty is 0, need > 0"),
        (ElasticNet(l1_share=0), "ElasticNet: l1_share is 0, need above 0 to 1"),
    ],
)
def test_settings_that_cannot_be_are_refused(model, message):
    made = problem()
    with pytest.raises(SettingsError, match=message):
        model.fit(made.X, made.Y[:, 1])

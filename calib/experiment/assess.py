"""Judging trained models by the calibration rows alone, before anything held out is read."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calib.errors import DataError
from calib.experiment.contest import Procedure, complete
from calib.experiment.outcome import STACK, Assessment, Floats, Judgement, Trained
from calib.experiment.plan import Plan
from calib.experiment.prepare import Report
from calib.regress import pls_family, predictors
from calib.regress.family import Problem
from calib.regress.pls import (
    Dealing,
    PermutationTest,
    cross_validate,
    cross_validated_mean,
    nested_cross_validate,
    permutation_test,
)
from calib.validate import honesty
from calib.validate.breakdown import Part, by_group, repeatability
from calib.validate.domain_training import learn_domain
from calib.validate.folds import assign_folds, leave_one_out
from calib.validate.intervals import LocalError, local_error
from calib.validate.limits import Limits, blank_limits, linear_limits, reported
from calib.validate.scores import rmse

INNER_FOLDS = 5

MOST_SESSIONS = 12
"""Days above which days are not left out one at a time."""


def assess(decided: Plan, trained: Trained, report: Report) -> Assessment:
    """Judge every model; nothing is chosen or changed here."""
    standards = trained.standards
    report("validation", 0, 4)
    domains = {
        name: learn_domain(each.problem.X, trained.folds, standards, gram=each.gram)
        for name, each in trained.variants.items()
        if name in trained.used
    }
    report("validation", 1, 4)
    nested = _nested_of_winners(decided, trained)
    report("validation", 2, 4)
    shuffled, baseline = _shuffled(decided, trained)
    report("validation", 3, 4)
    judged = {}
    for j, name in enumerate(decided.analytes):
        winner = trained.winners[name]
        domain = domains[winner.variant]
        unit = decided.library.description.unit(name)
        y = trained.certified[:, j]
        found = _estimate_without_choice(decided, trained, j, nested.get(name))
        checks = [honesty.optimism_check(name, winner.cross_validated.rmsep, found, unit)]
        p = float("nan")
        if shuffled is not None:
            checks.append(
                honesty.permutation_check(
                    name, float(shuffled.rmsecv[j]), shuffled.permuted[:, j], float(baseline[j]),
                    unit,
                )
            )  # fmt: skip
            p = float(shuffled.p_value[j])
        out_of_fold = reported(winner.out_of_fold, unit)
        bars = local_error(out_of_fold, y, standards, domain.unusual)
        errors = out_of_fold.mean(axis=0) - y
        checks.append(honesty.influence_check(name, errors, standards, domain.domain.scores))
        judged[name] = Judgement(
            bars, _limits(decided, trained, j, domain.leverage, bars), found, p,
            _left_out(trained, j, unit), checks,
        )  # fmt: skip
    report("validation", 4, 4)
    return Assessment(domains, judged)


def _most_components(trained: Trained, wanted: int) -> int:
    """Return the component count that every training set of folds within folds carries."""
    known, folds = np.isfinite(trained.certified), trained.folds[0]
    fewest = min(int(known[folds != fold].sum(axis=0).min()) for fold in np.unique(folds))
    fewest = fewest * (INNER_FOLDS - 1) // INNER_FOLDS - 1
    return int(max(1, min(wanted, trained.base.problem.X.shape[1], fewest - 1)))


def _nested_of_winners(decided: Plan, trained: Trained) -> dict[str, float]:
    """Nested RMSECV of every analyte that PLS won, on the spectra it won with."""
    won = {name: w.variant for name, w in trained.winners.items() if w.family == "pls"}
    found = {name: _nested(decided, trained, name) for name in set(won.values())}
    return {name: found[variant][name] for name, variant in won.items() if name in found[variant]}


def _nested(decided: Plan, trained: Trained, variant: str) -> dict[str, float]:
    """Nested RMSECV of PLS, choice of components included, in one go for all analytes."""
    problem = trained.variants[variant].problem
    options = decided.experiment.models.options("pls")
    families = decided.families(trained.bursts)
    values = dict(zip(families, problem.Y, strict=True))
    outer: NDArray[np.intp] = problem.folds[0]
    count = len(np.unique(outer))

    def deal(groups: NDArray[Any], n_folds: int, seed: int) -> NDArray[np.intp]:
        if len(groups) == len(outer):
            return outer
        table = np.stack([values[g] for g in groups])
        return assign_folds(groups, table, min(n_folds, len(np.unique(groups))), seed=seed)

    if problem.learns:
        return _nested_with_chain(decided, trained, problem, deal)
    try:
        found = nested_cross_validate(
            problem.X, problem.Y, families,
            _most_components(trained, options["max_components"]),
            dealing=Dealing(
                n_folds=count, n_inner_folds=INNER_FOLDS, seed=decided.experiment.seed, deal=deal
            ),
            rule=options["rule"], scale=options["scale"],
        )  # fmt: skip
    except DataError:  # too few standards for folds within folds
        return {}
    unit = decided.library.description.unit
    return {
        name: rmse(reported(found.predictions[:, j], unit(name)), problem.Y[:, j])
        for j, name in enumerate(decided.analytes)
    }


def _nested_with_chain(
    decided: Plan,
    trained: Trained,
    problem: Problem,
    deal: Callable[[NDArray[Any], int, int], NDArray[np.intp]],
) -> dict[str, float]:
    """Nested RMSECV of PLS where the chain learns: it learns anew in each outer fold."""
    families = decided.families(trained.bursts)
    predicted = np.full_like(problem.Y, np.nan)
    for number, fold in enumerate(np.unique(problem.folds[0])):
        inside = problem.folds[0] != fold
        X = problem.spectra(inside)
        seed = decided.experiment.seed + 1 + number
        try:
            inner = deal(families[inside], INNER_FOLDS, seed)
            part = Problem(
                X[inside], problem.Y[inside], inner[None], problem.standards[inside],
                problem.analytes,
            )  # fmt: skip
            chosen = pls_family.select(part, decided.experiment.models.options("pls"))
        except DataError:  # too few standards for folds within folds
            return {}
        for j, selection in enumerate(chosen):
            known = np.isfinite(part.Y[:, j])
            fitted = pls_family.fit(part.X[known], part.Y[known, j], selection.settings)
            predicted[~inside, j] = predictors.predict(fitted.predictor, X[~inside], fitted.arrays)
    unit = decided.library.description.unit
    return {
        name: rmse(reported(predicted[:, j], unit(name)), problem.Y[:, j])
        for j, name in enumerate(decided.analytes)
    }


def _estimate_without_choice(
    decided: Plan, trained: Trained, j: int, nested: float | None
) -> float:
    """Return RMSECV without the flattery of having chosen the best, the analyte's unit.

    After a search: corrected for the choice among all its trials and the stack. What a family
    chose within one trial (components of PLS) is not in that, so PLS that won has no less than the
    nested estimate of PLS.
    """
    name = decided.analytes[j]
    winner, unit = trained.winners[name], decided.library.description.unit(name)
    tried = complete(trained.trials, name, list(trained.variants))
    if not tried:
        return nested if nested is not None else float("nan")
    kinds = [kind for kind, _ in tried]
    rows = [t.selection.out_of_fold[0] for _, t in tried if t.selection is not None]
    if STACK in winner.contenders:
        kinds.append(STACK)
        rows.append(winner.contenders[STACK].selection.out_of_fold[0])
    corrected = honesty.corrected_for_choice(
        reported(np.stack(rows), unit), trained.certified[:, j], trained.standards,
        choose=Procedure(np.array(kinds), decided.experiment.search.rule),
    )  # fmt: skip
    return max(corrected, nested or 0.0) if winner.family == "pls" else corrected


def _shuffled(decided: Plan, trained: Trained) -> tuple[PermutationTest | None, Floats]:
    """Cross-validate PLS on values shuffled among the standards, spectra as the base chain gives.

    It asks whether the spectra say anything of an analyte, whichever family won. The spectra of a
    standard in one fold are averaged first. Values move between whole standards, so nothing is
    lost; and a standard that stood in two folds would still give itself away.
    """
    shuffles = decided.experiment.validation.permutations
    X, Y, folds, standards = _averaged(trained)
    baseline = cross_validated_mean(Y, folds)
    missed = np.array([rmse(baseline[:, j], Y[:, j]) for j in range(Y.shape[1])])
    if shuffles == 0:
        return None, missed
    wanted = max(
        [w.contenders["pls"].selection.settings["n_components"]
         for w in trained.winners.values() if "pls" in w.contenders],
        default=10,
    )  # fmt: skip
    known = np.isfinite(Y)
    fewest = min(int(known[folds != fold].sum(axis=0).min()) for fold in np.unique(folds))
    most = max(1, min(wanted, X.shape[1], fewest - 1))
    found = permutation_test(
        X, Y, folds, most, standards, n_permutations=shuffles, seed=decided.experiment.seed
    )
    return found, missed


def _averaged(
    trained: Trained,
) -> tuple[Floats, Floats, NDArray[np.intp], NDArray[np.generic]]:
    """Average the spectra of each standard in each fold of the first repeat."""
    problem = trained.base.problem
    labels = [f"{f}\0{s}" for f, s in zip(problem.folds[0], problem.standards, strict=True)]
    _, first, member = np.unique(labels, return_index=True, return_inverse=True)
    share = (member == np.arange(first.size)[:, None]) / np.bincount(member)[:, None]
    return share @ problem.X, problem.Y[first], problem.folds[0][first], problem.standards[first]


def _limits(decided: Plan, trained: Trained, j: int, leverage: Floats, bars: LocalError) -> Limits:
    """Figures of merit; those of a sum over channels only where the model is one."""
    name = decided.analytes[j]
    winner, problem = trained.winners[name], trained.problem(name)
    known = np.isfinite(problem.Y[:, j])
    rows, standards = winner.out_of_fold[0], problem.standards
    distances = trained.bursts["distance_m"].to_numpy(float)
    noise = repeatability(rows[known], standards[known], distances[known])
    if not np.isfinite(noise):
        noise = repeatability(rows[known], standards[known])
    if not np.isfinite(noise):
        noise = float(bars.at(np.zeros(1))[0])
    coefficients = None
    if winner.alone is not None and winner.alone.fitted.predictor == "affine":
        coefficients = winner.alone.fitted.arrays["coefficients"]
    if coefficients is None or not coefficients.any():
        return blank_limits(float(bars.at(np.zeros(1))[0]), noise)
    given = decided.library.uncertainty[name].reindex(standards[known]).to_numpy(float)
    given = given[np.isfinite(given)]
    return linear_limits(
        coefficients, problem.X[known], problem.Y[known, j], leverage[known], noise=noise,
        certified_uncertainty=float(np.sqrt(np.mean(given**2))) if given.size else 0.0,
    )  # fmt: skip


def _groups(trained: Trained) -> Iterator[tuple[str, NDArray[Any]]]:
    distances = trained.bursts["distance_m"].to_numpy(float)
    if np.unique(distances[np.isfinite(distances)]).size > 1:
        yield "distance_m", distances
    days = trained.bursts["acquired_at"].fillna("").astype(str).str[:10].to_numpy(str)
    if 1 < np.unique(days[days != ""]).size <= MOST_SESSIONS:
        yield "session", days


def _left_out(trained: Trained, j: int, unit: str) -> dict[str, list[Part]]:
    """Errors of a PLS model at distances and of sessions that no training spectrum is from.

    Nothing for other families: each would have to be fitted anew for every distance.
    """
    name = list(trained.winners)[j]
    winner, variant = trained.winners[name], trained.variants[trained.winners[name].variant]
    problem, settings = variant.problem, winner.settings
    if winner.family != "pls" or settings["n_components"] == 0 or problem.learns:
        return {}  # a chain that learned from all rows has seen what is left out
    y, folds = problem.Y[:, j], problem.folds[0]
    gram = variant.gram if not settings["scale"] else None
    out: dict[str, list[Part]] = {}
    for what, groups in _groups(trained):
        predicted = np.full(len(y), np.nan)
        try:
            for _, trains, inside in leave_one_out(groups, folds):
                path = cross_validate(
                    problem.X, y, folds, settings["n_components"], settings["scale"],
                    sample_weight=trains.astype(float), gram=gram,
                )  # fmt: skip
                predicted[inside] = np.asarray(path)[-1, inside, 0]
        except DataError:  # what is left is too little to train on
            continue
        out[what] = by_group(reported(predicted, unit) - y, problem.standards, groups)
    return out

"""PLS in the contest: one component count an analyte, chosen in cross-validation.

Options under ``[models.pls]``: ``max_components`` (default 20; fewer where the smallest
training set cannot carry them), ``scale`` (default false: every channel weighs by its own
variance), ``rule``
(``"one-standard-error"``, the default: the fewest components whose error is within one standard
error of the least; ``"minimum"``; ``"randomisation"``).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any, get_args

import numpy as np
from numpy.typing import NDArray

from calib.regress.family import Fitted, Problem, Selection, Watch, unwatched
from calib.regress.options import filled, need_flag, need_one_of, need_whole
from calib.regress.pls import (
    PLS,
    cross_validate,
    cross_validated_mean,
)
from calib.regress.pls_components import Rule, choose_components
from calib.regress.space import Space

Floats = NDArray[np.floating]

ORDER = 0

DEFAULTS: Mapping[str, Any] = {
    "max_components": 20,
    "scale": False,
    "rule": "one-standard-error",
}


def options(given: Mapping[str, Any]) -> dict[str, Any]:
    """Check the options of ``[models.pls]`` and fill the defaults.

    Raises
    ------
    SettingsError
        If a key is unknown or a value cannot be.
    """
    chosen = filled("pls", given, DEFAULTS)
    need_whole("pls", chosen, "max_components")
    need_flag("pls", chosen, "scale")
    need_one_of("pls", chosen, "rule", get_args(Rule))
    return chosen


def space(options: Mapping[str, Any]) -> Space:
    """Return nothing: an attempt tries every component count."""
    return {}


def attempt(
    problem: Problem,
    column: int,
    options: Mapping[str, Any],
    settings: Mapping[str, Any],
    watch: Watch = unwatched,
) -> Selection:
    """Cross-validate every component count of one analyte at once and choose one."""
    alone = replace(problem, Y=problem.Y[:, [column]], analytes=(problem.analytes[column],))
    return select(alone, options)[0]


def complexity(settings: Mapping[str, Any]) -> float:
    """Return the number of components."""
    return float(settings["n_components"])


def select(problem: Problem, options: Mapping[str, Any]) -> list[Selection]:
    """Cross-validate every component count at once and choose one for each analyte.

    Analytes share the work where their training sets carry as many components; a rarely certified
    analyte does not limit the others.
    """
    limits = np.minimum(options["max_components"], _limits(problem))
    X = problem.X
    shared = not (options["scale"] or problem.learns or X.shape[1] < X.shape[0])
    gram = problem.gram if shared else None
    chosen: dict[int, Selection] = {}
    for most in np.unique(limits).tolist():
        columns = np.flatnonzero(limits == most)
        selections = _select(problem, problem.Y[:, columns], most, gram, options)
        chosen |= dict(zip(columns.tolist(), selections, strict=True))
    return [chosen[j] for j in range(problem.Y.shape[1])]


def _select(
    problem: Problem, Y: Floats, most: int, gram: Floats | None, options: Mapping[str, Any]
) -> list[Selection]:
    """Choose for analytes whose training sets all carry `most` components."""
    X, scale = problem.X, options["scale"]
    paths, means = [], []
    for folds in problem.folds:
        if problem.learns:
            paths.append(_refitted(problem, Y, folds, most, scale))
        else:
            paths.append(cross_validate(X, Y, folds, most, scale, gram=gram))
        means.append(cross_validated_mean(Y, folds))
    every = np.stack(paths, axis=1)  # (components, repeats, rows, analytes)
    baseline = np.stack(means)
    repeats = len(problem.folds)
    groups = np.tile(problem.standards, repeats)
    out = []
    for j in range(Y.shape[1]):
        choice = choose_components(
            every[..., j].reshape(most, -1), np.tile(Y[:, j], repeats), groups, options["rule"],
            baseline=baseline[..., j].ravel(),
        )  # fmt: skip
        count = choice.n_components
        curve = {
            "n_components": list(range(most + 1)),
            "rmsecv": choice.rmsecv.tolist(),
            "standard_error": choice.standard_error.tolist(),
        }
        out_of_fold = every[count - 1, ..., j] if count else baseline[..., j]
        settings = {"n_components": count, "max_components": most, "scale": scale}
        out.append(Selection(settings, out_of_fold, curve))
    return out


def _refitted(
    problem: Problem, Y: Floats, folds: NDArray[np.intp], most: int, scale: bool
) -> Floats:
    """Cross-validate spectra that each fold preprocesses anew, (components, rows, analytes)."""
    out = np.full((most, *Y.shape), np.nan)
    for fold in np.unique(folds):
        held = folds == fold
        X = problem.spectra(~held)
        model = PLS(most, scale=scale).fit(X[~held], Y[~held])
        out[:, held] = model.intercept_path_[:, None] + np.einsum(
            "kmp,np->knm", model.coef_path_, X[held], optimize=True
        )
    return out


def _limits(problem: Problem) -> NDArray[np.intp]:
    """Most components that the smallest training set of each analyte can carry."""
    known = np.isfinite(problem.Y)
    counts = [
        known[folds != fold].sum(axis=0) for folds in problem.folds for fold in np.unique(folds)
    ]
    most: NDArray[np.intp] = np.clip(np.min(counts, axis=0) - 1, 1, problem.X.shape[1])
    return most


def fit(X: Floats, y: Floats, settings: Mapping[str, Any]) -> Fitted:
    """Fit one analyte; no component means the mean of the certified values."""
    count = settings["n_components"]
    model = PLS(settings["max_components"], scale=settings["scale"]).fit(X, y)
    mean = np.concatenate([[y.mean()], np.zeros(X.shape[1])])
    path = np.concatenate([model.intercept_path_, model.coef_path_[:, 0]], axis=1)
    path = np.concatenate([mean[None], path])
    arrays = {"coefficients": path[count, 1:].copy(), "intercept": path[count, :1].copy()}
    return Fitted("affine", arrays, path)

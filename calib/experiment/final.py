"""From the rivals for an analyte to its model: the choice and the final fit."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from calib.experiment.attempts import Attempts
from calib.experiment.contest import Table, by_simplicity
from calib.experiment.outcome import Contender, Member, Winner
from calib.regress import predictors
from calib.regress.family import fit_final
from calib.validate.limits import reported
from calib.validate.parsimony import Rule
from calib.validate.scores import rmse, score

Floats = NDArray[np.floating]


def crown(
    attempts: Attempts, contenders: Sequence[Contender], analyte: str, unit: str, rule: Rule
) -> Winner:
    """Choose the model of one analyte and fit it on every certified row.

    Parameters
    ----------
    attempts : Attempts
        With all repeats.
    contenders : sequence of Contender
        The analyte's own.
    analyte, unit : str
    rule : {"one-standard-error", "minimum"}
    """
    y = attempts.values[:, attempts.analytes.index(analyte)]
    ordered = by_simplicity(contenders)
    rivals = np.stack([reported(each.selection.out_of_fold, unit) for each in ordered])
    table = Table.of(rivals, y, attempts.standards)
    at = table.chosen(rule)
    best, errors = ordered[at], table.rmsecv()
    members = (_member(attempts, best),)
    out_of_fold: Floats = rivals[at]
    repeats = len(out_of_fold)
    each = [rmse(row, y) for row in out_of_fold]
    error = float(np.std(each, ddof=1) / np.sqrt(repeats)) if repeats > 1 else float("nan")
    stacked = out_of_fold.ravel(), np.tile(y, repeats), np.tile(attempts.standards, repeats)
    recalled = _recalled(attempts, members, "single", {}, y)
    return Winner(
        family=best.family,
        variant=best.variant,
        settings=best.selection.settings,
        members=members,
        combine="single",
        combine_arrays={},
        out_of_fold=best.selection.out_of_fold,
        contenders={each.family: each for each in ordered},
        selected_by=_why(ordered, errors, at),
        rmsec=rmse(reported(recalled, unit), y[np.isfinite(y)]),
        cross_validated=score(*stacked),
        rmsecv_error=error,
    )


def _member(attempts: Attempts, contender: Contender) -> Member:
    """Fit a contender on every certified row."""
    settings, column = contender.selection.settings, attempts.analytes.index(contender.analyte)
    fitted = fit_final(contender.family, attempts.problem(contender.variant), column, settings)
    return Member(contender.family, contender.variant, settings, fitted)


def _recalled(
    attempts: Attempts,
    members: Sequence[Member],
    combine: str,
    arrays: Mapping[str, Floats],
    y: Floats,
) -> Floats:
    """Return the final model's predictions of the rows it was trained on."""
    known = np.isfinite(y)
    each = [
        predictors.predict(
            m.fitted.predictor, attempts.problem(m.variant).X[known], m.fitted.arrays
        )
        for m in members
    ]
    return predictors.combine(combine, np.stack(each), arrays)


def _why(ordered: Sequence[Contender], errors: Floats, at: int) -> str:
    """Say in words why a contender won."""
    if len(ordered) == 1:
        return "the only family"
    best = int(np.argmin(errors))
    if at == best:
        return f"least RMSECV of {len(ordered)} families"
    return (
        f"simplest of {len(ordered)} families within one standard error of the least RMSECV "
        f"({ordered[best].family}, {errors[best]:.4g})"
    )

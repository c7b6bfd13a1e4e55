"""From the rivals for an analyte to its model: the choice and the final fit."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from calib.experiment.attempts import Attempts
from calib.experiment.contest import Table, simplicity
from calib.experiment.outcome import STACK, Contender, Member, Winner
from calib.experiment.settings import Search
from calib.regress import predictors
from calib.regress.family import Selection, fit_final
from calib.regress.stack import stack
from calib.validate.limits import reported
from calib.validate.scores import rmse, score

Floats = NDArray[np.floating]


@dataclass(frozen=True)
class Model:
    """How an analyte may be predicted: by one contender, or by several that are joined.

    Attributes
    ----------
    contender : Contender
        With the out-of-fold predictions of the whole.
    parts : tuple of Contender
        Itself, or those that are joined.
    combine : str
    arrays : dict of str to ndarray
        What `combine` takes.
    """

    contender: Contender
    parts: tuple[Contender, ...]
    combine: str = "single"
    arrays: Mapping[str, Floats] = field(default_factory=dict)


def crown(
    attempts: Attempts, contenders: Sequence[Contender], unit: str, settings: Search
) -> Winner:
    """Choose the model of one analyte and fit it on every certified row.

    Parameters
    ----------
    attempts : Attempts
        With all repeats.
    contenders : sequence of Contender
        Those of one analyte.
    unit : str
    settings : Search
        The rule, and whether there is a stack.
    """
    y = attempts.values[:, attempts.analytes.index(contenders[0].analyte)]
    variants = list(attempts.prepared)
    rivals = [
        Model(each, (each,))
        for each in sorted(
            contenders,
            key=lambda c: simplicity(c.family, c.selection.settings, variants.index(c.variant)),
        )
    ]
    best_of = _best_of(attempts, [each.contender for each in rivals], y, unit)
    if settings.stack and len(best_of) > 1:
        rivals += _stacked(attempts, list(best_of.values()), y, settings.stack)
    ordered = [each.contender for each in rivals]  # the stack, which is all of them, is the last
    predicted = np.stack([reported(each.selection.out_of_fold, unit) for each in ordered])
    table = Table.of(predicted, y, attempts.standards)
    at = table.chosen(settings.rule)
    best, out_of_fold = rivals[at], predicted[at]
    members = tuple(_member(attempts, part) for part in best.parts)
    repeats = len(out_of_fold)
    each = [rmse(row, y) for row in out_of_fold]
    error = float(np.std(each, ddof=1) / np.sqrt(repeats)) if repeats > 1 else float("nan")
    stacked = out_of_fold.ravel(), np.tile(y, repeats), np.tile(attempts.standards, repeats)
    recalled = _recalled(attempts, members, best, y)
    return Winner(
        family=ordered[at].family,
        variant=ordered[at].variant,
        settings=ordered[at].selection.settings,
        members=members,
        combine=best.combine,
        combine_arrays=dict(best.arrays),
        out_of_fold=ordered[at].selection.out_of_fold,
        contenders=best_of | {each.family: each for each in (ordered[-1], ordered[at])},
        selected_by=_why(ordered, table.rmsecv(), at),
        rmsec=rmse(reported(recalled, unit), y[np.isfinite(y)]),
        cross_validated=score(*stacked),
        rmsecv_error=error,
    )


def _best_of(
    attempts: Attempts, contenders: Sequence[Contender], y: Floats, unit: str
) -> dict[str, Contender]:
    """Return the contender of least RMSECV of each family."""
    predicted = np.stack([reported(each.selection.out_of_fold, unit) for each in contenders])
    errors = Table.of(predicted, y, attempts.standards).rmsecv()
    out: dict[str, Contender] = {}
    for i in np.argsort(errors, kind="stable").tolist():
        out.setdefault(contenders[i].family, contenders[i])
    return {each.family: out[each.family] for each in contenders}


def _stacked(
    attempts: Attempts, parts: Sequence[Contender], y: Floats, how: bool | str
) -> list[Model]:
    """Join the contenders; nothing where a single one carries all the weight."""
    found = stack(
        np.stack([each.selection.out_of_fold for each in parts]), y, attempts.folds,
        attempts.standards, by_range=how == "by-range",
    )  # fmt: skip
    if found.combine == "single":
        return []
    main = parts[int(np.argmax(found.weights))]
    used = tuple(parts[m] for m in found.members)
    weights = {
        part.family: float(found.weights[m]) for part, m in zip(used, found.members, strict=True)
    }
    selection = Selection({"combine": found.combine, "weights": weights}, found.out_of_fold)
    whole = Contender(main.analyte, STACK, main.variant, selection)
    return [Model(whole, used, found.combine, found.arrays)]


def _member(attempts: Attempts, contender: Contender) -> Member:
    """Fit a contender on every certified row."""
    settings, column = contender.selection.settings, attempts.analytes.index(contender.analyte)
    fitted = fit_final(contender.family, attempts.problem(contender.variant), column, settings)
    return Member(contender.family, contender.variant, settings, fitted)


def _recalled(attempts: Attempts, members: Sequence[Member], model: Model, y: Floats) -> Floats:
    """Return the final model's predictions of the rows it was trained on."""
    known, each = np.isfinite(y), []
    for member in members:
        X = attempts.problem(member.variant).X[known]
        each.append(predictors.predict(member.fitted.predictor, X, member.fitted.arrays))
    return predictors.combine(model.combine, np.stack(each), model.arrays)


def _why(ordered: Sequence[Contender], errors: Floats, at: int) -> str:
    """Say in words why a contender won."""
    if len(ordered) == 1:
        return "the only one"
    best = int(np.argmin(errors))
    if at == best:
        return f"least RMSECV of {len(ordered)} finalists"
    return (
        f"simplest of {len(ordered)} finalists within one standard error of the least RMSECV "
        f"({ordered[best].family} on {ordered[best].variant}, {errors[best]:.4g})"
    )

"""The contest: every family tried for every analyte, and one model chosen for each.

The search judges trials by the first repeat of the folds. The best trial of each family is then
cross-validated on all repeats, the families are joined in a stack, and the simplest model whose
error is within one standard error of the least wins. Held-out standards are never near.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from calib.errors import DataError
from calib.experiment.attempts import Attempts
from calib.experiment.outcome import Contender
from calib.experiment.plan import Plan
from calib.experiment.prepare import Report
from calib.regress.family import Selection, family
from calib.validate.limits import reported
from calib.validate.parsimony import Rule, choose
from calib.validate.scores import per_standard, rmse

if TYPE_CHECKING:
    from calib.experiment.search import Trial, Unit
    from calib.experiment.workers import Pool

Floats = NDArray[np.floating]
Trials = Mapping[tuple[str, str], "list[Trial]"]


def units(decided: Plan, attempts: Attempts) -> list[Unit]:
    """Return what is to be searched: every analyte and family."""
    from calib.experiment.search import Unit

    return [
        Unit(
            analyte, name, tuple(decided.variants), family(name).space(attempts.options[name]),
            attempts.values[:, j], attempts.standards,
        )
        for j, analyte in enumerate(attempts.analytes)
        for name in decided.experiment.models.families
    ]  # fmt: skip


def unsearched(attempts: Attempts, families: Sequence[str], report: Report) -> list[Contender]:
    """Cross-validate families that have nothing to search, here and now."""
    out = []
    for done, name in enumerate(families):
        report("cross-validation", done, len(families))
        for analyte in attempts.analytes:
            variant = next(iter(attempts.prepared))
            selection = attempts.attempt(analyte, name, variant, {})
            out.append(Contender(analyte, name, variant, selection))
    report("cross-validation", len(families), len(families))
    return out


def finalists(
    attempts: Attempts, trials: Trials, units_of: Mapping[str, str], pool: Pool, report: Report
) -> list[Contender]:
    """Cross-validate the best trial of each analyte and family on all repeats of the folds.

    Parameters
    ----------
    attempts : Attempts
        With all repeats.
    trials : mapping of (analyte, family) to list of Trial
    units_of : mapping of str to str
        Unit of each analyte.
    pool : Pool
    report : callable

    Raises
    ------
    DataError
        If an analyte is left without any model.
    """
    from calib.experiment.workers import ordered

    best = {}
    for (analyte, name), tried in trials.items():
        done = [trial for trial in tried if trial.state == "complete"]
        if done:
            y = attempts.values[:, attempts.analytes.index(analyte)]
            best[analyte, name] = _best(name, done, y, units_of[analyte])
    if len(attempts.folds) == 1:
        found: Iterable[Selection | None] = [trial.selection for trial in best.values()]
    else:
        calls = [(attempts, a, f, t.variant, t.settings) for (a, f), t in best.items()]
        found = ordered(pool, _again, calls)
    out = []
    for number, ((analyte, name), selection) in enumerate(zip(best, found, strict=True), start=1):
        report("finalists on all folds", number, len(best))
        if selection is not None:
            out.append(Contender(analyte, name, best[analyte, name].variant, selection))
    for analyte in attempts.analytes:
        if not any(each.analyte == analyte for each in out):
            raise DataError(
                f"{analyte}: no family could be cross-validated; see trials that failed"
            )
    return out


def _again(
    attempts: Attempts, analyte: str, name: str, variant: str, settings: Mapping[str, Any]
) -> Selection | None:
    """Cross-validate a trial on all repeats; None where that fails."""
    try:
        selection = attempts.attempt(analyte, name, variant, settings)
    except (OSError, ImportError, MemoryError):
        raise
    except Exception:
        return None
    known = np.isfinite(attempts.values[:, attempts.analytes.index(analyte)])
    return selection if np.isfinite(selection.out_of_fold[:, known]).all() else None


def _best(name: str, done: list[Trial], y: Floats, unit: str) -> Trial:
    """Return the trial of least RMSECV as reported; of equal ones the simplest, then the first."""

    def merit(trial: Trial) -> tuple[float, float, int]:
        assert trial.selection is not None
        error = rmse(reported(trial.selection.out_of_fold[0], unit), y)
        return error, family(name).complexity(trial.selection.settings), trial.number

    return min(done, key=merit)


@dataclass(frozen=True)
class Table:
    """Squared errors of rival models on the same standards.

    Attributes
    ----------
    squares : ndarray of shape (models, standards)
        Sums over the spectra of each standard.
    counts : ndarray of shape (standards,)
    """

    squares: Floats
    counts: Floats

    @classmethod
    def of(cls, predicted: Floats, y: Floats, standards: NDArray[np.generic]) -> Table:
        """Tabulate out-of-fold predictions (models, repeats, n) of certified values (n,)."""
        names = np.tile(standards, predicted.shape[1])
        found = [per_standard((each - y).ravel(), names) for each in predicted]
        return cls(np.stack([squares for squares, _ in found]), found[0][1])

    def rmsecv(self) -> Floats:
        """Return the error of each model."""
        out: Floats = np.sqrt(self.squares.sum(axis=1) / self.counts.sum())
        return out

    def chosen(self, rule: Rule) -> int:
        """Return the model that the rule takes; the simplest stands first."""
        return choose(self.squares, self.counts, rule=rule)


def by_simplicity(contenders: Iterable[Contender]) -> list[Contender]:
    """Sort contenders: simple families first."""

    def key(each: Contender) -> tuple[float, float, str]:
        module = family(each.family)
        return module.ORDER, module.complexity(each.selection.settings), each.family

    return sorted(contenders, key=key)


@dataclass(frozen=True)
class Procedure:
    """How a model is chosen among all trials: the best of each family, then the rule.

    Attributes
    ----------
    families : ndarray of int, shape (models,)
        Of each model, the simplest family 0.
    rule : {"one-standard-error", "minimum"}
    """

    families: NDArray[np.intp]
    rule: Rule

    def __call__(self, squares: Floats, counts: Floats, weights: NDArray[np.integer]) -> int:
        """Choose for one sample of standards, see `calib.validate.honesty`."""
        errors = squares @ weights
        finest = [
            rows[np.argmin(errors[rows])]
            for rows in (np.flatnonzero(self.families == f) for f in np.unique(self.families))
        ]
        return int(finest[choose(squares[finest], counts, weights, rule=self.rule)])


def first_repeat(attempts: Attempts) -> Attempts:
    """Return the same on the first repeat of the folds alone, as trials are judged."""
    return replace(attempts, folds=attempts.folds[:1])

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
from calib.validate.parsimony import Rule, behind, choose
from calib.validate.scores import per_standard

if TYPE_CHECKING:
    from calib.experiment.search import Trial, Unit
    from calib.experiment.workers import Pool

Floats = NDArray[np.floating]
BEYOND = 3.0
"""Standard errors of the paired difference at which a family is out after the search."""

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
    attempts: Attempts,
    trials: Trials,
    unit: Mapping[str, str],
    rule: Rule,
    pool: Pool,
    report: Report,
) -> list[Contender]:
    """Cross-validate the finalists of the search on all repeats of the folds.

    They are, for each analyte and family, the best trial and, unless the rule is to take the
    minimum, the simplest that is within one standard error of it. A family whose best trial is
    `BEYOND` standard errors behind the analyte's best is out: it cannot win, and would weigh next
    to nothing in a stack.

    Parameters
    ----------
    attempts : Attempts
        With all repeats.
    trials : mapping of (analyte, family) to list of Trial
    unit : mapping of str to str
        Of each analyte.
    rule : {"one-standard-error", "minimum"}
    pool : Pool
    report : callable

    Raises
    ------
    DataError
        If an analyte is left without any model.
    """
    from calib.experiment.workers import ordered

    picked: list[tuple[str, str, Trial]] = []
    for column, analyte in enumerate(attempts.analytes):
        tried = complete(trials, analyte, list(attempts.prepared))
        if tried:
            table = Table.of(_judged(tried, unit[analyte]), attempts.values[:, column],
                             attempts.standards)  # fmt: skip
            kinds = np.array([kind for kind, _ in tried])
            picked += [(analyte, *tried[i]) for i in _picked(table, kinds, rule)]
    if len(attempts.folds) == 1:
        found: Iterable[Selection | None] = [trial.selection for _, _, trial in picked]
    else:
        calls = [(attempts, a, kind, t.variant, t.settings) for a, kind, t in picked]
        found = ordered(pool, _again, calls)
    out = []
    for done, ((analyte, kind, trial), selection) in enumerate(
        zip(picked, found, strict=True), start=1
    ):
        report("finalists on all folds", done, len(picked))
        if selection is not None:
            out.append(Contender(analyte, kind, trial.variant, selection))
    for analyte in attempts.analytes:
        if not any(each.analyte == analyte for each in out):
            raise DataError(
                f"{analyte}: no family could be cross-validated; see trials that failed"
            )
    return out


def complete(trials: Trials, analyte: str, variants: Sequence[str]) -> list[tuple[str, Trial]]:
    """Return families and complete trials of one analyte, the simplest first.

    Parameters
    ----------
    trials : mapping of (analyte, family) to list of Trial
    analyte : str
    variants : sequence of str
        The simplest first.
    """
    found = [
        (simplicity(kind, trial.selection.settings, variants.index(trial.variant)),
         trial.number, kind, trial)
        for (other, kind), tried in trials.items()
        if other == analyte
        for trial in tried
        if trial.state == "complete" and trial.selection is not None
    ]  # fmt: skip
    return [(kind, trial) for *_, kind, trial in sorted(found, key=lambda each: each[:2])]


def simplicity(
    kind: str, settings: Mapping[str, Any], variant: int
) -> tuple[float, str, float, int]:
    """Return a key that sorts models, the simplest first: family, complexity, preprocessing."""
    module = family(kind)
    return module.ORDER, kind, module.complexity(settings), variant


def _judged(tried: Sequence[tuple[str, Trial]], unit: str) -> Floats:
    """Return what the trials predicted out of fold, as reported, (trials, 1, n)."""
    rows = [trial.selection.out_of_fold[:1] for _, trial in tried if trial.selection is not None]
    return reported(np.stack(rows), unit)


def _picked(
    table: Table,
    kinds: NDArray[np.generic],
    rule: Rule,
    weights: NDArray[np.number] | None = None,
) -> list[int]:
    """Return the rows of a table, sorted by simplicity, that are finalists."""
    squares, counts = table.squares, table.counts
    total = squares.sum(axis=1) if weights is None else squares @ weights
    rows = {kind: np.flatnonzero(kinds == kind) for kind in dict.fromkeys(kinds.tolist())}
    best = {kind: int(own[np.argmin(total[own])]) for kind, own in rows.items()}
    difference, error = behind(squares[list(best.values())], counts, weights)
    out = []
    for (kind, at), near in zip(best.items(), difference <= BEYOND * error, strict=True):
        if near:
            own = rows[kind]
            simple = int(own[choose(squares[own], counts, weights, rule=rule)])
            out += [at] if simple == at else [simple, at]
    return sorted(out)


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


@dataclass(frozen=True)
class Procedure:
    """How a model is chosen among all trials: the finalists of each family, then the rule.

    Attributes
    ----------
    kinds : ndarray of str, shape (models,)
        Family of each model; models are sorted by simplicity.
    rule : {"one-standard-error", "minimum"}
    """

    kinds: NDArray[np.generic]
    rule: Rule

    def __call__(self, squares: Floats, counts: Floats, weights: NDArray[np.integer]) -> int:
        """Choose for one sample of standards, see `calib.validate.honesty`."""
        own = _picked(Table(squares, counts), self.kinds, self.rule, weights)
        return int(own[choose(squares[own], counts, weights, rule=self.rule)])


def first_repeat(attempts: Attempts) -> Attempts:
    """Return the same on the first repeat of the folds alone, as trials are judged."""
    return replace(attempts, folds=attempts.folds[:1])

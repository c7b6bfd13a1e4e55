"""One trial of a search, where a worker does it: cross-validate, score, or give up early."""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from calib.regress.family import Hopeless, Selection, Watch
from calib.regress.pls_components import randomisation_test
from calib.regress.space import Space
from calib.validate.scores import per_standard, rmse_with_error

Floats = NDArray[np.floating]
State = Literal["complete", "pruned", "failed"]

EARLIEST = 10
"""Standards that must have been predicted before a trial may be called hopeless. Common practice,
no source."""

HOPELESS = 0.02
"""Largest p value, of a randomisation test over standards, at which a trial is worse than the best
so far beyond doubt; it is asked after every fold, so it is below the usual 0.05."""

DRAWS = 199
"""Sign patterns of that test."""


@dataclass(frozen=True, eq=False)
class Unit:
    """One race of the contest: an analyte and a family. Plain data, sent to workers.

    Attributes
    ----------
    analyte, family : str
    variants : tuple of str
        Preprocess chains to try, by name, simplest first.
    space : Space
        What the family's search may vary; if empty, every variant has one trial.
    values : ndarray of shape (n,)
        Certified values, NaN where not certified.
    standards : ndarray of shape (n,)
    trials : int, optional
        A number of trials of its own, in place of the budget's.
    """

    analyte: str
    family: str
    variants: tuple[str, ...]
    space: Space
    values: Floats
    standards: NDArray[np.generic]
    trials: int | None = None


Evaluate = Callable[[Unit, str, dict[str, Any], Watch], Selection]
"""Cross-validates a unit with a variant and settings. It is sent to workers, so it can be pickled
and names bulk data by path; it gives the same numbers wherever and whenever it is called."""


@dataclass(frozen=True, eq=False)
class Attempt:
    """What came of one trial.

    Attributes
    ----------
    state : {"complete", "pruned", "failed"}
    rmsecv, standard_error : float
        In the analyte's unit; NaN if not complete. The error is that of a sample of standards.
    selection : Selection or None
        Where complete.
    seconds : float
    folds : int
        Folds that were predicted.
    guess : float
        Of a pruned trial, the RMSECV that its folds let expect; else NaN.
    reason : str
        Why it failed.
    """

    state: State
    rmsecv: float
    standard_error: float
    selection: Selection | None
    seconds: float
    folds: int
    guess: float = float("nan")
    reason: str = ""


class _Watcher:
    """Ends a trial whose first folds are worse than the same folds of the unit's best so far."""

    def __init__(self, unit: Unit, best: Floats | None) -> None:
        self.unit = unit
        self.best = best
        self.folds = 0
        self.guess = float("nan")

    def __call__(self, predicted: Floats) -> None:
        self.folds += 1
        if self.best is None:
            return
        unit = self.unit
        mine, others = predicted - unit.values, self.best - unit.values
        seen = np.isfinite(mine) & np.isfinite(others)
        standards = unit.standards[seen]
        whole = seen.sum() == np.isfinite(unit.values).sum()
        if whole or np.unique(standards).size < EARLIEST:
            return
        mean, others_mean = np.mean(mine[seen] ** 2), np.mean(others[seen] ** 2)
        if mean <= others_mean:
            return
        p = randomisation_test(mine[seen], others[seen], standards, n_draws=DRAWS)
        if p <= HOPELESS:
            overall, _ = scored(self.best[None], unit)
            self.guess = float(np.sqrt(overall**2 + mean - others_mean))
            raise Hopeless


def attempt(
    evaluate: Evaluate,
    token: str,
    unit: Unit,
    variant: str,
    settings: Mapping[str, Any],
    best: Floats | None,
) -> Attempt:
    """Try one variant with one set of settings.

    Parameters
    ----------
    evaluate : Evaluate
    token : str
        Names the evaluator: a worker keeps the first of a name, with what it has worked out.
    unit : Unit
    variant : str
    settings : mapping
        Drawn from the unit's space.
    best : ndarray of shape (n,), optional
        Out-of-fold predictions of the unit's best trial so far; None tries to the end.

    Returns
    -------
    Attempt

    Raises
    ------
    OSError, ImportError, MemoryError
        Trouble of the machine, which says nothing about the settings.
    """
    held = _held(token, evaluate)
    watch = _Watcher(unit, best)
    started = time.perf_counter()
    nan = float("nan")
    try:
        selection = _plain(held(unit, variant, dict(settings), watch))
        rmsecv, error = scored(selection.out_of_fold, unit)
    except Hopeless:
        seconds = time.perf_counter() - started
        return Attempt("pruned", nan, nan, None, seconds, watch.folds, watch.guess)
    except (OSError, ImportError, MemoryError):
        raise
    except Exception as failure:
        lines = str(failure).splitlines() or [""]
        reason = f"{type(failure).__name__}: {lines[0]}"
        seconds = time.perf_counter() - started
        return Attempt("failed", nan, nan, None, seconds, watch.folds, reason=reason)
    seconds = time.perf_counter() - started
    return Attempt("complete", rmsecv, error, selection, seconds, watch.folds)


def scored(out_of_fold: Floats, unit: Unit) -> tuple[float, float]:
    """Return RMSECV and its standard error, all repeats together.

    Raises
    ------
    ValueError
        If a certified row has no finite prediction.
    """
    known = np.isfinite(unit.values)
    errors = out_of_fold[:, known] - unit.values[known]
    lost = int((~np.isfinite(errors)).sum())
    if lost:
        raise ValueError(f"{lost} of {errors.size} out-of-fold predictions are not finite")
    names = np.tile(unit.standards[known], len(errors))
    rmsecv, error = rmse_with_error(*per_standard(errors.ravel(), names))
    return float(rmsecv), float(error)


_HELD: dict[str, Evaluate] = {}


def _held(token: str, evaluate: Evaluate) -> Evaluate:
    """Return the evaluator that this process has held since it first saw the token."""
    if token not in _HELD:
        _HELD.clear()
        _HELD[token] = evaluate
    return _HELD[token]


def release() -> None:
    """Forget what `attempt` holds in this process."""
    _HELD.clear()


def _plain(selection: Selection) -> Selection:
    """Return a selection as it would come back from disk."""
    settings, curve = unpacked(packed(selection))
    return Selection(settings, np.asarray(selection.out_of_fold, dtype=np.float64), curve)


def packed(selection: Selection) -> str:
    """Write the settings and the curve of a selection as text."""
    return json.dumps([selection.settings, selection.curve], default=_scalar)


def unpacked(text: str) -> tuple[dict[str, Any], dict[str, list[float]]]:
    """Read what `packed` wrote."""
    settings, curve = json.loads(text)
    return settings, curve


def _scalar(value: Any) -> Any:
    """Turn a numpy number or array into Python's."""
    if hasattr(value, "tolist"):
        return value.tolist()
    raise TypeError(f"settings hold {value!r}, need plain data")

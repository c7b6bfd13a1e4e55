"""Training: from an experiment file to a run folder.

The order is the point. Held-out bursts are set aside first; the calibration bursts alone are
reduced, folded, modelled and calibrated for error bars; the final models exist before the first
held-out count is read, and nothing is chosen after that.
"""

from __future__ import annotations

import os
import shutil
import warnings
from collections.abc import Callable
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from calib.artifact.runtime import Model
from calib.errors import CalibWarning, UsageError
from calib.experiment import write
from calib.experiment.assess import assess
from calib.experiment.outcome import Contender, Member, Outcome, Trained, Variant, Winner
from calib.experiment.plan import Floats, Plan, plan
from calib.experiment.prepare import Report, Spectra, acquisition, reduce_bursts
from calib.experiment.run import Run, open_run
from calib.experiment.state import model_parts
from calib.experiment.unseen import read_held_out
from calib.preprocess import Chain
from calib.regress import predictors
from calib.regress.family import Problem, Selection, family, fit_final
from calib.validate.intervals import local_error
from calib.validate.limits import reported
from calib.validate.scores import rmse, score


def _silent(label: str, done: int, total: int) -> None:
    """Report nothing."""


def train(
    experiment_file: str | os.PathLike[str],
    out: str | os.PathLike[str] | None = None,
    *,
    report: Report = _silent,
) -> Run:
    """Train models as an experiment file says.

    Parameters
    ----------
    experiment_file : path
    out : path, optional
        Run folder to make; must not exist. Default: ``runs/NAME-1``, ``-2``, … in the working
        directory, NAME the experiment file's.
    report : callable, optional
        Called with (what is being done, done, total).

    Returns
    -------
    Run

    Raises
    ------
    CalibError
        If the experiment or its library is wrong, or the run folder exists. Nothing is left.

    Warns
    -----
    CalibWarning
        For each analyte that is skipped, and if nothing is held out.

    Examples
    --------
    >>> import calib
    >>> run = calib.train("experiments/quickstart.toml")  # doctest: +SKIP
    """
    target = Path(out) if out is not None else _next_folder(Path(experiment_file))
    if target.exists() or target.is_symlink():
        raise UsageError(f"{target}: run folder exists; give another with --out")
    decided = plan(experiment_file)
    for note in decided.notes:
        warnings.warn(CalibWarning(note), stacklevel=2)
    partial = target.with_name(f".{target.name}.partial-{os.getpid()}")
    target.parent.mkdir(parents=True, exist_ok=True)
    shutil.rmtree(partial, ignore_errors=True)
    partial.mkdir()  # before the work: a place that cannot be written is found now
    try:
        _train_into(partial, decided, report)
        os.replace(partial, target)
    finally:
        shutil.rmtree(partial, ignore_errors=True)
    return open_run(target)


def _train_into(folder: Path, decided: Plan, report: Report) -> None:
    """Do the work in its order, and write it."""
    spectra = reduce_bursts(
        decided.library, decided.calibration, decided.chain, report, "calibration bursts"
    )
    trained = _fit(decided, spectra, report)
    assessed = assess(decided, trained, report)
    model = Model(*model_parts(decided, trained, assessed))
    unseen = read_held_out(decided, trained, model, report)
    write.run_folder(folder, decided, Outcome(trained, assessed, unseen), model, report)


def _next_folder(file: Path) -> Path:
    number = 1
    while (folder := Path("runs") / f"{file.stem}-{number}").exists():
        number += 1
    return folder


def _fit(decided: Plan, spectra: Spectra, report: Report) -> Trained:
    """Cross-validate every family, keep the best for each analyte, refit on all rows."""
    chain, X, refit = _preprocess(decided, spectra)
    Y = decided.certified(spectra.bursts)
    folds = decided.folds[:, decided.calibration.index.get_indexer(spectra.bursts.index)]
    standards = spectra.bursts["standard"].to_numpy(dtype=str)
    problem = Problem(X, Y, folds, standards, decided.analytes, refit)
    models = decided.experiment.models
    chosen: dict[str, list[Selection]] = {}
    for done, name in enumerate(models.families):
        report("cross-validation", done, len(models.families))
        rival, options = family(name), models.options(name)
        columns = range(len(decided.analytes))
        chosen[name] = [rival.attempt(problem, j, options, {}) for j in columns]
    report("cross-validation", len(models.families), len(models.families))
    winners = {}
    for j, analyte in enumerate(decided.analytes):
        unit = decided.library.description.unit(analyte)
        rivals = {name: Contender(name, "base", chosen[name][j]) for name in models.families}
        winners[analyte] = _refit(problem, j, rivals, unit)
        report("final models", j + 1, len(decided.analytes))
    return Trained(spectra.bursts, {"base": Variant("base", chain, problem)}, winners)


def _preprocess(
    decided: Plan, spectra: Spectra
) -> tuple[Chain, Floats, Callable[[NDArray[np.bool_]], Floats] | None]:
    """Fit the chain on all rows, and say how to fit it on some of them (None: it learns nothing).

    The steps before the first one that learns see each row alone: their work is done once.
    """
    axis, shot = decided.library.wavelength, acquisition(decided.library, spectra.bursts)
    if not decided.chain.learns:
        return decided.chain, decided.chain.spectra(spectra.counts, axis, shot), None
    fixed, rest = decided.chain.split_learning()
    rows = fixed.spectra(spectra.counts, axis, shot)
    axis, shot = fixed.after(axis, shot)

    def refit(training: NDArray[np.bool_]) -> Floats:
        mine, _ = rest.fit_spectra(rows[training], axis, shot.rows(training))
        return mine.spectra(rows, axis, shot)

    fitted, X = rest.fit_spectra(rows, axis, shot)
    on_shots = tuple(step for step in decided.chain.steps if step.level == "shot")
    return Chain(on_shots + fixed.steps + fitted.steps), X, refit


def _refit(problem: Problem, j: int, contenders: dict[str, Contender], unit: str) -> Winner:
    """Fit the family of least RMSECV on every certified row, and calibrate its error bars."""
    y = problem.Y[:, j]
    known = np.isfinite(y)
    best = min(
        contenders.values(), key=lambda each: rmse(reported(each.selection.out_of_fold, unit), y)
    )
    settings = best.selection.settings
    fitted = fit_final(best.family, problem, j, settings)
    recalled = predictors.predict(fitted.predictor, problem.X[known], fitted.arrays)
    out_of_fold: Floats = reported(best.selection.out_of_fold, unit)
    repeats = len(out_of_fold)
    stacked = out_of_fold.ravel(), np.tile(y, repeats), np.tile(problem.standards, repeats)
    each = [rmse(row, y) for row in out_of_fold]
    error = float(np.std(each, ddof=1) / np.sqrt(repeats)) if repeats > 1 else float("nan")
    return Winner(
        family=best.family,
        variant=best.variant,
        settings=settings,
        members=(Member(best.family, best.variant, settings, fitted),),
        combine="single",
        combine_arrays={},
        out_of_fold=best.selection.out_of_fold,
        contenders=contenders,
        local=local_error(out_of_fold, y, problem.standards),
        rmsec=rmse(reported(recalled, unit), y[known]),
        cross_validated=score(*stacked),
        rmsecv_error=error,
    )

"""Training: from an experiment file to a run folder.

The order is the point. Held-out bursts are set aside first; the calibration bursts alone are
reduced, folded, modelled and calibrated for error bars; the final models exist before the first
held-out count is read, and nothing is chosen after that.
"""

from __future__ import annotations

import os
import shutil
import warnings
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from calib import __version__
from calib.artifact.runtime import Model
from calib.errors import CalibWarning, UsageError
from calib.experiment import write
from calib.experiment.assess import assess
from calib.experiment.attempts import Attempts
from calib.experiment.cache import Cache
from calib.experiment.contest import Trials, finalists, first_repeat, units, unsearched
from calib.experiment.final import crown
from calib.experiment.outcome import Contender, Outcome, Trained, Variant
from calib.experiment.plan import Plan, plan
from calib.experiment.prepare import Report
from calib.experiment.run import Run, beside, open_run
from calib.experiment.state import model_parts
from calib.experiment.unseen import read_held_out
from calib.experiment.variants import prepare, reduced
from calib.experiment.workers import Engine


@dataclass(frozen=True)
class Means:
    """What a training may use, and where it goes on; nothing here changes what a trial gives.

    Attributes
    ----------
    engine : Engine
        Where trials run.
    resume : bool
        Go on with a search that was interrupted, or extend that of a finished run.
    storage : str, optional
        Optuna's, a URL or the path of a journal file.
    trials : int, optional
        Of each analyte and family, in place of the experiment's.
    minutes : float, optional
        Of the search, in place of the experiment's.
    """

    engine: Engine = field(default_factory=Engine)
    resume: bool = False
    storage: str | None = None
    trials: int | None = None
    minutes: float | None = None


def _silent(label: str, done: int, total: int) -> None:
    """Report nothing."""


def train(
    experiment_file: str | os.PathLike[str],
    out: str | os.PathLike[str] | None = None,
    *,
    report: Report = _silent,
    means: Means | None = None,
) -> Run:
    """Train models as an experiment file says.

    Parameters
    ----------
    experiment_file : path
    out : path, optional
        Run folder to make; must not exist, unless its search is resumed. Default:
        ``runs/NAME-1``, ``-2``, … in the working directory, NAME the experiment file's.
    report : callable, optional
        Called with (what is being done, done, total).
    means : Means, optional
        Where trials run, what is resumed, the budget. Default: the cores of this machine.

    Returns
    -------
    Run

    Raises
    ------
    CalibError
        If the experiment or its library is wrong, or the run folder exists. Nothing is left but
        the trials of a search that had begun, in ``.RUN.search`` beside the run.

    Warns
    -----
    CalibWarning
        For each analyte that is skipped, and if nothing is held out.

    Examples
    --------
    >>> import calib
    >>> run = calib.train("experiments/quickstart.toml")  # doctest: +SKIP
    """
    means = means or Means()
    target = Path(out) if out is not None else next_folder(Path(experiment_file))
    if means.resume and out is None:
        raise UsageError("--resume: need --out RUN, the run whose search goes on")
    if (target.exists() or target.is_symlink()) and not means.resume:
        raise UsageError(f"{target}: run folder exists; give another with --out")
    decided = plan(experiment_file)
    for note in decided.notes:
        warnings.warn(CalibWarning(note), stacklevel=2)
    partial = target.with_name(f".{target.name}.partial-{os.getpid()}")
    target.parent.mkdir(parents=True, exist_ok=True)
    shutil.rmtree(partial, ignore_errors=True)
    partial.mkdir()  # before the work: a place that cannot be written is found now
    state, begun = None, beside(target).exists()
    try:
        state = _take_up(target, decided, resume=means.resume)
        _train_into(partial, decided, means, state, report)
        _replace(target, partial)
        if state is not None:
            from calib.experiment.search import settle

            settle(state, target)
    finally:
        shutil.rmtree(partial, ignore_errors=True)
        if state is not None and not begun and not (state / "trials").exists():
            shutil.rmtree(state, ignore_errors=True)  # made here, and nothing was tried yet
    return open_run(target)


def next_folder(file: Path) -> Path:
    """Return the run folder that an experiment file gets when none is asked for."""
    number = 1
    while (folder := Path("runs") / f"{file.stem}-{number}").exists() or beside(folder).exists():
        number += 1
    return folder


def _take_up(target: Path, decided: Plan, *, resume: bool) -> Path | None:
    """Make or find the state of the run's search; None where there is nothing to search."""
    if not decided.searches:
        if resume:
            raise UsageError(f"{decided.file}: has nothing to search, and so nothing to resume")
        return None
    from calib.experiment.search import take_up

    identity = _identity(decided)
    begun = beside(target).exists()
    try:
        return take_up(target, identity, resume=resume)
    except UsageError:
        if not begun:
            shutil.rmtree(beside(target), ignore_errors=True)
        raise


def _identity(decided: Plan) -> dict[str, Any]:
    """Return what decides which trials a search makes and what they find."""
    settings = decided.experiment.model_dump(mode="json", exclude={"library"})
    for bound in ("trials", "minutes", "cache_gb"):
        settings["search"].pop(bound)
    steps = {name: chain.settings() for name, chain in decided.variants.items()}
    return {
        "library": decided.digest, "calib": __version__, "steps": steps,
        "rows": decided.calibration.index.tolist(), **settings,
    }  # fmt: skip


def _replace(target: Path, partial: Path) -> None:
    """Put a whole run in its place, and remove the one that it extends."""
    if not target.exists():
        os.replace(partial, target)
        return
    old = target.with_name(f".{target.name}.old-{os.getpid()}")
    os.replace(target, old)
    os.replace(partial, target)
    shutil.rmtree(old, ignore_errors=True)


def _train_into(
    folder: Path, decided: Plan, means: Means, state: Path | None, report: Report
) -> None:
    """Do the work in its order, and write it."""
    cache = None
    if state is not None:
        where = os.environ.get("CALIB_CACHE") or state.parent / ".cache"
        cache = Cache(Path(where), int(decided.experiment.search.cache_gb * 1e9))
    try:
        trained = _fit(decided, means, state, cache, report)
        assessed = assess(decided, trained, report)
        model = Model(*model_parts(decided, trained, assessed))
        unseen = read_held_out(decided, trained, model, report)
        write.run_folder(folder, decided, Outcome(trained, assessed, unseen), model, report)
    finally:
        if cache is not None:
            cache.trim()


def _fit(
    decided: Plan, means: Means, state: Path | None, cache: Cache | None, report: Report
) -> Trained:
    """Cross-validate what is to be tried, choose for each analyte, fit on all rows."""
    spectra = reduced(decided, cache, report, means.engine)
    attempts = Attempts(
        prepare(decided, spectra, cache, report),
        decided.certified(spectra.bursts),
        decided.folds[:, decided.calibration.index.get_indexer(spectra.bursts.index)],
        spectra.bursts["standard"].to_numpy(dtype=str),
        decided.analytes,
        {name: decided.experiment.models.options(name) for name in decided.families_tried},
    )
    trials: Trials = {}
    if state is None:
        contenders = unsearched(attempts, decided.families_tried, report)
    else:
        trials, contenders = _search(decided, attempts, means, state, report)
    winners = {}
    for done, analyte in enumerate(decided.analytes, start=1):
        own = [each for each in contenders if each.analyte == analyte]
        unit = decided.library.description.unit(analyte)
        winners[analyte] = crown(attempts, own, unit, decided.experiment.search)
        report("final models", done, len(decided.analytes))
    variants = {
        name: Variant(name, each.chain, attempts.problem(name))
        for name, each in attempts.prepared.items()
    }
    return Trained(spectra.bursts, variants, winners, trials)


def _search(
    decided: Plan, attempts: Attempts, means: Means, state: Path, report: Report
) -> tuple[Trials, list[Contender]]:
    """Search every analyte and family, and cross-validate the best of each on all repeats."""
    from calib.experiment.search import Budget, run_units

    settings = decided.experiment.search
    budget = Budget(means.trials or settings.trials, means.minutes or settings.minutes)
    trials = run_units(
        units(decided, attempts), first_repeat(attempts), where=state,
        seed=decided.experiment.seed, budget=budget, engine=means.engine, report=report,
        storage=means.storage,
    )  # fmt: skip
    unit = {name: decided.library.description.unit(name) for name in decided.analytes}
    with means.engine.open() as pool:
        return trials, finalists(attempts, trials, unit, settings.rule, pool, report)

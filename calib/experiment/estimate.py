"""How long a training would take, guessed before any spectrum is read."""

from __future__ import annotations

import time
from dataclasses import dataclass

import numpy as np
from threadpoolctl import threadpool_limits

from calib.experiment.attempts import Attempts
from calib.experiment.plan import Floats, Plan
from calib.experiment.prepare import Report, first_to_last
from calib.experiment.variants import Prepared
from calib.preprocess import Chain
from calib.regress.family import family
from calib.regress.space import drawn

DRAWS = 2
"""Trials of each family that are timed, with settings drawn at random."""

RANK = 12
"""Independent patterns in the invented spectra: scores of real ones are as few."""

LINES = 0.06
"""Share of the channels that a pattern shows in, as the emission lines of an element do."""

HOW = (
    f"timed on invented spectra of the same size, {DRAWS} trials a family of one analyte, in "
    "processor time; yours may take two or three times as long"
)


@dataclass(frozen=True)
class Estimate:
    """What a search would take.

    Attributes
    ----------
    trials : dict of str to int
        Of each family, all analytes together.
    seconds : dict of str to float
        Of one trial of each family, on one core.
    total : float
        Seconds of the whole search, on so many workers; no more than its limit in minutes.
    """

    trials: dict[str, int]
    seconds: dict[str, float]
    total: float


def estimate(
    decided: Plan, workers: int, report: Report, *, trials: int | None, minutes: float | None
) -> Estimate:
    """Time a few trials of each family on invented spectra and count the trials.

    Parameters
    ----------
    decided : Plan
    workers : int
    report : callable
    trials, minutes : optional
        In place of the experiment's.
    """
    from calib.experiment.contest import units
    from calib.experiment.search_proposals import possible

    search = decided.experiment.search
    attempts = _invented(decided, decided.chain.axis(decided.library.wavelength).size)
    small = _invented(decided, 64)
    races = units(decided, attempts)
    analyte, analytes = decided.analytes[0], len(decided.analytes)
    count, took, work = {}, {}, 0.0
    for done, name in enumerate(decided.families_tried):
        report("timing", done, len(decided.families_tried))
        space = family(name).space(attempts.options[name])
        most = possible(next(unit for unit in races if unit.family == name))
        asked = (trials or search.trials) if space else len(decided.variants)
        count[name] = analytes * (asked if most is None else min(asked, most))
        rng = np.random.default_rng(0)
        draws = [drawn(space, rng) for _ in range(DRAWS if space else 1)]
        with threadpool_limits(1):
            small.attempt(analyte, name, "base", draws[0])  # imports what it needs
            started = time.process_time()  # of this process: others may keep the cores busy
            for settings in draws:
                attempts.attempt(analyte, name, "base", settings)
        took[name] = (time.process_time() - started) / len(draws)
        repeats = len(decided.folds) if len(decided.folds) > 1 else 0
        work += (count[name] + analytes * repeats) * took[name]
    report("timing", len(decided.families_tried), len(decided.families_tried))
    limit = minutes or search.minutes
    total = work / workers
    return Estimate(count, took, total if limit is None else min(total, 60 * limit))


def _invented(decided: Plan, channels: int) -> Attempts:
    """Return as many spectra as are to train, of a few patterns and noise."""
    rows = first_to_last(decided.calibration)
    bursts = decided.calibration.loc[rows]
    values = decided.certified(bursts)
    rng = np.random.default_rng(0)
    filled = np.where(np.isfinite(values), values, np.nanmean(values, axis=0))
    patterns = np.column_stack([filled, rng.normal(size=(len(bursts), RANK))])
    patterns = (patterns - patterns.mean(axis=0)) / np.maximum(patterns.std(axis=0), 1e-12)
    shown = rng.random((patterns.shape[1], channels)) < LINES
    X: Floats = patterns @ (shown * rng.normal(size=shown.shape))
    X += rng.normal(scale=0.1 * X.std(), size=X.shape)
    folds = decided.folds[:1, decided.calibration.index.get_indexer(bursts.index)]
    options = {name: decided.experiment.models.options(name) for name in decided.families_tried}
    base = Prepared("base", Chain(()), X)
    standards = bursts["standard"].to_numpy(dtype=str)
    return Attempts({"base": base}, values, folds, standards, decided.analytes, options)

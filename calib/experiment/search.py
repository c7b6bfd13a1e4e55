"""The search: a race for each analyte and family, many races at once.

Within a race trials follow one another, and what one tries depends on those before it in the same
race alone. So the outcome does not depend on the engine, on how many workers there are, or on
which is faster; nor on interruptions. A budget in minutes is the exception: it ends where it ends.
"""

from __future__ import annotations

import time
import uuid
import warnings
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from optuna.trial import FrozenTrial

from calib.errors import CalibWarning, UsageError
from calib.experiment.prepare import Report
from calib.experiment.search_proposals import Proposal, possible, propose, quiet
from calib.experiment.search_state import (
    SearchState,
    Trial,
    finished_trial,
    open_state,
    settle,
    take_up,
)
from calib.experiment.search_trial import Attempt, Evaluate, Floats, Unit, attempt, release
from calib.experiment.workers import SERIAL, Engine, Pool

__all__ = [
    "Budget",
    "Evaluate",
    "Progress",
    "Trial",
    "Unit",
    "run_units",
    "settle",
    "take_up",
]

GIVE_UP = 5
"""Trials of a race that fail before one succeeds until it is given up."""


@dataclass(frozen=True)
class Budget:
    """How much a search may do.

    Attributes
    ----------
    trials : int
        For each unit that has something to vary.
    minutes : float, optional
        After which no trial begins but the first of a unit; counted anew when a search is resumed.
    """

    trials: int
    minutes: float | None = None


@dataclass(frozen=True)
class Progress:
    """How far a search is.

    Attributes
    ----------
    done, total : int
        Trials.
    best : dict
        Least RMSECV so far of each analyte, in its unit, and its family.
    seconds_left : float or None
        A guess from the trials so far; None before the first.
    """

    done: int
    total: int
    best: dict[str, tuple[float, str]]
    seconds_left: float | None


@dataclass(eq=False)
class _Race:
    """A unit on its way."""

    unit: Unit
    seed: int
    budget: Budget
    records: list[FrozenTrial]
    trials: list[Trial]
    new: int = 0
    running: tuple[int, Proposal] | None = None
    out: bool = False
    best: Trial | None = None
    lost: list[int] = field(default_factory=list)

    def __post_init__(self) -> None:
        for trial in self.trials:
            self._compare(trial)
        # trials whose predictions are not on disk any more are done again
        self.lost = [t.number for t in self.trials if t.state == "complete" and not t.selection]

    @property
    def wanted(self) -> int:
        """How many trials the unit is to have."""
        most = possible(self.unit)
        if not self.unit.space and most is not None:
            return most
        asked = self.unit.trials or self.budget.trials
        return asked if most is None else min(asked, most)

    @property
    def hopeless(self) -> bool:
        return (
            self.best is None
            and len(self.trials) >= GIVE_UP
            and all(trial.state == "failed" for trial in self.trials)
        )

    @property
    def total(self) -> int:
        """How many trials the unit will have had."""
        over = self.out or self.hopeless
        return len(self.trials) if over else max(self.wanted, len(self.trials))

    @property
    def idle(self) -> bool:
        """Whether a trial may be handed in."""
        if self.running is not None:
            return False
        return bool(self.lost) or self.total > len(self.trials)

    def next(self) -> Proposal | None:
        """Say what to try next, and remember that it is being tried."""
        if self.lost:
            again = self.trials[self.lost[0]]
            self.running = again.number, (again.variant, again.settings)
        elif (proposal := propose(self.unit, self.seed, self.records)) is None:
            self.out = True
            return None
        else:
            self.running = len(self.records), proposal
        return self.running[1]

    def reference(self) -> Floats | None:
        """Out-of-fold predictions that the running trial is to beat."""
        if self.lost or self.best is None or self.best.selection is None:
            return None
        predicted: Floats = self.best.selection.out_of_fold[0]
        return predicted

    def end(self, made: Attempt, state: SearchState) -> None:
        """Write down what came of the running trial."""
        assert self.running is not None
        number, proposal = self.running
        self.running = None
        if number < len(self.records):  # known, but its predictions were lost
            if made.selection is None:
                raise UsageError(
                    f"{state.where}: trial {number} of {self.unit.family} for {self.unit.analyte} "
                    f"succeeded once and now {made.state} ({made.reason}); begin anew"
                )
            self.lost.remove(number)
            state.keep(self.unit, number, made.selection)
            self.trials[number] = finished_trial(self.records[number], made.selection)
            self._compare(self.trials[number])
            return
        self.records.append(state.add(self.unit, number, proposal, made))
        self.trials.append(finished_trial(self.records[-1], made.selection))
        self.new += 1
        self._compare(self.trials[-1])

    def _compare(self, trial: Trial) -> None:
        if trial.state != "complete":
            return
        if self.best is None or trial.rmsecv < self.best.rmsecv or trial.number == self.best.number:
            self.best = trial


def run_units(
    units: Sequence[Unit],
    evaluate: Evaluate,
    *,
    where: Path,
    seed: int,
    budget: Budget,
    engine: Engine = SERIAL,
    report: Report | None = None,
    storage: str | None = None,
) -> dict[tuple[str, str], list[Trial]]:
    """Search every unit, or go on with a search.

    Parameters
    ----------
    units : sequence of Unit
        Each analyte and family once.
    evaluate : Evaluate
    where : Path
        Folder of the search's state, see `take_up`; what is finished there is not done again.
    seed : int
        Same seed, same units, same trials.
    budget : Budget
    engine : Engine
    report : callable, optional
        Called with ("trials", done, total); one with a method ``trials`` has that called with a
        `Progress` instead.
    storage : str, optional
        Optuna's, a URL or the path of a journal file; default a journal in `where`.

    Returns
    -------
    dict of (analyte, family) to list of Trial
        In the order of their numbers; of complete ones, `Trial.selection` is there.

    Raises
    ------
    CalibError
        If the state is of another search, a scheduler does not answer, or workers keep dying.

    Warns
    -----
    CalibWarning
        For a unit of which every trial failed.
    """
    if len({(unit.analyte, unit.family) for unit in units}) != len(units):
        raise UsageError("units: found one analyte and family twice, need each once")
    with quiet(), open_state(where, storage) as state:
        races = []
        for unit in units:
            records = state.history(unit, seed)
            trials = [finished_trial(r, state.selection(unit, n)) for n, r in enumerate(records)]
            races.append(_Race(unit, seed, budget, records, trials))
        _run(races, evaluate, state, engine, report)
    for race in races:
        if race.trials and all(trial.state == "failed" for trial in race.trials):
            warnings.warn(
                CalibWarning(
                    f"{race.unit.family} failed for {race.unit.analyte}: {race.trials[-1].reason}"
                ),
                stacklevel=2,
            )
    return {(race.unit.analyte, race.unit.family): race.trials for race in races}


def _run(
    races: list[_Race],
    evaluate: Evaluate,
    state: SearchState,
    engine: Engine,
    report: Report | None,
) -> None:
    started = time.monotonic()
    minutes = races[0].budget.minutes if races else None
    deadline = None if minutes is None else started + 60 * minutes
    token = uuid.uuid4().hex
    _tell(races, report, started, deadline)
    if not any(race.idle for race in races):
        return
    with engine.open() as pool:
        while _hand_in(races, pool, evaluate, token, deadline):
            for key, made in pool.finished():
                assert isinstance(key, int)
                races[key].end(made, state)
            _tell(races, report, started, deadline)
    release()


def _hand_in(
    races: list[_Race], pool: Pool, evaluate: Evaluate, token: str, deadline: float | None
) -> bool:
    """Hand in trials while there is room, of the races that are least far; False at the end."""
    order: Iterator[int] = iter(sorted(range(len(races)), key=lambda i: len(races[i].trials)))
    while pool.room() > 0:
        late = deadline is not None and time.monotonic() > deadline
        i = next((i for i in order if races[i].idle), None)
        if i is None:
            break
        race = races[i]
        if late and race.trials and not race.lost:
            continue
        proposal = race.next()
        if proposal is not None:
            variant, settings = proposal
            pool.submit(
                i, attempt, evaluate, token, race.unit, variant, settings, race.reference()
            )  # fmt: skip
    return any(race.running is not None for race in races)


def _tell(
    races: list[_Race], report: Report | None, started: float, deadline: float | None
) -> None:
    """Tell a report how far the races are."""
    if report is None:
        return
    done, total = sum(len(r.trials) for r in races), sum(r.total for r in races)
    richer: Callable[[Progress], Any] | None = getattr(report, "trials", None)
    if richer is None:
        report("trials", done, total)
    else:
        left = _seconds_left(races, started, deadline)
        richer(Progress(done, total, _best(races), left))


def _best(races: list[_Race]) -> dict[str, tuple[float, str]]:
    found: dict[str, tuple[float, str]] = {}
    for race in races:
        if race.best is None:
            continue
        mine = race.best.rmsecv, race.unit.family
        found[race.unit.analyte] = min(found.get(race.unit.analyte, mine), mine)
    return found


def _seconds_left(races: list[_Race], started: float, deadline: float | None) -> float | None:
    """Guess from what the trials of each family took, and from how many ran at once so far."""
    now = time.monotonic()
    took: dict[str, list[float]] = {}
    for race in races:
        took.setdefault(race.unit.family, []).extend(trial.seconds for trial in race.trials)
    every = [seconds for each in took.values() for seconds in each]
    busy = sum(t.seconds for race in races for t in race.trials[len(race.trials) - race.new :])
    if not busy:
        return None
    mean = {family: sum(each or every) / len(each or every) for family, each in took.items()}
    work = sum((race.total - len(race.trials)) * mean[race.unit.family] for race in races)
    guess = work * (now - started) / busy
    return guess if deadline is None else min(guess, max(0.0, deadline - now))

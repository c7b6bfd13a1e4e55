"""What to try next: Optuna's tree-structured Parzen estimator, asked anew for every trial.

Bergstra et al. 2011, Algorithms for Hyper-Parameter Optimization, Adv. Neural Inf. Process. Syst.
24, in Optuna's multivariate form. The sampler's seed is made from the search's seed, the analyte,
the family and the trial's number: the trials before it and nothing else decide what it tries.
"""

from __future__ import annotations

import hashlib
import itertools
import json
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any

import numpy as np
import optuna
from optuna.distributions import (
    BaseDistribution,
    CategoricalDistribution,
    FloatDistribution,
    IntDistribution,
)
from optuna.samplers import BaseSampler, RandomSampler, TPESampler
from optuna.trial import FrozenTrial, TrialState, create_trial

from calib.errors import UsageError
from calib.experiment.search_trial import Attempt, Unit
from calib.regress.space import Choice, Real, Whole

VARIANT = "variant"
"""Name of the preprocess chain among a trial's parameters."""

REDRAWS = 20
"""Draws after which a finite space is gone through in order for something not tried."""

Proposal = tuple[str, dict[str, Any]]
"""A variant and settings of the unit's space."""


def distributions(unit: Unit) -> dict[str, BaseDistribution]:
    """Turn a unit's variants and space into Optuna's terms.

    Raises
    ------
    UsageError
        If the family's space has a setting called ``variant``.
    """
    if VARIANT in unit.space:
        raise UsageError(f"family {unit.family}: no setting may be called {VARIANT!r}")
    out: dict[str, BaseDistribution] = {VARIANT: CategoricalDistribution(unit.variants)}
    for name, each in unit.space.items():
        if isinstance(each, Choice):
            out[name] = CategoricalDistribution(each.values)
        elif isinstance(each, Whole):
            out[name] = IntDistribution(each.low, each.high, log=each.log)
        else:
            out[name] = FloatDistribution(each.low, each.high, log=each.log)
    return out


def possible(unit: Unit) -> int | None:
    """Return how many different trials a unit has; None if they are too many to count."""
    count = len(unit.variants)
    for each in unit.space.values():
        if isinstance(each, Real) and each.low < each.high:
            return None
        count *= _count(each)
    return count


def propose(unit: Unit, seed: int, history: Sequence[FrozenTrial]) -> Proposal | None:
    """Say what the next trial of a unit tries; None if everything has been tried.

    Parameters
    ----------
    unit : Unit
    seed : int
        Of the search.
    history : sequence of FrozenTrial
        The unit's trials so far, all of them, in order.
    """
    number = len(history)
    if not unit.space:
        return (unit.variants[number], {}) if number < len(unit.variants) else None
    tried = {_key(trial.params) for trial in history}
    if len(tried) == possible(unit):
        return None
    space = distributions(unit)
    for draw in range(REDRAWS):
        mine = _seed(seed, unit, number, draw)
        sampler: BaseSampler = RandomSampler(mine) if draw else TPESampler(seed=mine)
        study = optuna.create_study(sampler=sampler)
        study.add_trials(history)
        params = study.ask(space).params
        if _key(params) not in tried:
            return _proposal(params)
    return _proposal(next((each for each in _all(unit) if _key(each) not in tried), params))


def frozen(unit: Unit, number: int, proposal: Proposal, made: Attempt) -> FrozenTrial:
    """Return a finished trial as Optuna keeps it."""
    variant, settings = proposal
    about: dict[str, Any] = {"number": number, "seconds": made.seconds, "folds": made.folds}
    if made.state == "complete":
        about["standard_error"] = made.standard_error
    if made.state == "failed":
        about["reason"] = made.reason
    states = {
        "complete": TrialState.COMPLETE, "pruned": TrialState.PRUNED, "failed": TrialState.FAIL,
    }  # fmt: skip
    return create_trial(
        state=states[made.state],
        value=made.rmsecv if made.state == "complete" else None,
        params={VARIANT: variant, **settings},
        distributions=distributions(unit),
        user_attrs=about,
        intermediate_values={made.folds: made.guess} if made.state == "pruned" else {},
    )


@contextmanager
def quiet() -> Iterator[None]:
    """Keep Optuna from announcing every study."""
    before = optuna.logging.get_verbosity()
    optuna.logging.set_verbosity(optuna.logging.WARNING)
    try:
        yield
    finally:
        optuna.logging.set_verbosity(before)


def _proposal(params: dict[str, Any]) -> Proposal:
    settings = dict(params)
    return settings.pop(VARIANT), settings


def _count(each: Choice | Whole | Real) -> int:
    if isinstance(each, Choice):
        return len(each.values)
    return each.high - each.low + 1 if isinstance(each, Whole) else 1


def _values(each: Choice | Whole | Real) -> Sequence[Any]:
    if isinstance(each, Choice):
        return each.values
    return range(each.low, each.high + 1) if isinstance(each, Whole) else [each.low]


def _all(unit: Unit) -> Iterator[dict[str, Any]]:
    """Go through a finite space in order."""
    names = (VARIANT, *unit.space)
    for row in itertools.product(unit.variants, *(_values(e) for e in unit.space.values())):
        yield dict(zip(names, row, strict=True))


def _key(params: dict[str, Any]) -> str:
    return json.dumps(params, sort_keys=True)


def _seed(seed: int, unit: Unit, number: int, draw: int) -> int:
    """Make a seed of 32 bits that no other trial has but by chance."""
    text = json.dumps([seed, unit.analyte, unit.family, number, draw])
    return int(np.frombuffer(hashlib.sha256(text.encode()).digest()[:4], "<u4")[0])

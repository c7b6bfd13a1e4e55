"""What training makes, before and after the held-out standards are read."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from calib.artifact.runtime import Predictions
from calib.preprocess import Chain
from calib.regress.family import Fitted, Problem, Selection
from calib.validate.breakdown import Part
from calib.validate.domain_training import TrainedDomain
from calib.validate.honesty import Check, Range
from calib.validate.intervals import LocalError
from calib.validate.limits import Limits
from calib.validate.scores import Score

if TYPE_CHECKING:
    from calib.experiment.search import Trial

Floats = NDArray[np.floating]

STACK = "stack"
"""What stands for a family where several are joined."""


@dataclass(frozen=True)
class Variant:
    """One way to preprocess the training spectra.

    Attributes
    ----------
    name : str
        ``base``, or the name it has in the experiment.
    chain : Chain
        As it was fitted on all training rows.
    problem : Problem
        Its spectra with the certified values and folds, which all variants share.
    """

    name: str
    chain: Chain
    problem: Problem

    @cached_property
    def gram(self) -> Floats | None:
        """Gram matrix of the spectra where they are wide, else None."""
        X = self.problem.X
        return None if X.shape[1] < len(X) else self.problem.gram


@dataclass(frozen=True)
class Contender:
    """The best that one family did for one analyte.

    Attributes
    ----------
    analyte, family, variant : str
    selection : Selection
        With out-of-fold predictions of every repeat.
    """

    analyte: str
    family: str
    variant: str
    selection: Selection


@dataclass(frozen=True)
class Member:
    """One model that predicts an analyte, alone or with others.

    Attributes
    ----------
    family, variant : str
    settings : dict
    fitted : Fitted
    """

    family: str
    variant: str
    settings: dict[str, Any]
    fitted: Fitted


@dataclass(frozen=True)
class Winner:
    """The model of one analyte: how it was chosen, what it is, how well it did in training.

    Attributes
    ----------
    family : str
        Of its only member, or ``stack``.
    variant : str
        Preprocessing of the member that weighs most.
    settings : dict
        Plain data: of the only member, or how the members are joined.
    members : tuple of Member
    combine : str
        Name in `calib.regress.predictors.COMBINATIONS`.
    combine_arrays : dict of str to ndarray
    out_of_fold : ndarray of shape (repeats, n)
    contenders : dict of str to Contender
        What each family would have taken.
    selected_by : str
        Why this one, in words.
    rmsec : float
        Root mean square error of the final model on its own training rows, without a correction
        for degrees of freedom.
    cross_validated : Score
        Of the out-of-fold predictions as they are reported, all repeats together.
    rmsecv_error : float
        Standard error of RMSECV over the repeats, the analyte's unit; NaN for one repeat.
    """

    family: str
    variant: str
    settings: dict[str, Any]
    members: tuple[Member, ...]
    combine: str
    combine_arrays: dict[str, Floats]
    out_of_fold: Floats
    contenders: dict[str, Contender]
    selected_by: str
    rmsec: float
    cross_validated: Score
    rmsecv_error: float

    @property
    def alone(self) -> Member | None:
        """The only member, None where several are joined."""
        return self.members[0] if len(self.members) == 1 else None


@dataclass(frozen=True)
class Trained:
    """What training made, before anything held out is read.

    Attributes
    ----------
    bursts : DataFrame
        Rows of ``bursts.csv``, one for each row of a problem.
    variants : dict of str to Variant
        Every preprocessing that was tried; the first is the experiment's own chain.
    winners : dict of str to Winner
    trials : dict of (analyte, family) to list of Trial
        All that was searched; empty where there was nothing to search.
    """

    bursts: pd.DataFrame
    variants: dict[str, Variant]
    winners: dict[str, Winner]
    trials: Mapping[tuple[str, str], list[Trial]]

    @property
    def base(self) -> Variant:
        """The experiment's own chain."""
        return next(iter(self.variants.values()))

    @cached_property
    def used(self) -> tuple[str, ...]:
        """Variants that a winner needs, the one that speaks for most analytes first."""
        speaks = Counter(winner.variant for winner in self.winners.values())
        needed = {m.variant for winner in self.winners.values() for m in winner.members}
        return tuple(
            sorted(needed, key=lambda name: (-speaks[name], list(self.variants).index(name)))
        )

    def problem(self, analyte: str) -> Problem:
        """Return the spectra whose domain speaks for an analyte, with values and folds."""
        return self.variants[self.winners[analyte].variant].problem

    @property
    def standards(self) -> NDArray[np.generic]:
        """Standard of each row."""
        return self.base.problem.standards

    @property
    def certified(self) -> Floats:
        """Certified values, (rows, analytes)."""
        return self.base.problem.Y

    @property
    def folds(self) -> NDArray[np.intp]:
        """Folds, (repeats, rows)."""
        return self.base.problem.folds


@dataclass(frozen=True)
class Judgement:
    """What the calibration rows say about one analyte's model.

    Attributes
    ----------
    bars : LocalError
        The error bars of its predictions.
    limits : Limits
    nested : float
        RMSECV with the choice of settings repeated inside each fold, or corrected for it; NaN
        where it cannot be had.
    permutation_p : float
        NaN where no permutation was asked for.
    left_out : dict of str to list of Part
        Errors at each ``distance_m`` and of each ``session`` by models that saw none of it.
    checks : list of Check
    """

    bars: LocalError
    limits: Limits
    nested: float
    permutation_p: float
    left_out: dict[str, list[Part]]
    checks: list[Check]


@dataclass(frozen=True)
class Assessment:
    """What the calibration rows say about all models.

    Attributes
    ----------
    domains : dict of str to TrainedDomain
        Of every variant that a winner needs.
    analytes : dict of str to Judgement
    """

    domains: dict[str, TrainedDomain]
    analytes: dict[str, Judgement]


@dataclass(frozen=True)
class Unseen:
    """The held-out standards, read once, after the models were final.

    Attributes
    ----------
    bursts : DataFrame
    certified : ndarray of shape (rows, analytes)
    predictions : Predictions, optional
        None where nothing is held out.
    uncertainty : ndarray of shape (rows, analytes)
        Standard uncertainties of the certified values, NaN where not given.
    scores : dict of str to Score
    curves : dict of str to list of float
        RMSEP at every point of each winner's curve, for the record: nothing is chosen from it.
    checks : dict of str to Check
        Whether they met the error that cross-validation promised.
    ranges : dict of str to Range
        How they lie to the certified values trained on.
    statistics : dict of str to ndarray of shape (rows,)
        Of the domain of the first variant used, see `calib.validate.domain`.
    """

    bursts: pd.DataFrame
    certified: Floats
    uncertainty: Floats
    predictions: Predictions | None
    scores: dict[str, Score]
    curves: dict[str, list[float]]
    checks: dict[str, Check]
    ranges: dict[str, Range]
    statistics: dict[str, Floats] = field(default_factory=dict)


@dataclass(frozen=True)
class Outcome:
    """All that a training made."""

    trained: Trained
    assessed: Assessment
    unseen: Unseen

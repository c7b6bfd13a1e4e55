"""What training makes, before and after the held-out standards are read."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from calib.artifact.runtime import Predictions
from calib.preprocess import Chain
from calib.regress.family import Fitted, Problem, Selection
from calib.regress.pls import gram_matrix
from calib.validate.breakdown import Part
from calib.validate.domain_training import TrainedDomain
from calib.validate.honesty import Check
from calib.validate.intervals import LocalError
from calib.validate.limits import Limits
from calib.validate.scores import Score

Floats = NDArray[np.floating]


@dataclass(frozen=True)
class Winner:
    """The model of one analyte: how it was chosen, what it is, how well it did in training.

    Attributes
    ----------
    family : str
    selections : dict of str to Selection
        What each family would have taken.
    fitted : Fitted
    local : LocalError
    rmsec : float
        Root mean square error of the final model on its own training rows, without a correction
        for degrees of freedom.
    cross_validated : Score
        Of the out-of-fold predictions as they are reported, all repeats together.
    rmsecv_error : float
        Standard error of RMSECV over the repeats, the analyte's unit; NaN for one repeat.
    """

    family: str
    selections: dict[str, Selection]
    fitted: Fitted
    local: LocalError
    rmsec: float
    cross_validated: Score
    rmsecv_error: float

    @property
    def selection(self) -> Selection:
        """The winning family's selection."""
        return self.selections[self.family]


@dataclass(frozen=True)
class Trained:
    """What training made, before anything held out is read.

    Attributes
    ----------
    bursts : DataFrame
        Rows of ``bursts.csv``, one for each row of the problem.
    problem : Problem
        Preprocessed training spectra, certified values, folds.
    winners : dict of str to Winner
    chain : Chain
        As it was fitted on all training rows.
    """

    bursts: pd.DataFrame
    problem: Problem
    winners: dict[str, Winner]
    chain: Chain

    @property
    def certified(self) -> Floats:
        """Certified values, (rows, analytes)."""
        return self.problem.Y

    @property
    def folds(self) -> NDArray[np.intp]:
        """Folds, (repeats, rows)."""
        return self.problem.folds

    @cached_property
    def gram(self) -> Floats | None:
        """Gram matrix of the training spectra where they are wide, else None."""
        X = self.problem.X
        return None if X.shape[1] < len(X) else np.asarray(gram_matrix(X))


@dataclass(frozen=True)
class Judgement:
    """What the calibration rows say about one analyte's model.

    Attributes
    ----------
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
    domain : TrainedDomain
    analytes : dict of str to Judgement
    """

    domain: TrainedDomain
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
    statistics : dict of str to ndarray of shape (rows,)
        Statistics of the domain, see `calib.validate.domain`.
    """

    bursts: pd.DataFrame
    certified: Floats
    uncertainty: Floats
    predictions: Predictions | None
    scores: dict[str, Score]
    curves: dict[str, list[float]]
    checks: dict[str, Check]
    statistics: dict[str, Floats] = field(default_factory=dict)


@dataclass(frozen=True)
class Outcome:
    """All that a training made."""

    trained: Trained
    assessed: Assessment
    unseen: Unseen

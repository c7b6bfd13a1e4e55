"""What training makes, before and after the held-out standards are read."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from calib.artifact.runtime import Predictions
from calib.preprocess import Chain
from calib.regress.family import Fitted, Selection
from calib.validate.intervals import LocalError
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
        Of the out-of-fold predictions, all repeats together.
    """

    family: str
    selections: dict[str, Selection]
    fitted: Fitted
    local: LocalError
    rmsec: float
    cross_validated: Score

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
        Rows of ``bursts.csv``, one for each row below.
    certified : ndarray of shape (rows, analytes)
    folds : ndarray of int, shape (repeats, rows)
    winners : dict of str to Winner
    mean_spectrum : ndarray of shape (channels,)
        Of the preprocessed training spectra.
    chain : Chain
        As it was fitted on all training rows.
    """

    bursts: pd.DataFrame
    certified: Floats
    folds: NDArray[np.intp]
    winners: dict[str, Winner]
    mean_spectrum: Floats
    chain: Chain


@dataclass(frozen=True)
class Unseen:
    """The held-out standards, read once, after the models were final.

    Attributes
    ----------
    bursts : DataFrame
    certified : ndarray of shape (rows, analytes)
    predictions : Predictions, optional
        None where nothing is held out.
    scores : dict of str to Score
    curves : dict of str to list of float
        RMSEP at every point of each winner's curve, for the record: nothing is chosen from it.
    """

    bursts: pd.DataFrame
    certified: Floats
    predictions: Predictions | None
    scores: dict[str, Score]
    curves: dict[str, list[float]]

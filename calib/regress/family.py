"""What a family of regressors offers the contest.

A family is one module with a function ``select`` that tries its own settings in cross-validation
and says which it would take for each analyte, and a function ``fit`` that makes the final model of
one analyte as plain arrays. `FAMILIES` lists the modules; a new family is one file and one line.
"""

from __future__ import annotations

import importlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from calib.errors import SettingsError

Floats = NDArray[np.floating]


@dataclass(frozen=True)
class Problem:
    """What is to be modelled: training rows only, never a held-out one.

    Attributes
    ----------
    X : ndarray of shape (n, channels)
        Preprocessed spectra; what the chain learns, it learned from all n rows.
    Y : ndarray of shape (n, analytes)
        Certified values in each analyte's unit, NaN where not certified.
    folds : ndarray of int, shape (repeats, n)
        Fold of each row, for each repeat; a family of standards is never split.
    standards : ndarray of shape (n,)
        Standard of each row: errors of one standard's rows are one piece of evidence.
    analytes : tuple of str
    refit : callable, optional
        Where the chain learns: takes a mask of the rows that train, shape (n,), and returns all n
        rows preprocessed by a chain that learned from those alone.
    """

    X: Floats
    Y: Floats
    folds: NDArray[np.intp]
    standards: NDArray[np.generic]
    analytes: tuple[str, ...]
    refit: Callable[[NDArray[np.bool_]], Floats] | None = None

    @property
    def learns(self) -> bool:
        """Whether the spectra depend on which rows train."""
        return self.refit is not None

    def spectra(self, training: NDArray[np.bool_]) -> Floats:
        """Return all rows as they are when only the rows of a mask may be learned from."""
        return self.X if self.refit is None else self.refit(training)


@dataclass(frozen=True)
class Selection:
    """What a family would take for one analyte.

    Attributes
    ----------
    settings : dict
        Plain data that `fit` takes back.
    out_of_fold : ndarray of shape (repeats, n)
        Cross-validated predictions with these settings, NaN where there is none.
    curve : dict of str to list of float
        Columns of a table of what was tried (``n_components``, ``rmsecv``, ``standard_error``),
        or empty.
    """

    settings: dict[str, Any]
    out_of_fold: Floats
    curve: dict[str, list[float]] = field(default_factory=dict)


@dataclass(frozen=True)
class Fitted:
    """The final model of one analyte as plain arrays.

    Attributes
    ----------
    predictor : str
        Name in `calib.regress.predictors.PREDICTORS`.
    arrays : dict of str to ndarray
        What the predictor takes.
    path : ndarray of shape (settings tried, channels + 1), optional
        Intercept and coefficients at every point of the curve, for pictures and tables.
    """

    predictor: str
    arrays: dict[str, Floats]
    path: Floats | None = None


class Family(Protocol):
    """The two functions of a family's module; `options` are its keys under ``[models]``."""

    def select(self, problem: Problem, options: Mapping[str, Any]) -> list[Selection]:
        """Choose settings for each analyte by cross-validation."""

    def fit(self, X: Floats, y: Floats, settings: Mapping[str, Any]) -> Fitted:
        """Fit one analyte on all certified rows."""

    def options(self, given: Mapping[str, Any]) -> dict[str, Any]:
        """Check the family's options and fill the defaults."""


FAMILIES: Mapping[str, str] = {"pls": "calib.regress.pls_family"}
"""Module of each family by its name in an experiment file."""


def family(name: str) -> Family:
    """Return the family called `name`.

    Raises
    ------
    SettingsError
        If there is none.
    """
    if name not in FAMILIES:
        raise SettingsError(f"models: unknown family {name!r}, need one of {', '.join(FAMILIES)}")
    module: Family = importlib.import_module(FAMILIES[name])
    return module

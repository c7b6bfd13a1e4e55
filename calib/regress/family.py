"""What a family of regressors offers the contest.

A family is one module: an estimator of its own or a well-kept library's, the settings a search may
vary, and a function that tries one set of settings in cross-validation. `FAMILIES` lists the
modules; a new family is one file and one line.

A module has

``ORDER``
    Its place among families when two do equally well: the simpler one has the lower number.
``options(given)``
    Check what stands under ``[models.NAME]`` and fill the defaults.
``space(options)``
    What a search may vary, see `calib.regress.space`; empty where `attempt` tries everything.
``attempt(problem, column, options, settings, watch)``
    Cross-validate one analyte with settings drawn from that space.
``complexity(settings)``
    How complex a fitted model is, to compare settings within the family.
``fit(X, y, settings)``
    Fit the final model of one analyte as plain arrays.
``JOINT`` (optional, true)
    The model of one analyte also learns from the others: `fit` takes y of shape (rows, analytes),
    the analyte to predict first.  `fit_final` sees to it.
"""

from __future__ import annotations

import importlib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from calib.errors import SettingsError
from calib.regress.pls import gram_matrix
from calib.regress.space import Space

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
    memo : dict
        What families worked out from `X` and may use again (Gram matrix, scores of a fold). It is
        shared by every problem made from this one with the same spectra, so a key names all else
        that its value depends on: analyte, rows that train.
    """

    X: Floats
    Y: Floats
    folds: NDArray[np.intp]
    standards: NDArray[np.generic]
    analytes: tuple[str, ...]
    refit: Callable[[NDArray[np.bool_]], Floats] | None = None
    memo: dict[Any, Any] = field(default_factory=dict, compare=False, repr=False)

    @property
    def learns(self) -> bool:
        """Whether the spectra depend on which rows train."""
        return self.refit is not None

    def spectra(self, training: NDArray[np.bool_]) -> Floats:
        """Return all rows as they are when only the rows of a mask may be learned from."""
        return self.X if self.refit is None else self.refit(training)

    @property
    def gram(self) -> Floats:
        """``X Xᵀ``, shape (n, n), made once; of no use where the chain learns."""
        if "gram" not in self.memo:
            self.memo["gram"] = np.asarray(gram_matrix(self.X))
        made: Floats = self.memo["gram"]
        return made

    def splits(self, column: int) -> Iterator[Split]:
        """Yield the splits of every repeat for one analyte.

        Parameters
        ----------
        column : int
            The analyte, a column of `Y`; rows without its certified value do not train.
        """
        known = np.isfinite(self.Y[:, column])
        for repeat, labels in enumerate(self.folds):
            for fold in np.unique(labels).tolist():
                held = labels == fold
                yield Split(repeat, fold, ~held & known, held)


@dataclass(frozen=True)
class Split:
    """One fold of one repeat.

    Attributes
    ----------
    repeat, fold : int
    trains : ndarray of bool, shape (n,)
        Rows to learn from, all with a certified value.
    held : ndarray of bool, shape (n,)
        Rows to predict.
    """

    repeat: int
    fold: int
    trains: NDArray[np.bool_]
    held: NDArray[np.bool_]


class Hopeless(Exception):  # noqa: N818  (no error: an answer)
    """Raised by a `Watch` to end an attempt that its first folds show to be of no use."""


Watch = Callable[[Floats], None]
"""Called after each fold with the out-of-fold predictions of that repeat so far, (n,), NaN where
there is none yet; it may raise `Hopeless`."""


def unwatched(predicted: Floats) -> None:
    """Let every attempt run to its end."""


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
    """What a family's module offers; the module's docstring says each in a line."""

    ORDER: int

    def options(self, given: Mapping[str, Any]) -> dict[str, Any]:
        """Check the family's options and fill the defaults."""

    def space(self, options: Mapping[str, Any]) -> Space:
        """Say what a search may vary."""

    def attempt(
        self,
        problem: Problem,
        column: int,
        options: Mapping[str, Any],
        settings: Mapping[str, Any],
        watch: Watch = unwatched,
    ) -> Selection:
        """Cross-validate one analyte with the given settings of the space."""

    def complexity(self, settings: Mapping[str, Any]) -> float:
        """Say how complex a model with a selection's settings is, beside others of the family."""

    def fit(self, X: Floats, y: Floats, settings: Mapping[str, Any]) -> Fitted:
        """Fit one analyte on all certified rows, with a selection's settings."""


def cross_fit(
    problem: Problem,
    column: int,
    fit_predict: Callable[[Floats, Floats, Floats], Floats],
    watch: Watch = unwatched,
) -> Floats:
    """Predict every row by a model that its fold did not train, for any regressor.

    Parameters
    ----------
    problem : Problem
    column : int
        The analyte.
    fit_predict : callable
        Takes X and y that train and X to predict, (rows, channels), (rows,), (held, channels);
        returns (held,).
    watch : callable

    Returns
    -------
    ndarray of shape (repeats, n)
    """
    out = np.full(problem.folds.shape, np.nan)
    y = problem.Y[:, column]
    for split in problem.splits(column):
        X = problem.spectra(split.trains)
        out[split.repeat, split.held] = fit_predict(X[split.trains], y[split.trains], X[split.held])
        watch(out[split.repeat])
    return out


FAMILIES: Mapping[str, str] = {
    "pls": "calib.regress.pls_family",
    "pls2": "calib.regress.pls2",
    "ridge": "calib.regress.ridge",
    "lasso": "calib.regress.lasso",
    "elastic_net": "calib.regress.elastic_net",
    "sub_models": "calib.regress.sub_models",
    "local_pls": "calib.regress.local_pls",
    "independent_components": "calib.regress.independent_components",
    "random_forest": "calib.regress.random_forest",
    "extra_trees": "calib.regress.extra_trees",
    "gradient_boosting": "calib.regress.gradient_boosting",
    "gaussian_process": "calib.regress.gaussian_process",
    "support_vectors": "calib.regress.support_vectors",
}
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


def fit_final(name: str, problem: Problem, column: int, settings: Mapping[str, Any]) -> Fitted:
    """Fit a family on every row with the analyte's certified value.

    Parameters
    ----------
    name : str
        The family.
    problem : Problem
    column : int
        The analyte.
    settings : dict
        Of a `Selection` of that family.
    """
    module = family(name)
    known = np.isfinite(problem.Y[:, column])
    y = problem.Y[known, column]
    if getattr(module, "JOINT", False):
        y = np.column_stack([y, np.delete(problem.Y[known], column, axis=1)])
    return module.fit(problem.X[known], y, settings)

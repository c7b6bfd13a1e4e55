"""Ridge regression: every channel stays in, the penalty holds the coefficients small.

Hoerl & Kennard (1970), Technometrics 12:55, doi 10.1080/00401706.1970.10488634, in its dual form on
the Gram matrix: one eigen-decomposition of a fold's centred block gives every penalty. The penalty
counts in units of the mean eigenvalue, the trace of the centred Gram matrix over the number of rows
that train, so that it means the same for spectra of any size and number.

Options under ``[models.ridge]``: ``scale`` (default false: every channel weighs by its own
variance), ``rule`` (``"minimum"``, the default, as a larger penalty makes a model no simpler to
read; ``"one-standard-error"``; ``"randomisation"``).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, get_args

import numpy as np
import scipy.linalg
from numpy.typing import NDArray

from calib.errors import SettingsError
from calib.regress.array_model import ArrayModel
from calib.regress.family import Fitted, Problem, Selection, Watch, unwatched
from calib.regress.options import filled, need_flag, need_one_of
from calib.regress.path import choose, least
from calib.regress.pls_components import Rule
from calib.regress.pls_gram import channel_moments
from calib.regress.space import Space
from calib.regress.split_gram import centred, split_gram

Floats = NDArray[np.floating]

ORDER = 20

DEFAULTS: Mapping[str, Any] = {"scale": False, "rule": "minimum"}

PENALTIES = np.logspace(1, -6, 43)
"""Penalties tried, in units of the mean eigenvalue."""


class Ridge(ArrayModel):
    """Ridge regression with a penalty relative to the spectra.

    Parameters
    ----------
    penalty : float, default 0.001
        In units of the mean eigenvalue of the centred Gram matrix.
    scale : bool, default False
        Divide each channel by its standard deviation (divisor n − 1).

    Examples
    --------
    >>> import numpy as np
    >>> X = np.random.default_rng(0).normal(size=(20, 50))
    >>> Ridge(0.01).fit(X, X[:, 4]).predict(X).shape
    (20,)
    """

    def __init__(self, penalty: float = 0.001, scale: bool = False) -> None:
        self.penalty = penalty
        self.scale = scale

    def _arrays(self, X: Floats, y: Floats) -> tuple[str, dict[str, Floats]]:
        if not self.penalty > 0:
            raise SettingsError(f"Ridge: penalty is {self.penalty!r}, need > 0")
        mean, deviation = channel_moments(X, np.ones(len(X)))
        divisor = np.where(deviation > 0, deviation, 1.0) if self.scale else np.ones_like(mean)
        Z = (X - mean) / divisor
        z = y - y.mean()
        penalty = self.penalty * float((Z**2).sum()) / len(Z) or 1.0
        if Z.shape[1] < Z.shape[0]:
            found = _solve(Z.T @ Z, penalty, Z.T @ z)
        else:
            found = Z.T @ _solve(Z @ Z.T, penalty, z)
        coefficients = found / divisor
        intercept = np.array([y.mean() - coefficients @ mean])
        return "affine", {"coefficients": coefficients, "intercept": intercept}


def _solve(matrix: Floats, penalty: float, right: Floats) -> Floats:
    solved: Floats = scipy.linalg.solve(
        matrix + penalty * np.eye(len(matrix)), right, assume_a="pos"
    )
    return solved


def options(given: Mapping[str, Any]) -> dict[str, Any]:
    """Check the options of ``[models.ridge]`` and fill the defaults.

    Raises
    ------
    SettingsError
        If a key is unknown or a value cannot be.
    """
    chosen = filled("ridge", given, DEFAULTS)
    need_flag("ridge", chosen, "scale")
    need_one_of("ridge", chosen, "rule", get_args(Rule))
    return chosen


def space(options: Mapping[str, Any]) -> Space:
    """Return nothing: an attempt tries every penalty."""
    return {}


def attempt(
    problem: Problem,
    column: int,
    options: Mapping[str, Any],
    settings: Mapping[str, Any],
    watch: Watch = unwatched,
) -> Selection:
    """Cross-validate every penalty of one analyte at once; the watch sees the best so far."""
    scale, y = options["scale"], problem.Y[:, column]
    out = np.full((len(PENALTIES), *problem.folds.shape), np.nan)
    for split in problem.splits(column):
        own, across = centred(split_gram(problem, split, scale=scale), split.trains)
        known = y[split.trains]
        values, vectors = np.linalg.eigh(own)
        penalty = PENALTIES[:, None] * (np.trace(own) / len(own) or 1.0)
        shrunk = (vectors.T @ (known - known.mean())) / (np.maximum(values, 0.0) + penalty)
        out[:, split.repeat, split.held] = shrunk @ (across[split.held] @ vectors).T + known.mean()
        watch(out[least(out[:, split.repeat], y), split.repeat])
    best = choose(out, y, problem.standards, options["rule"])
    return Selection({"penalty": float(PENALTIES[best]), "scale": scale}, out[best])


def complexity(settings: Mapping[str, Any]) -> float:
    """Return how far the penalty has fallen from the largest, in decades."""
    return float(np.log10(PENALTIES[0] / settings["penalty"]))


def fit(X: Floats, y: Floats, settings: Mapping[str, Any]) -> Fitted:
    """Fit one analyte with the settings of a selection."""
    model = Ridge(**settings).fit(X, y)
    return Fitted(model.predictor_, model.arrays_)

"""Elastic net: few channels, with a penalty on absolute values and one on squares.

What is minimised, and how its whole path of penalties is found on thousands of channels:
`calib.regress.sparse_path`. An attempt follows the path in every fold and takes the penalty by the
rule; a search varies the share of the absolute values.

Options under ``[models.elastic_net]``: ``scale`` (default false: strong channels come first; true
puts every channel on the same footing, noise too, and takes ten times as long), ``rule``
(``"minimum"``, the default; ``"one-standard-error"``, fewer channels; ``"randomisation"``).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, get_args

import numpy as np
from numpy.typing import NDArray

from calib.errors import SettingsError
from calib.regress.array_model import ArrayModel
from calib.regress.family import Fitted, Problem, Selection, Watch, unwatched
from calib.regress.options import filled, need_flag, need_one_of
from calib.regress.path import choose, least
from calib.regress.pls_components import Rule
from calib.regress.space import Choice, Space
from calib.regress.sparse_path import PENALTIES, TOLERANCE, sparse_path

Floats = NDArray[np.floating]

ORDER = 40

DEFAULTS: Mapping[str, Any] = {"scale": False, "rule": "minimum"}

SHARES = (0.7, 0.3, 0.1)


class ElasticNet(ArrayModel):
    """Elastic net with a penalty relative to the spectra and the analyte.

    Parameters
    ----------
    penalty : float, default 0.01
        In units of the least penalty that leaves every coefficient zero, at most 1.
    l1_share : float, default 0.5
        Share of the absolute values in the penalty, above 0 to 1 (LASSO).
    scale : bool, default False
        Divide each channel by its standard deviation (divisor n − 1); else all by one number.
    tolerance : float, default 1e-4
        Where coordinate descent stops: dual gap over the analyte's sum of squares.

    Attributes
    ----------
    channels_ : ndarray of int
        Channels in the model.

    Examples
    --------
    >>> import numpy as np
    >>> X = np.random.default_rng(0).normal(size=(20, 50))
    >>> ElasticNet(0.1).fit(X, X[:, 4]).predict(X).shape
    (20,)
    """

    def __init__(
        self,
        penalty: float = 0.01,
        l1_share: float = 0.5,
        scale: bool = False,
        tolerance: float = TOLERANCE,
    ) -> None:
        self.penalty = penalty
        self.l1_share = l1_share
        self.scale = scale
        self.tolerance = tolerance

    def _arrays(self, X: Floats, y: Floats) -> tuple[str, dict[str, Floats]]:
        name = type(self).__name__
        for key in ("penalty", "l1_share"):
            value = getattr(self, key)
            if not 0 < value <= 1:
                raise SettingsError(f"{name}: {key} is {value!r}, need above 0 to 1")
        # down the path of an attempt, as coordinate descent remembers where it came from
        penalties = np.append(PENALTIES[self.penalty * (1 + 1e-9) < PENALTIES], self.penalty)
        found = sparse_path(
            X, np.ones(len(X), dtype=bool), y, l1_share=self.l1_share, scale=self.scale,
            penalties=penalties, tolerance=self.tolerance,
        )  # fmt: skip
        coefficients = np.zeros(X.shape[1])
        coefficients[found.channels] = found.coefficients[-1]
        self.channels_ = np.flatnonzero(coefficients)
        return "affine", {"coefficients": coefficients, "intercept": found.intercept[-1:].copy()}


def checked(name: str, given: Mapping[str, Any]) -> dict[str, Any]:
    """Check the options of an elastic net or LASSO and fill the defaults.

    Raises
    ------
    SettingsError
        If a key is unknown or a value cannot be.
    """
    chosen = filled(name, given, DEFAULTS)
    need_flag(name, chosen, "scale")
    need_one_of(name, chosen, "rule", get_args(Rule))
    return chosen


def options(given: Mapping[str, Any]) -> dict[str, Any]:
    """Check the options of ``[models.elastic_net]`` and fill the defaults."""
    return checked("elastic_net", given)


def space(options: Mapping[str, Any]) -> Space:
    """Return the share of the absolute values; an attempt tries every penalty."""
    return {"l1_share": Choice(SHARES)}


def attempt(
    problem: Problem,
    column: int,
    options: Mapping[str, Any],
    settings: Mapping[str, Any],
    watch: Watch = unwatched,
) -> Selection:
    """Cross-validate every penalty of one analyte; the watch sees the best so far.

    A fold's path is kept in the memo, as a search has few shares to draw from.
    """
    share, scale, y = settings["l1_share"], options["scale"], problem.Y[:, column]
    out = np.full((len(PENALTIES), *problem.folds.shape), np.nan)
    for split in problem.splits(column):
        key = ("elastic_net", column, share, scale, split.trains.tobytes(), split.held.tobytes())
        if key not in problem.memo:
            X = problem.spectra(split.trains)
            found = sparse_path(X, split.trains, y, l1_share=share, scale=scale)
            problem.memo[key] = found.predict(X[split.held])
        out[:, split.repeat, split.held] = problem.memo[key]
        watch(out[least(out[:, split.repeat], y), split.repeat])
    best = choose(out, y, problem.standards, options["rule"])
    taken = {"penalty": float(PENALTIES[best]), "l1_share": share, "scale": scale}
    return Selection(taken, out[best])


def complexity(settings: Mapping[str, Any]) -> float:
    """Return how far the penalty has fallen, in decades: more channels enter on the way."""
    return float(-np.log10(settings["penalty"]))


def fit(X: Floats, y: Floats, settings: Mapping[str, Any]) -> Fitted:
    """Fit one analyte with the settings of a selection."""
    model = ElasticNet(**settings).fit(X, y)
    return Fitted(model.predictor_, model.arrays_)

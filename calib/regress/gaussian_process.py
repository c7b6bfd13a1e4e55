"""Gaussian process regression on scores, with a linear plus a radial kernel.

The posterior mean, Rasmussen & Williams (2006), Gaussian Processes for Machine Learning, eq. 2.25,
of the standardised analyte: ``mean + sd · k(t, T) (K + noise I)⁻¹ z``. Kernel and scores:
`calib.regress.kernels`. Hyperparameters are chosen by cross-validation over families of standards,
not by marginal likelihood, which takes the rows of one standard for independent.

From one eigen-decomposition of a fold's kernel an attempt tries every noise at once and keeps that
of least RMSECV. Option under ``[models.gaussian_process]``: ``max_components`` (default 30).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import scipy.linalg
from numpy.typing import NDArray

from calib.errors import SettingsError
from calib.regress import kernels
from calib.regress.family import Fitted, Problem, Selection, Watch, unwatched
from calib.regress.kernels import KernelModel, complexity, standardised
from calib.regress.options import filled, need_whole
from calib.regress.path import least
from calib.regress.scores import Kind
from calib.regress.space import Space

__all__ = ["GaussianProcess", "attempt", "complexity", "fit", "options", "space"]

Floats = NDArray[np.floating]

ORDER = 80

DEFAULTS: Mapping[str, Any] = {"max_components": 30}

NOISES = np.logspace(0, -7, 29)
"""Variance of the noise tried, in units of the analyte's variance."""


class GaussianProcess(KernelModel):
    """Gaussian process regression on PLS or principal-component scores.

    Parameters
    ----------
    kind : {"pls", "pca"}, default "pls"
    n_components : int, default 5
        Number of scores.
    length_scale : float, default 1.0
        Of the radial part; 1 is the usual distance between two rows.
    linear_share : float, default 0.5
        Share of the linear part, 0 to 1.
    noise : float, default 0.01
        Variance of the noise, in units of the analyte's variance.
    relevance : float, default 0.0
        Power of its correlation with the analyte that a score weighs by.

    Examples
    --------
    >>> import numpy as np
    >>> X = np.random.default_rng(0).normal(size=(20, 50))
    >>> GaussianProcess(n_components=3).fit(X, X[:, 4]).predict(X).shape
    (20,)
    """

    def __init__(
        self,
        kind: Kind = "pls",
        n_components: int = 5,
        length_scale: float = 1.0,
        linear_share: float = 0.5,
        noise: float = 0.01,
        relevance: float = 0.0,
    ) -> None:
        self.kind = kind
        self.n_components = n_components
        self.length_scale = length_scale
        self.linear_share = linear_share
        self.noise = noise
        self.relevance = relevance

    def _dual(self, kernel: Floats, z: Floats) -> tuple[Floats, float]:
        if not self.noise > 0:
            raise SettingsError(f"GaussianProcess: noise is {self.noise!r}, need > 0")
        noisy = kernel + self.noise * np.eye(len(z))
        return scipy.linalg.solve(noisy, z, assume_a="pos"), 0.0


def options(given: Mapping[str, Any]) -> dict[str, Any]:
    """Check the options of ``[models.gaussian_process]`` and fill the defaults.

    Raises
    ------
    SettingsError
        If a key is unknown or a value cannot be.
    """
    chosen = filled("gaussian_process", given, DEFAULTS)
    need_whole("gaussian_process", chosen, "max_components")
    return chosen


def space(options: Mapping[str, Any]) -> Space:
    """Return kernel and scores; an attempt tries every noise."""
    return kernels.score_space(options["max_components"])


def attempt(
    problem: Problem,
    column: int,
    options: Mapping[str, Any],
    settings: Mapping[str, Any],
    watch: Watch = unwatched,
) -> Selection:
    """Cross-validate every noise at once; the watch sees the best so far."""
    model = GaussianProcess(**settings)
    y = problem.Y[:, column]
    out = np.full((len(NOISES), *problem.folds.shape), np.nan)
    for split in problem.splits(column):
        own, across, known = model.split_kernels(problem, column, split)
        z, mean, spread = standardised(known)
        values, vectors = np.linalg.eigh(own)
        shrunk = (vectors.T @ z) / (np.maximum(values, 0.0) + NOISES[:, None])
        found = (shrunk @ (across @ vectors).T) * spread + mean
        out[:, split.repeat, split.held] = found
        watch(out[least(out[:, split.repeat], y), split.repeat])
    best = least(out, y)
    return Selection({**settings, "noise": float(NOISES[best])}, out[best])


def fit(X: Floats, y: Floats, settings: Mapping[str, Any]) -> Fitted:
    """Fit one analyte with the settings of a selection."""
    model = GaussianProcess(**settings).fit(X, y)
    return Fitted(model.predictor_, model.arrays_)

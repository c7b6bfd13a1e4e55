"""Support vector regression on scores, with a linear plus a radial kernel.

ε-insensitive support vector regression, Smola & Schölkopf (2004), Stat. Comput. 14:199,
doi 10.1023/B:STCO.0000035301.49549.88, of the standardised analyte, solved by scikit-learn's
``SVR`` (LIBSVM). Kernel and scores: `calib.regress.kernels`.

Option under ``[models.support_vectors]``: ``max_components`` (default 30).
"""

from __future__ import annotations

import warnings
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sklearn.exceptions import ConvergenceWarning
from sklearn.svm import SVR

from calib.errors import SettingsError
from calib.regress import kernels
from calib.regress.family import Fitted, Problem, Selection, Watch, unwatched
from calib.regress.kernels import KernelModel, complexity, standardised
from calib.regress.options import filled, need_whole
from calib.regress.scores import Kind
from calib.regress.space import Real, Space

__all__ = ["SupportVectors", "attempt", "complexity", "fit", "options", "space"]

Floats = NDArray[np.floating]

ORDER = 90

DEFAULTS: Mapping[str, Any] = {"max_components": 30}

MOST_ITERATIONS = 30_000
"""Where LIBSVM is stopped: a few times what it takes on some hundred rows."""


class SupportVectors(KernelModel):
    """Support vector regression on PLS or principal-component scores.

    Parameters
    ----------
    kind : {"pls", "pca"}, default "pls"
    n_components : int, default 5
        Number of scores.
    length_scale : float, default 1.0
        Of the radial part; 1 is the usual distance between two rows.
    linear_share : float, default 0.5
        Share of the linear part, 0 to 1.
    penalty : float, default 10.0
        What an error beyond `tube` costs (C), for the standardised analyte.
    tube : float, default 0.03
        Errors up to this cost nothing (ε), in standard deviations of the analyte.
    relevance : float, default 0.0
        Power of its correlation with the analyte that a score weighs by.
    tolerance : float, default 0.001
        At which LIBSVM stops, in standard deviations of the analyte.

    Notes
    -----
    Where LIBSVM has not converged after 30 000 iterations its last state is taken: one more model
    that cross-validation judges.

    Examples
    --------
    >>> import numpy as np
    >>> X = np.random.default_rng(0).normal(size=(20, 50))
    >>> SupportVectors(n_components=3).fit(X, X[:, 4]).predict(X).shape
    (20,)
    """

    def __init__(
        self,
        kind: Kind = "pls",
        n_components: int = 5,
        length_scale: float = 1.0,
        linear_share: float = 0.5,
        penalty: float = 10.0,
        tube: float = 0.03,
        relevance: float = 0.0,
        tolerance: float = 1e-3,
    ) -> None:
        self.kind = kind
        self.n_components = n_components
        self.length_scale = length_scale
        self.linear_share = linear_share
        self.penalty = penalty
        self.tube = tube
        self.relevance = relevance
        self.tolerance = tolerance

    def _dual(self, kernel: Floats, z: Floats) -> tuple[Floats, float]:
        for name, low in (("penalty", "> 0"), ("tube", "≥ 0")):
            value = getattr(self, name)
            if value < 0 or (name == "penalty" and value == 0):
                raise SettingsError(f"SupportVectors: {name} is {value!r}, need {low}")
        model = SVR(
            kernel="precomputed", C=self.penalty, epsilon=self.tube, tol=self.tolerance,
            max_iter=MOST_ITERATIONS,
        )  # fmt: skip
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", ConvergenceWarning)
            model.fit(kernel, z)
        dual = np.zeros(len(z))
        dual[model.support_] = model.dual_coef_[0]
        return dual, float(model.intercept_[0])


def options(given: Mapping[str, Any]) -> dict[str, Any]:
    """Check the options of ``[models.support_vectors]`` and fill the defaults.

    Raises
    ------
    SettingsError
        If a key is unknown or a value cannot be.
    """
    chosen = filled("support_vectors", given, DEFAULTS)
    need_whole("support_vectors", chosen, "max_components")
    return chosen


def space(options: Mapping[str, Any]) -> Space:
    """Return kernel, scores, penalty and tube."""
    return {
        **kernels.score_space(options["max_components"]),
        "penalty": Real(0.3, 300.0, log=True),
        "tube": Real(0.003, 0.3, log=True),
    }


def attempt(
    problem: Problem,
    column: int,
    options: Mapping[str, Any],
    settings: Mapping[str, Any],
    watch: Watch = unwatched,
) -> Selection:
    """Cross-validate one analyte with these settings."""
    model = SupportVectors(**settings)
    out = np.full(problem.folds.shape, np.nan)
    for split in problem.splits(column):
        own, across, known = model.split_kernels(problem, column, split)
        z, mean, spread = standardised(known)
        dual, intercept = model._dual(own, z)
        out[split.repeat, split.held] = (across @ dual + intercept) * spread + mean
        watch(out[split.repeat])
    return Selection(dict(settings), out)


def fit(X: Floats, y: Floats, settings: Mapping[str, Any]) -> Fitted:
    """Fit one analyte with the settings of a selection."""
    model = SupportVectors(**settings).fit(X, y)
    return Fitted(model.predictor_, model.arrays_)

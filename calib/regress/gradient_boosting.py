"""Histogram gradient boosting on scores, binned lines or channels.

Options under ``[models.gradient_boosting]``: ``on`` (default ``["scores", "bins"]``: what its
trees may look at, see `calib.regress.tree_family`; ``"channels"`` is slow),
``max_components`` (default 20: most scores), ``seed`` (default 0).

Friedman 2001, Ann. Stat. 29:1189, doi 10.1214/aos/1013203451; grown by scikit-learn on squared
error.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sklearn.ensemble import HistGradientBoostingRegressor

from calib.regress import tree_family
from calib.regress.family import Fitted, Problem, Selection, Watch, unwatched
from calib.regress.scores import Kind
from calib.regress.space import Real, Space, Whole
from calib.regress.tree_family import TreeRegressor

Floats = NDArray[np.floating]

ORDER = 120

DEFAULTS: Mapping[str, Any] = tree_family.OPTIONS

# Levels a number is cut into: of a few hundred rows, more would only take longer.
_LEVELS = 32

# Channels a bin: every tree looks at every bin, so that narrow ones take long.
_WIDTHS = (32, 64)


class GradientBoosting(TreeRegressor):
    """Histogram gradient boosting on what is made of spectra.

    Parameters
    ----------
    on : {"scores", "bins", "channels"}, default "scores"
        What the trees look at.
    kind : {"pls", "pca"}, default "pls"
        Kind of scores.
    n_components : int, default 8
        Number of scores; fewer where the rows do not carry them.
    width : int, default 32
        Channels a bin.
    n_trees : int, default 80
    n_leaves : int, default 6
        Most leaves of a tree.
    learning_rate : float, default 0.1
        Share of each tree's answer that is added.
    min_samples_leaf : int, default 5
        Fewest rows in a leaf.
    seed : int, default 0

    Attributes
    ----------
    predictor_ : str
        Name in `calib.regress.predictors.PREDICTORS`.
    arrays_ : dict of str to ndarray
        What the predictor takes.
    n_features_in_ : int
        Number of channels.

    Examples
    --------
    >>> import numpy as np
    >>> X = np.random.default_rng(0).normal(size=(40, 30))
    >>> GradientBoosting(on="channels", n_trees=20).fit(X, X[:, 4]).predict(X).shape
    (40,)
    """

    def __init__(
        self,
        on: str = "scores",
        kind: Kind = "pls",
        n_components: int = 8,
        width: int = 32,
        n_trees: int = 80,
        n_leaves: int = 6,
        learning_rate: float = 0.1,
        min_samples_leaf: int = 5,
        seed: int = 0,
    ) -> None:
        self.on = on
        self.kind = kind
        self.n_components = n_components
        self.width = width
        self.n_trees = n_trees
        self.n_leaves = n_leaves
        self.learning_rate = learning_rate
        self.min_samples_leaf = min_samples_leaf
        self.seed = seed

    def ensemble(self, features: int) -> HistGradientBoostingRegressor:
        """Return the scikit-learn ensemble, not fitted, for so many features."""
        return HistGradientBoostingRegressor(
            max_iter=self.n_trees,
            max_leaf_nodes=self.n_leaves,
            learning_rate=self.learning_rate,
            min_samples_leaf=self.min_samples_leaf,
            max_bins=_LEVELS,
            early_stopping=False,
            random_state=self.seed,
        )

    def frozen(self, model: Any) -> dict[str, Any]:
        """Return the arrays of a fitted ensemble."""
        return tree_family.boosting_arrays(model)


def options(given: Mapping[str, Any]) -> dict[str, Any]:
    """Check the options of ``[models.gradient_boosting]`` and fill the defaults.

    Raises
    ------
    SettingsError
        If a key is unknown or a value cannot be.
    """
    return tree_family.checked("gradient_boosting", given, DEFAULTS)


def space(options: Mapping[str, Any]) -> Space:
    """Return what the trees look at, their number and size, and how fast they learn."""
    return {
        **tree_family.view_space(options, _WIDTHS),
        "n_trees": Whole(30, 100, log=True),
        "n_leaves": Whole(3, 12, log=True),
        "learning_rate": Real(0.03, 0.3, log=True),
        "min_samples_leaf": Whole(3, 20, log=True),
    }


def attempt(
    problem: Problem,
    column: int,
    options: Mapping[str, Any],
    settings: Mapping[str, Any],
    watch: Watch = unwatched,
) -> Selection:
    """Cross-validate one analyte with the given settings of the space."""
    estimator, complete = tree_family.made(GradientBoosting, settings, options)
    return tree_family.attempt_trees(problem, column, complete, estimator, watch)


def complexity(settings: Mapping[str, Any]) -> float:
    """Return the most leaves of all trees together."""
    return float(settings["n_trees"] * settings["n_leaves"])


def fit(X: Floats, y: Floats, settings: Mapping[str, Any]) -> Fitted:
    """Fit one analyte on all certified rows."""
    return tree_family.fit_trees(GradientBoosting(**settings), X, y)

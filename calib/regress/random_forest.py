"""Random forest on scores, binned lines or channels.

Options under ``[models.random_forest]``: ``on`` (default ``["scores", "bins"]``: what its
trees may look at, see `calib.regress.tree_family`; ``"channels"`` is slow), ``n_trees``
(default 40), ``max_components`` (default 20: most scores), ``seed`` (default 0).

Breiman 2001, Mach. Learn. 45:5, doi 10.1023/A:1010933404324; grown by scikit-learn.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sklearn.ensemble import RandomForestRegressor

from calib.regress import tree_family
from calib.regress.family import Fitted, Problem, Selection, Watch, unwatched
from calib.regress.scores import Kind
from calib.regress.space import Space, Whole
from calib.regress.tree_family import TreeRegressor

Floats = NDArray[np.floating]

ORDER = 100

DEFAULTS: Mapping[str, Any] = {**tree_family.OPTIONS, "n_trees": 40}


class RandomForest(TreeRegressor):
    """Random forest on what is made of spectra.

    Parameters
    ----------
    on : {"scores", "bins", "channels"}, default "scores"
        What the trees look at.
    kind : {"pls", "pca"}, default "pls"
        Kind of scores.
    n_components : int, default 8
        Number of scores; fewer where the rows do not carry them.
    width : int, default 16
        Channels a bin.
    n_trees : int, default 40
    n_tried : int, default 8
        How many scores, bins or channels a split chooses among, drawn anew for each; no more than
        there are.
    min_samples_leaf : int, default 2
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
    >>> RandomForest(on="channels", n_trees=20).fit(X, X[:, 4]).predict(X).shape
    (40,)
    """

    def __init__(
        self,
        on: str = "scores",
        kind: Kind = "pls",
        n_components: int = 8,
        width: int = 16,
        n_trees: int = 40,
        n_tried: int = 8,
        min_samples_leaf: int = 2,
        seed: int = 0,
    ) -> None:
        self.on = on
        self.kind = kind
        self.n_components = n_components
        self.width = width
        self.n_trees = n_trees
        self.n_tried = n_tried
        self.min_samples_leaf = min_samples_leaf
        self.seed = seed

    def ensemble(self, features: int) -> RandomForestRegressor:
        """Return the scikit-learn ensemble, not fitted, for so many features."""
        return RandomForestRegressor(
            self.n_trees,
            max_features=min(self.n_tried, features),
            min_samples_leaf=self.min_samples_leaf,
            random_state=self.seed,
        )

    def frozen(self, model: Any) -> dict[str, Any]:
        """Return the arrays of a fitted ensemble."""
        return tree_family.forest_arrays(model)


def options(given: Mapping[str, Any]) -> dict[str, Any]:
    """Check the options of ``[models.random_forest]`` and fill the defaults.

    Raises
    ------
    SettingsError
        If a key is unknown or a value cannot be.
    """
    return tree_family.checked("random_forest", given, DEFAULTS)


def space(options: Mapping[str, Any]) -> Space:
    """Return what the trees look at, how many of it a split tries, and how fine leaves are."""
    return {
        **tree_family.view_space(options),
        "n_tried": Whole(2, 30, log=True),
        "min_samples_leaf": Whole(1, 8, log=True),
    }


def attempt(
    problem: Problem,
    column: int,
    options: Mapping[str, Any],
    settings: Mapping[str, Any],
    watch: Watch = unwatched,
) -> Selection:
    """Cross-validate one analyte with the given settings of the space."""
    estimator, complete = tree_family.made(RandomForest, settings, options)
    return tree_family.attempt_trees(problem, column, complete, estimator, watch)


def complexity(settings: Mapping[str, Any]) -> float:
    """Return the most leaves a tree can have for each training row."""
    return 1.0 / float(settings["min_samples_leaf"])


def fit(X: Floats, y: Floats, settings: Mapping[str, Any]) -> Fitted:
    """Fit one analyte on all certified rows."""
    return tree_family.fit_trees(RandomForest(**settings), X, y)

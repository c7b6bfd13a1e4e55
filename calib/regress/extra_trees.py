"""Extremely randomised trees on scores, binned lines or channels.

Options under ``[models.extra_trees]`` and what a search varies are those of
`calib.regress.random_forest`.

Geurts, Ernst & Wehenkel 2006, Mach. Learn. 63:3, doi 10.1007/s10994-006-6226-1; grown by
scikit-learn.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sklearn.ensemble import ExtraTreesRegressor

from calib.regress import tree_family
from calib.regress.family import Fitted, Problem, Selection, Watch, unwatched
from calib.regress.random_forest import DEFAULTS, RandomForest, complexity, space

__all__ = ["ORDER", "ExtraTrees", "attempt", "complexity", "fit", "options", "space"]

Floats = NDArray[np.floating]

ORDER = 110


class ExtraTrees(RandomForest):
    """Extremely randomised trees on what is made of spectra: every row, thresholds drawn.

    Parameters and attributes are those of `RandomForest`.

    Examples
    --------
    >>> import numpy as np
    >>> X = np.random.default_rng(0).normal(size=(40, 30))
    >>> ExtraTrees(on="channels", n_trees=20).fit(X, X[:, 4]).predict(X).shape
    (40,)
    """

    def ensemble(self, features: int) -> ExtraTreesRegressor:
        """Return the scikit-learn ensemble, not fitted, for so many features."""
        return ExtraTreesRegressor(
            self.n_trees,
            max_features=min(self.n_tried, features),
            min_samples_leaf=self.min_samples_leaf,
            random_state=self.seed,
        )


def options(given: Mapping[str, Any]) -> dict[str, Any]:
    """Check the options of ``[models.extra_trees]`` and fill the defaults.

    Raises
    ------
    SettingsError
        If a key is unknown or a value cannot be.
    """
    return tree_family.checked("extra_trees", given, DEFAULTS)


def attempt(
    problem: Problem,
    column: int,
    options: Mapping[str, Any],
    settings: Mapping[str, Any],
    watch: Watch = unwatched,
) -> Selection:
    """Cross-validate one analyte with the given settings of the space."""
    estimator, complete = tree_family.made(ExtraTrees, settings, options)
    return tree_family.attempt_trees(problem, column, complete, estimator, watch)


def fit(X: Floats, y: Floats, settings: Mapping[str, Any]) -> Fitted:
    """Fit one analyte on all certified rows."""
    return tree_family.fit_trees(ExtraTrees(**settings), X, y)

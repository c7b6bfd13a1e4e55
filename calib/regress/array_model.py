"""The scikit-learn side of every family: an estimator whose fit leaves plain arrays."""

from __future__ import annotations

from typing import Self

import numpy as np
from numpy.typing import ArrayLike, NDArray
from sklearn.base import BaseEstimator, RegressorMixin
from sklearn.utils.validation import check_is_fitted, validate_data

from calib.regress import predictors

Floats = NDArray[np.floating]


class ArrayModel(RegressorMixin, BaseEstimator):  # type: ignore[misc]
    """A regressor of one analyte that predicts by a function of `calib.regress.predictors`.

    A subclass stores its settings in ``__init__`` and writes `_arrays`.

    Attributes
    ----------
    predictor_ : str
        Name in `calib.regress.predictors.PREDICTORS`.
    arrays_ : dict of str to ndarray
        What that function takes.
    n_features_in_ : int
        Number of channels.
    """

    predictor_: str
    arrays_: dict[str, Floats]

    def fit(self, X: ArrayLike, y: ArrayLike) -> Self:
        """Fit one analyte.

        Parameters
        ----------
        X : array-like of shape (n, channels)
            Spectra.
        y : array-like of shape (n,)
            Certified values.

        Returns
        -------
        ArrayModel
            The fitted estimator itself.

        Raises
        ------
        ValueError
            NaN or infinity, lengths that differ, fewer than two rows, or a setting that cannot be.
        """
        X, y = validate_data(self, X, y, dtype=np.float64, y_numeric=True, ensure_min_samples=2)
        self.predictor_, self.arrays_ = self._arrays(np.asarray(X), np.asarray(y, np.float64))
        return self

    def _arrays(self, X: Floats, y: Floats) -> tuple[str, dict[str, Floats]]:
        """Return the predictor's name and its arrays."""
        raise NotImplementedError

    def predict(self, X: ArrayLike) -> Floats:
        """Predict the analyte.

        Parameters
        ----------
        X : array-like of shape (rows, channels)

        Returns
        -------
        ndarray of shape (rows,)
            In the analyte's unit.
        """
        check_is_fitted(self)
        X = validate_data(self, X, dtype=np.float64, reset=False)
        return predictors.predict(self.predictor_, np.asarray(X), self.arrays_)

"""Partial least squares for one analyte at a time (PLS1), and what is built on it."""

from __future__ import annotations

import warnings
from typing import Self

import numpy as np
from numpy.typing import ArrayLike, NDArray
from sklearn.base import BaseEstimator, MultiOutputMixin, RegressorMixin
from sklearn.utils.validation import check_array, check_is_fitted, validate_data

from calib.errors import CalibWarning, DataError
from calib.regress import predictors
from calib.regress.pls_components import Choice, choose_components, randomisation_test
from calib.regress.pls_fit import ResponseModel, fit_responses, training_rows
from calib.regress.pls_gram import gram_matrix
from calib.regress.pls_resampling import (
    CoefficientBootstrap,
    Dealing,
    Nested,
    PermutationTest,
    Repeated,
    bootstrap_coefficients,
    deal_groups,
    nested_cross_validate,
    permutation_test,
    repeated_cross_validate,
)
from calib.regress.pls_validation import (
    check_weight,
    cross_validate,
    cross_validated_mean,
)

__all__ = [
    "PLS",
    "Choice",
    "CoefficientBootstrap",
    "Dealing",
    "Nested",
    "PermutationTest",
    "Repeated",
    "bootstrap_coefficients",
    "choose_components",
    "cross_validate",
    "cross_validated_mean",
    "deal_groups",
    "gram_matrix",
    "nested_cross_validate",
    "permutation_test",
    "randomisation_test",
    "repeated_cross_validate",
]

Floats = NDArray[np.float64]


class PLS(MultiOutputMixin, RegressorMixin, BaseEstimator):  # type: ignore[misc]
    """PLS1 regression, each column of Y by itself.

    Parameters
    ----------
    n_components : int, default 2
        Number of components, at most min(p, n − 1) of the smallest training set.
    scale : bool, default False
        Divide each channel by its standard deviation (divisor n − 1) over the rows that
        train; a constant channel is left as it is.

    Attributes
    ----------
    coef_ : array (m, p)
        Coefficients with all components, in the unit of Y per unit of X.
    intercept_ : array (m,)
        Intercepts, unit of Y.
    coef_path_ : array (n_components, m, p)
        Coefficients with 1 … n_components components.
    intercept_path_ : array (n_components, m)
        Intercepts with 1 … n_components components.
    x_mean_, x_scale_ : array (m, p)
        Channel mean and divisor over each analyte's training rows.
    y_mean_ : array (m,)
        Mean of each analyte's certified values.
    x_weights_ : array (m, p, n_components)
        Weights w, unit length.
    x_loadings_ : array (m, p, n_components)
        Loadings p.
    x_rotations_ : array (m, p, n_components)
        r, with scores = (X − x_mean_) / x_scale_ @ r.
    x_scores_ : array (m, n, n_components)
        Scores t of all rows given to fit, also those not certified for the analyte.
    y_loadings_ : array (m, n_components)
        Inner regression coefficient q of y on each score.
    x_explained_variance_ratio_, y_explained_variance_ratio_ : array (m, n_components)
        Share of the training variance each component explains.
    vip_ : array (m, p)
        Variable importance in projection; its mean square over channels is 1.
    selectivity_ratio_ : array (m, p)
        Explained over residual variance of each channel on the target projection.
    n_components_used_ : array (m,) of int
        Components reached before X or y ran out of rank.
    n_features_in_ : int
        Number of channels p.

    Notes
    -----
    Scores, weights and loadings follow Höskuldsson (1988, doi:10.1002/cem.1180020306).
    VIP: Chong & Jun (2005, doi:10.1016/j.chemolab.2004.12.011), eq. 4.  Selectivity
    ratio: Rajalahti et al. (2009, doi:10.1016/j.chemolab.2008.08.004).  The model is
    found from XXᵀ where p ≥ n and from XᵀX where n > p.

    Where X or y runs out of rank, the components beyond are zero, coefficients stay as
    they are and a `CalibWarning` says so.

    Examples
    --------
    >>> import numpy as np
    >>> X = np.random.default_rng(0).normal(size=(20, 50))
    >>> PLS(n_components=3).fit(X, X[:, 4]).predict(X).shape
    (20,)
    """

    def __init__(self, n_components: int = 2, scale: bool = False) -> None:
        self.n_components = n_components
        self.scale = scale

    def fit(self, X: ArrayLike, y: ArrayLike, sample_weight: ArrayLike | None = None) -> Self:
        """Fit one PLS1 model for each column of Y.

        Parameters
        ----------
        X : array-like (n, p)
            Spectra.
        y : array-like (n,) or (n, m)
            Certified values Y; NaN leaves the row out for that analyte only.
        sample_weight : array-like (n,), optional
            Row weights; default all 1.

        Returns
        -------
        PLS
            The fitted estimator itself.

        Raises
        ------
        DataError
            (A ValueError.)  An analyte with fewer than two certified rows, more
            components than rows or channels carry, or weights that cannot be right.
        ValueError
            NaN or infinity in X, or lengths that differ.
        """
        if y is None:
            raise DataError("requires y to be passed, but the target y is None")
        X = np.asarray(validate_data(self, X, dtype=[np.float64, np.float32], ensure_min_samples=2))
        Y = check_array(
            y, ensure_2d=False, dtype=np.float64, ensure_all_finite="allow-nan", input_name="y"
        )
        if np.isinf(Y).any():
            raise DataError("Input y contains infinity or a value too large for dtype('float64').")
        self._one_dimensional = Y.ndim == 1
        values = Y[:, None] if Y.ndim == 1 else Y
        n, p = X.shape
        if values.shape[0] != n:
            raise DataError(f"Y: {values.shape[0]} rows, needs {n} as X has")
        weight = check_weight(n, sample_weight)
        certified = ~np.isnan(values) & (weight > 0)[:, None]
        self._check_components(certified, p)
        gram = gram_matrix(X) if p >= n and not self.scale else None
        models: list[ResponseModel | None] = [None] * values.shape[1]
        patterns: dict[bytes, list[int]] = {}
        for j in range(values.shape[1]):
            patterns.setdefault(certified[:, j].tobytes(), []).append(j)
        for analytes in patterns.values():
            rows = certified[:, analytes[0]]
            training = training_rows(X, weight * rows, self.scale, gram)
            responses = np.where(rows, values[:, analytes].T, 0.0)
            fitted = fit_responses(X, responses, training, self.n_components)
            for j, model in zip(analytes, fitted, strict=True):
                models[j] = model
        self._collect([model for model in models if model is not None])
        return self

    def _check_components(self, certified: NDArray[np.bool_], p: int) -> None:
        """Raise DataError if the smallest training set cannot carry the components."""
        rows = certified.sum(axis=0)
        column = int(np.argmin(rows))
        most = min(p, int(rows[column]) - 1)
        count = self.n_components
        whole = isinstance(count, (int, np.integer)) and not isinstance(count, bool)
        if not whole or not 1 <= count <= most:
            raise DataError(
                f"n_components: {count!r}, needs a whole number from 1 to {most}: X has "
                f"n_features = {p} and column {column} of Y has n_samples = {rows[column]} "
                "certified rows of weight above 0"
            )

    def _collect(self, models: list[ResponseModel]) -> None:
        """Store the analytes' models as fitted attributes."""
        self.x_mean_ = np.stack([m.x_mean for m in models])
        self.x_scale_ = np.stack([m.x_scale for m in models])
        self.y_mean_ = np.array([m.y_mean for m in models])
        self.x_weights_ = np.stack([m.weights.T for m in models])
        self.x_loadings_ = np.stack([m.loadings.T for m in models])
        self.x_rotations_ = np.stack([m.rotations.T for m in models])
        self.x_scores_ = np.stack([m.scores.T for m in models])
        self.y_loadings_ = np.stack([m.y_loadings for m in models])
        self.x_explained_variance_ratio_ = np.stack([m.x_explained for m in models])
        self.y_explained_variance_ratio_ = np.stack([m.y_explained for m in models])
        self.vip_ = np.stack([m.vip for m in models])
        self.selectivity_ratio_ = np.stack([m.selectivity_ratio for m in models])
        self.n_components_used_ = np.array([m.kept for m in models])
        self.coef_path_ = np.stack([m.coef_path for m in models], axis=1)
        self.intercept_path_ = self.y_mean_ - np.einsum("amp,mp->am", self.coef_path_, self.x_mean_)
        self.coef_ = self.coef_path_[-1]
        self.intercept_ = self.intercept_path_[-1]
        if (self.n_components_used_ < self.n_components).any():
            column = int(np.argmin(self.n_components_used_))
            warnings.warn(
                f"PLS: column {column} of Y stopped at {self.n_components_used_[column]} of "
                f"{self.n_components} components, the rank of X or of the fit to y",
                CalibWarning,
                stacklevel=3,
            )

    def predict(self, X: ArrayLike, n_components: int | None = None) -> Floats:
        """Predict the analytes of spectra.

        Parameters
        ----------
        X : array-like (n, p)
            Spectra.
        n_components : int, optional
            Use this many components; default all.

        Returns
        -------
        array (n,) or (n, m)
            Predictions, unit of Y; one-dimensional if fit was given a one-dimensional Y.

        Raises
        ------
        DataError
            ``n_components`` outside 1 … those fitted.
        """
        check_is_fitted(self)
        X = np.asarray(validate_data(self, X, dtype=[np.float64, np.float32], reset=False))
        fitted = self.coef_path_.shape[0]
        count = fitted if n_components is None else n_components
        if not 1 <= count <= fitted:
            raise DataError(f"n_components: {count}, needs 1 to {fitted} as fitted")
        coef, intercept = self.coef_path_[count - 1], self.intercept_path_[count - 1]
        out = np.stack(
            [
                predictors.affine(X, coefficients=coef[j], intercept=intercept[j : j + 1])
                for j in range(len(coef))
            ],
            axis=1,
        )
        result = np.asarray(out[:, 0] if self._one_dimensional else out, dtype=np.float64)
        return result

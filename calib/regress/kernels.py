"""A linear plus a radial kernel on scores, for Gaussian processes and support vectors.

Between the scores t and t' of two rows the kernel is

    share · t·t' / k + (1 − share) · exp(−|t − t'|² / (2 k ℓ²))

with k scores, ℓ the length scale and share that of the linear part. Scores have a mean square of 1
on average, so that both parts are of size 1 whatever k is, and ℓ = 1 is the usual distance between
two rows. Scores may weigh by their relevance: before all, each is multiplied by a power of the size
of its correlation with the analyte over the training rows (0: all alike; 1: in proportion), and all
by one number that restores the mean square.

The sum of a linear and a radial kernel is a kernel: Rasmussen & Williams (2006), Gaussian Processes
for Machine Learning, section 4.2.4.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calib.errors import SettingsError
from calib.regress.array_model import ArrayModel
from calib.regress.family import Problem, Split
from calib.regress.predictors import project
from calib.regress.scores import KINDS, Kind, fit_scores, split_scores
from calib.regress.space import Choice, Real, Space, Whole

Floats = NDArray[np.floating]


def score_space(max_components: int) -> Space:
    """Return the settings that the kernel and its scores have."""
    return {
        "kind": Choice(KINDS),
        "n_components": Whole(min(2, max_components), max_components),
        "length_scale": Real(0.3, 30.0, log=True),
        "linear_share": Real(0.0, 1.0),
        "relevance": Real(0.0, 1.0),
    }


def complexity(settings: Mapping[str, Any]) -> float:
    """Return the number of scores, more where the kernel is radial and short."""
    bend = (1.0 - settings["linear_share"]) / settings["length_scale"]
    return float(settings["n_components"] * (1.0 + bend))


class KernelModel(ArrayModel):
    """A regressor that is a sum of kernels on scores; a subclass writes `_dual`.

    The analyte is standardised over the rows that train (divisor n).
    """

    kind: Kind
    n_components: int
    length_scale: float
    linear_share: float
    relevance: float

    def _dual(self, kernel: Floats, z: Floats) -> tuple[Floats, float]:
        """Return dual coefficients and intercept for the standardised analyte."""
        raise NotImplementedError

    def _arrays(self, X: Floats, y: Floats) -> tuple[str, dict[str, Floats]]:
        _check(self)
        weights, offset = fit_scores(X, y, self.kind, self.n_components)
        factor = relevance_factor(project(X, weights, offset), y, self.relevance)
        weights, offset = weights * factor, offset * factor
        scores = project(X, weights, offset)
        z, mean, spread = standardised(y)
        dual, intercept = self._dual(self.kernel(scores, scores), z)
        used = dual != 0
        if not used.any():
            used[0] = True
        return "kernel_sum", {
            "weights": weights,
            "offset": offset,
            "centres": scores[used],
            "dual": dual[used] * spread,
            "linear": np.array([self.linear_share / self.n_components]),
            "radial": np.array([1.0 - self.linear_share]),
            "gamma": np.array([1 / (2 * self.n_components * self.length_scale**2)]),
            "intercept": np.array([mean + intercept * spread]),
        }

    def kernel(self, a: Floats, b: Floats) -> Floats:
        """Return the kernel between scores (r, k) and (s, k), shape (r, s)."""
        inner = a @ b.T
        square = (a**2).sum(axis=1)[:, None] + (b**2).sum(axis=1) - 2 * inner
        reach = 2 * self.n_components * self.length_scale**2
        near = np.exp(-np.maximum(square, 0.0) / reach)
        both: Floats = (
            self.linear_share / self.n_components * inner + (1 - self.linear_share) * near
        )
        return both

    def split_kernels(
        self, problem: Problem, column: int, split: Split
    ) -> tuple[Floats, Floats, Floats]:
        """Return the kernel of the rows that train, that of the rows held with them, and y."""
        scores = split_scores(problem, column, split, self.kind, self.n_components)
        y = problem.Y[split.trains, column]
        scores = scores * relevance_factor(scores[split.trains], y, self.relevance)
        trains = scores[split.trains]
        return self.kernel(trains, trains), self.kernel(scores[split.held], trains), y


def _check(model: KernelModel) -> None:
    """Refuse settings that no model can have.

    Raises
    ------
    SettingsError
    """
    count = model.n_components
    needs = {
        "kind": (model.kind in KINDS, f"one of {', '.join(KINDS)}"),
        "n_components": (isinstance(count, int | np.integer) and count >= 1, "a whole number ≥ 1"),
        "length_scale": (model.length_scale > 0, "> 0"),
        "linear_share": (0 <= model.linear_share <= 1, "0 to 1"),
        "relevance": (model.relevance >= 0, "≥ 0"),
    }
    for name, (holds, need) in needs.items():
        if not holds:
            value = getattr(model, name)
            raise SettingsError(f"{type(model).__name__}: {name} is {value!r}, need {need}")


def relevance_factor(scores: Floats, y: Floats, power: float) -> Floats:
    """Return what each score is multiplied by, (k,), from the rows that train."""
    if power == 0:
        return np.ones(scores.shape[1])
    size = np.abs((y - y.mean()) @ scores)
    if not size.any():
        return np.ones(scores.shape[1])
    factor = (size / size.max()) ** power
    square = (scores**2).mean(axis=0)
    restored: Floats = factor * np.sqrt(square.sum() / (square * factor**2).sum())
    return restored


def standardised(y: Floats) -> tuple[Floats, float, float]:
    """Return values less their mean and by their spread, the mean, and the spread (not 0)."""
    mean, spread = float(y.mean()), float(y.std())
    if spread <= 50 * np.finfo(float).eps * abs(mean):
        return np.zeros_like(y), mean, 1.0
    return (y - mean) / spread, mean, spread

"""The stack: several families' predictions of one analyte, joined with weights.

Weights are never negative and sum to one [1]_ [2]_, so a stack stays between its members and needs
no intercept. They are found from out-of-fold predictions by non-negative least squares [3]_, every
standard weighing alike, however many spectra it has. A few standards of large error would sway
them, so they are drawn towards the best single member, as a normal prior of standard deviation
`SPREAD` on each weight would.

Weights may change with the predicted value: they are then given at three values, run straight
between them, and are drawn towards the constant weights in the same way.

How well a stack predicts is cross-fitted: the rows of a fold are joined with weights that never saw
their standards' values. The members' predictions themselves come from models that did see the
other folds, as is usual for stacks; doing that afresh in every fold would cost as many searches.

References
----------
.. [1] Breiman 1996, Mach. Learn. 24:49, doi 10.1007/BF00117832.
.. [2] van der Laan, Polley & Hubbard 2007, Stat. Appl. Genet. Mol. Biol. 6:25,
   doi 10.2202/1544-6115.1309.
.. [3] Lawson & Hanson 1974, Solving Least Squares Problems, chapter 23.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import nnls

from calib.errors import DataError
from calib.regress import predictors

Floats = NDArray[np.floating]

LEAST_WEIGHT = 0.01
"""A member whose weight stays below this everywhere is left out."""

SPREAD = 0.1
"""How far weights are expected to stray from what they are drawn to. Found on the calibration rows
of the demo library (five members, eight majors, cross-fitted): without it the stack's RMSECV was
1.07 of the best member's on the mean and 1.33 at worst, with 0.25 1.06 and 1.28, with 0.1 1.03 and
1.15, with 0.05 1.01 and 1.06, where little of a stack's gain is left."""

KNOTS = (0.05, 0.5, 0.95)
"""Where weights that change are given: quantiles of the predictions."""

# Weight of the rows that make weights sum to one at each knot, relative to all other rows.
_FIRM = 1e4


@dataclass(frozen=True)
class Stack:
    """Members joined with weights.

    Attributes
    ----------
    members : tuple of int
        Those of the given members that carry weight, in their order.
    combine : {"single", "weights", "weights_by_range"}
        Name in `calib.regress.predictors.COMBINATIONS`.
    arrays : dict of str to ndarray
        What it takes, beside the predictions of `members`.
    weights : ndarray of shape (given members,)
        Constant weights, or the mean over the rows of those that change; their sum is one.
    out_of_fold : ndarray of shape (repeats, n)
        Cross-fitted predictions; NaN where a member has none.
    """

    members: tuple[int, ...]
    combine: str
    arrays: dict[str, Floats]
    weights: Floats
    out_of_fold: Floats


def stack(
    predictions: Floats,
    y: Floats,
    folds: NDArray[np.intp],
    standards: NDArray[np.generic],
    *,
    by_range: bool = False,
) -> Stack:
    """Join members by what they predicted out of fold.

    Parameters
    ----------
    predictions : ndarray of shape (members, repeats, n)
        Out-of-fold predictions, the analyte's unit; NaN where there is none.
    y : ndarray of shape (n,)
        Certified values, NaN where not certified.
    folds : ndarray of int, shape (repeats, n)
        Fold of each row; rows of one standard are in one fold.
    standards : ndarray of shape (n,)
    by_range : bool, default False
        Let weights change with the predicted value.

    Returns
    -------
    Stack

    Raises
    ------
    DataError
        If shapes differ, or fewer than two standards have a value and every prediction.
    """
    _, repeats, n = predictions.shape
    if y.shape != (n,) or folds.shape != (repeats, n) or standards.shape != (n,):
        raise DataError(
            f"stack: predictions of shape {predictions.shape} with y {y.shape}, folds "
            f"{folds.shape}, standards {standards.shape}; need (n,), (repeats, n), (n,)"
        )
    usable = np.isfinite(predictions).all(axis=(0, 1)) & np.isfinite(y)
    if np.unique(standards[usable]).size < 2:
        raise DataError("stack: fewer than 2 standards have a value and every member's prediction")
    learn = _by_range if by_range else _constant
    out = np.full((repeats, n), np.nan)
    for repeat, labels in enumerate(folds):
        for fold in np.unique(labels):
            held = labels == fold
            rows = usable & ~held
            if not rows.any():  # all that is known stands in this fold
                rows = usable
            kind, arrays = learn(*_table(predictions[:, :, rows], y[rows], standards[rows]))
            out[repeat, held] = predictors.combine(kind, predictions[:, repeat, held], arrays)
    table = _table(predictions[:, :, usable], y[usable], standards[usable])
    kind, arrays = learn(*table)
    carries = np.max([np.atleast_2d(v).max(axis=0) for k, v in arrays.items() if k != "knots"], 0)
    members = tuple(np.flatnonzero(carries > 0).tolist())
    mean = _mean_weights(kind, arrays, table[0])
    arrays = {key: v if key == "knots" else v[..., members] for key, v in arrays.items()}
    if len(members) == 1:
        kind, arrays = "single", {}
    return Stack(members, kind, arrays, mean, out)


def _table(
    predictions: Floats, y: Floats, standards: NDArray[np.generic]
) -> tuple[Floats, Floats, Floats]:
    """Return members (members, rows), values and weights of rows of all repeats together."""
    count, repeats, n = predictions.shape
    _, member, spectra = np.unique(standards, return_inverse=True, return_counts=True)
    share = 1.0 / (spectra[member] * repeats)  # each standard weighs 1
    return predictions.reshape(count, repeats * n), np.tile(y, repeats), np.tile(share, repeats)


def _constant(members: Floats, y: Floats, share: Floats) -> tuple[str, dict[str, Floats]]:
    """Find constant weights; see `convex_weights`."""
    errors = ((members - y) * np.sqrt(share)).T
    squares = (errors**2).sum(axis=0)
    best = int(np.argmin(squares))
    # where weights sum to one, (I − towards 1ᵀ) weights = weights − towards
    away = np.eye(len(members))
    away[best] -= 1.0
    pull = np.sqrt(squares[best] / share.sum()) / SPREAD
    errors = np.concatenate([errors, pull * away])
    weights = convex_weights(errors)
    light = weights < LEAST_WEIGHT
    if light.any():
        weights = np.zeros(len(members))
        weights[~light] = convex_weights(errors[:, ~light])
    return "weights", {"weights": weights}


def convex_weights(errors: Floats) -> Floats:
    """Return the weights, ≥ 0 and of sum 1, that make the weighted errors smallest.

    Parameters
    ----------
    errors : ndarray of shape (rows, members)

    Returns
    -------
    ndarray of shape (members,)

    Notes
    -----
    Non-negative least squares on the errors and one more row, s times the sum of weights = s. At
    its solution t·b with b of sum 1, the best t for a given b leaves s² q / (s² + q), q the sum of
    squares of b: it grows with q, so b is the best of all weights of sum 1, whatever s is.
    """
    scale = float(np.sqrt((errors**2).sum(axis=0).max()))
    if scale == 0:
        return np.full(errors.shape[1], 1 / errors.shape[1])
    triangle = np.linalg.qr(errors / scale, mode="r")
    system = np.concatenate([triangle, np.ones((1, errors.shape[1]))])
    target = np.zeros(len(system))
    target[-1] = 1.0
    found: Floats = nnls(system, target)[0]
    weights: Floats = found / found.sum()
    return weights


def _by_range(members: Floats, y: Floats, share: Floats) -> tuple[str, dict[str, Floats]]:
    """Find weights at a few predicted values, drawn towards the constant ones."""
    constant = _constant(members, y, share)[1]["weights"]
    centre = predictors.combine("weights", members, {"weights": constant})
    knots = np.quantile(centre, KNOTS)
    if (np.diff(knots) <= 0).any():
        return "weights", {"weights": constant}
    hats = predictors.hats(centre, knots)  # (knots, rows)
    k, m = len(knots), len(members)
    errors = (members - y) * np.sqrt(share)
    design = (hats[:, None] * errors).reshape(k * m, -1).T
    noise = (share * (centre - y) ** 2).sum() / share.sum()
    pull = np.sqrt(noise) / SPREAD
    scale = float(np.sqrt((errors**2).sum(axis=1).max())) or 1.0
    sums = _FIRM * np.kron(np.eye(k), np.ones(m))
    system = np.concatenate(
        [np.linalg.qr(design / scale, mode="r"), pull / scale * np.eye(k * m), sums]
    )
    target = np.zeros(len(system))
    target[-k - k * m : -k] = pull / scale * np.tile(constant, k)
    target[-k:] = _FIRM
    weights = nnls(system, target)[0].reshape(k, m)
    weights[:, weights.max(axis=0) < LEAST_WEIGHT] = 0.0
    weights /= weights.sum(axis=1, keepdims=True)
    return "weights_by_range", {"centre": constant, "knots": knots, "weights": weights}


def _mean_weights(kind: str, arrays: dict[str, Any], members: Floats) -> Floats:
    """Return each member's weight on the mean over the rows."""
    weights: Floats = arrays["weights"]
    if kind == "weights":
        return weights
    centre = predictors.combine("weights", members, {"weights": arrays["centre"]})
    mean: Floats = predictors.hats(centre, arrays["knots"]).mean(axis=1) @ weights
    return mean

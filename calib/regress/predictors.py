"""What a trained regressor does at prediction, as small functions of named arrays (numpy only).

Estimators call these from ``predict``; freezing writes the arrays; the frozen runtime calls the
same function. There is no second implementation to drift.

A predictor takes ``X`` (rows, channels) and its named arrays, a combination the predictions of its
members (members, rows) and its named arrays; both return (rows,).
"""

from __future__ import annotations

import inspect
from collections.abc import Callable, Mapping

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.floating]


def affine(X: Floats, *, coefficients: Floats, intercept: Floats) -> Floats:
    """Return ``X @ coefficients + intercept``: PLS, ridge, LASSO and every linear model.

    Parameters
    ----------
    X : ndarray of shape (rows, channels)
    coefficients : ndarray of shape (channels,)
    intercept : ndarray of shape (1,)

    Returns
    -------
    ndarray of shape (rows,)
        In the analyte's unit.
    """
    # einsum, not a BLAS product: a row's prediction must not depend on how many rows come along
    product: Floats = np.einsum("ij,j->i", X, coefficients)
    predicted: Floats = product + intercept[0]
    return predicted


def project(X: Floats, weights: Floats, offset: Floats) -> Floats:
    """Return the scores ``X @ weights + offset``, for the predictors that work on scores.

    Parameters
    ----------
    X : ndarray of shape (rows, channels)
    weights : ndarray of shape (channels, k)
    offset : ndarray of shape (k,)

    Returns
    -------
    ndarray of shape (rows, k)
    """
    scores = np.empty((X.shape[0], offset.shape[0]))
    for k, column in enumerate(np.ascontiguousarray(weights.T)):
        scores[:, k] = np.einsum("ij,j->i", X, column) + offset[k]
    return scores


PREDICTORS: Mapping[str, Callable[..., Floats]] = {"affine": affine}
"""Prediction functions by the name a manifest gives; a new kind is one function and one line."""


def single(members: Floats) -> Floats:
    """Return the predictions of the only member.

    Parameters
    ----------
    members : ndarray of shape (1, rows)

    Returns
    -------
    ndarray of shape (rows,)
    """
    only: Floats = members[0]
    return only


def weights(members: Floats, *, weights: Floats) -> Floats:
    """Return the weighted sum of the members' predictions.

    Parameters
    ----------
    members : ndarray of shape (members, rows)
    weights : ndarray of shape (members,)

    Returns
    -------
    ndarray of shape (rows,)
    """
    total: Floats = np.einsum("mr,m->r", members, weights)
    return total


COMBINATIONS: Mapping[str, Callable[..., Floats]] = {"single": single, "weights": weights}
"""How the predictions of several members become one, by the name a manifest gives."""


def array_names(kind: str) -> set[str]:
    """Return the names of the arrays that a predictor or combination of this kind takes."""
    function = PREDICTORS.get(kind) or COMBINATIONS[kind]
    return set(inspect.signature(function).parameters) - {"X", "members"}


def predict(kind: str, X: Floats, arrays: Mapping[str, Floats]) -> Floats:
    """Run the predictor `kind` on its arrays.

    Raises
    ------
    KeyError
        If there is no such kind; callers that read files check first.
    """
    return PREDICTORS[kind](X, **arrays)


def combine(kind: str, members: Floats, arrays: Mapping[str, Floats]) -> Floats:
    """Run the combination `kind`, (members, rows) to (rows,).

    Raises
    ------
    KeyError
        If there is no such kind; callers that read files check first.
    """
    return COMBINATIONS[kind](members, **arrays)

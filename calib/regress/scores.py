"""A few scores in place of thousands of channels, for regressors that need them few.

Scores of partial least squares or of principal components come from the Gram matrix, so that those
of one training set cost milliseconds; each is divided by its standard deviation over the rows that
train (divisor n), because distances between rows, which radial kernels and nearest neighbours go
by, would otherwise be those of the first component alone. The first k scores do not depend on how
many follow: they are worked out once for a training set and cut to the number asked for.

The sign of a principal component is arbitrary; here its largest training score (in size) is
positive. Scores beyond the rank of the training rows are zero.
"""

from __future__ import annotations

from typing import Literal

import numpy as np
import scipy.linalg
from numpy.typing import NDArray

from calib.regress import pls_core
from calib.regress.family import Problem, Split
from calib.regress.pls_fit import fit_responses, training_rows
from calib.regress.pls_gram import gram_matrix
from calib.regress.split_gram import centred, split_gram

Floats = NDArray[np.floating]

Kind = Literal["pls", "pca"]

KINDS: tuple[Kind, ...] = ("pls", "pca")

AT_ONCE = 30
"""Components worked out at once, as the next trial may ask for more than this one."""


def split_scores(
    problem: Problem, column: int, split: Split, kind: Kind, n_components: int
) -> Floats:
    """Return the scores of all rows by a model of the rows that train, kept in the memo.

    Parameters
    ----------
    problem : Problem
    column : int
        The analyte that PLS scores are made for.
    split : Split
    kind : {"pls", "pca"}
        Partial least squares or principal components.
    n_components : int

    Returns
    -------
    ndarray of shape (n, n_components)
        Of variance 1 over the rows that train; read-only.
    """
    key = ("scores", kind, column if kind == "pls" else None, split.trains.tobytes())
    kept = problem.memo.get(key)
    if kept is None or kept.shape[1] < n_components:
        gram = split_gram(problem, split)
        count = max(n_components, AT_ONCE)
        if kind == "pls":
            kept = _pls(gram, problem.Y[:, column], split.trains, count)
        else:
            kept = _pca(gram, split.trains, count, problem.X.shape[1])
        kept.flags.writeable = False
        problem.memo[key] = kept
    scores: Floats = kept[:, :n_components]
    return scores


def fit_scores(X: Floats, y: Floats, kind: Kind, n_components: int) -> tuple[Floats, Floats]:
    """Return the affine map from spectra to scores, learned from all rows.

    Parameters
    ----------
    X : ndarray of shape (n, channels)
    y : ndarray of shape (n,)
        Certified values, for PLS scores.
    kind : {"pls", "pca"}
    n_components : int

    Returns
    -------
    weights : ndarray of shape (channels, n_components)
    offset : ndarray of shape (n_components,)
        The scores are ``X @ weights + offset``.
    """
    X = np.asarray(X, dtype=np.float64)
    if kind == "pls":
        training = training_rows(X, np.ones(len(X)), False)
        found = fit_responses(X, np.asarray(y, dtype=np.float64)[None], training, n_components)[0]
        weights = found.rotations.T
        square = (found.scores**2).mean(axis=1)
        kept = np.arange(n_components) < found.kept
    else:
        values, vectors = _principal(
            centred(gram_matrix(X), np.ones(len(X), bool))[0], n_components, X.shape[1]
        )
        vectors = vectors * _signs(vectors)
        kept = values > 0
        # a score has length sqrt(value): its map is Xᵀ u / sqrt(value)
        weights = (X - X.mean(axis=0)).T @ vectors / np.sqrt(np.where(kept, values, 1.0))
        square = values / len(X)
    scale = np.where(kept, 1 / np.sqrt(np.where(kept, square, 1.0)), 0.0)
    weights = np.ascontiguousarray(weights * scale)
    return weights, -(X.mean(axis=0) @ weights)


def _pls(gram: Floats, y: Floats, trains: NDArray[np.bool_], count: int) -> Floats:
    """Return PLS scores of all rows from their Gram matrix."""
    mean = y[trains].mean()
    response = np.where(trains, y - mean, 0.0)
    if np.abs(response).max() <= pls_core.ROUNDINGS * np.finfo(float).eps * abs(mean):
        response[:] = 0.0  # a constant
    weight = trains.astype(np.float64)
    found = pls_core.gram_components(gram, response[None], weight[None], count)
    live = np.arange(count) < found.kept[0]
    scores: Floats = (found.basis[0, 1:] * np.sqrt(weight.sum()) * live[:, None]).T
    return np.ascontiguousarray(scores)


def _pca(gram: Floats, trains: NDArray[np.bool_], count: int, channels: int) -> Floats:
    """Return principal component scores of all rows from their Gram matrix."""
    own, across = centred(gram, trains)
    values, vectors = _principal(own, count, channels)
    vectors = vectors * _signs(vectors)
    kept = values > 0
    scale = np.where(kept, np.sqrt(trains.sum()) / np.where(kept, values, 1.0), 0.0)
    scores: Floats = (across @ vectors) * scale
    return np.ascontiguousarray(scores)


def _principal(gram: Floats, count: int, channels: int) -> tuple[Floats, Floats]:
    """Return a matrix's largest eigenvalues and their vectors, (n, count), zero beyond its rank."""
    n = len(gram)
    found = min(count, n - 1, channels)
    values, vectors = np.zeros(count), np.zeros((n, count))
    if found > 0:
        some, these = scipy.linalg.eigh(gram, subset_by_index=(n - found, n - 1))
        values[:found], vectors[:, :found] = some[::-1], these[:, ::-1]
    floor = pls_core.ROUNDINGS * np.finfo(float).eps * max(float(np.trace(gram)), 0.0)
    real = values > floor
    return np.where(real, values, 0.0), vectors * real


def _signs(vectors: Floats) -> Floats:
    """Return the sign of each column's largest entry."""
    if not len(vectors):
        return np.ones(vectors.shape[1])
    largest = np.take_along_axis(vectors, np.abs(vectors).argmax(axis=0)[None], axis=0)[0]
    return np.where(largest < 0, -1.0, 1.0)

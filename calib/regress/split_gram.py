"""The Gram matrix as a split sees it: centred on the rows that train."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calib.regress.family import Problem, Split
from calib.regress.pls_gram import gram_matrix, scaled_gram_matrix

Floats = NDArray[np.floating]


def split_gram(problem: Problem, split: Split, *, scale: bool = False) -> Floats:
    """Return the Gram matrix of all rows, (n, n), by spectra learned from the rows that train.

    Parameters
    ----------
    problem : Problem
    split : Split
    scale : bool, default False
        Divide each channel by its standard deviation (divisor n − 1) over the rows that train.
    """
    if not (scale or problem.learns):
        return problem.gram
    X = problem.spectra(split.trains)
    if scale:
        gram: Floats = scaled_gram_matrix(X, split.trains.astype(np.float64))
    else:
        gram = gram_matrix(X)
    return gram


def centred(gram: Floats, trains: NDArray[np.bool_]) -> tuple[Floats, Floats]:
    """Take the mean of the rows that train from all rows of a Gram matrix.

    Parameters
    ----------
    gram : ndarray of shape (n, n)
        Of all rows, shifted by whatever is common to them.
    trains : ndarray of bool, shape (n,)

    Returns
    -------
    own : ndarray of shape (t, t)
        Products between the rows that train.
    across : ndarray of shape (n, t)
        Products of every row with them.
    """
    across = gram[:, trains]
    own = across[trains]
    mean = own.mean(axis=0)
    across = across - across.mean(axis=1, keepdims=True) - (mean - mean.mean())
    return across[trains], across

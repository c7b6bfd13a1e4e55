"""Comparing two sets of predictions of the same standards."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from calib.errors import DataError


class Comparison(NamedTuple):
    """Two RMSEPs of one analyte on the same standards.

    Attributes
    ----------
    analyte : str
    first, second : float
        RMSEP in the analyte's unit.
    ratio : float
        Second over first.
    p : float
        Probability of a difference as large by chance, corrected for the number of analytes.
    n_standards : int
    words : str
    """

    analyte: str
    first: float
    second: float
    ratio: float
    p: float
    n_standards: int
    words: str


def randomisation_test(
    difference: NDArray[np.floating], *, samples: int = 4999, seed: int = 0
) -> float:
    """Two-sided randomisation test that paired differences have mean zero.

    Signs are flipped at random; the p value is (1 + as extreme) / (1 + samples), after van der Voet
    1994, Chemom. Intell. Lab. Syst. 25:313, doi 10.1016/0169-7439(94)85050-X.

    Parameters
    ----------
    difference : ndarray of shape (standards,)
        Difference of squared errors, one a standard.
    samples : int, default 4999
    seed : int, default 0

    Returns
    -------
    float
    """
    signs = np.random.default_rng(seed).choice([-1.0, 1.0], size=(samples, difference.size))
    found = abs(difference.mean())
    extreme = np.abs(signs @ difference) / difference.size >= found * (1 - 1e-12)
    return float((1 + extreme.sum()) / (1 + samples))


def holm(p: Sequence[float]) -> list[float]:
    """Correct p values for their number (Holm 1979, Scand. J. Stat. 6:65).

    Examples
    --------
    >>> holm([0.01, 0.04])
    [0.02, 0.04]
    """
    order = np.argsort(p)
    factor = len(p) - np.arange(len(p))
    adjusted = np.minimum(np.maximum.accumulate(np.asarray(p)[order] * factor), 1.0)
    out = np.empty(len(p))
    out[order] = adjusted
    return [float(each) for each in out]


def compare_held_out(
    first: pd.DataFrame, second: pd.DataFrame, analytes: Sequence[str]
) -> list[Comparison]:
    """Compare held-out predictions of two runs on the bursts they share.

    Parameters
    ----------
    first, second : DataFrame
        Columns burst, standard, A and A_certified for each analyte A.
    analytes : sequence of str
        Those that both have are compared.

    Returns
    -------
    list of Comparison

    Raises
    ------
    DataError
        If no burst or no analyte is common.
    """
    both = first.merge(second, on=["burst", "standard"], suffixes=("_1", "_2"))
    shared = [name for name in analytes if f"{name}_1" in both]
    if both.empty or not shared:
        raise DataError("compare: the runs share no held-out burst or no analyte, need both")
    raw = []
    for name in shared:
        errors = [
            (both[f"{name}_{i}"] - both[f"{name}_certified_{i}"]).to_numpy(float) for i in (1, 2)
        ]
        known = np.isfinite(errors[0]) & np.isfinite(errors[1])
        squares = [e[known] ** 2 for e in errors]
        standard = both["standard"][known]
        difference = pd.Series(squares[1] - squares[0]).groupby(standard.to_numpy()).mean()
        one, two = (float(np.sqrt(s.mean())) if s.size else float("nan") for s in squares)
        p = randomisation_test(difference.to_numpy()) if difference.size else 1.0
        raw.append((name, one, two, p, difference.size))
    corrected = holm([each[3] for each in raw])
    return [
        Comparison(
            name, one, two, two / one if one else float("nan"), p, n,
            "no difference shown" if p > 0.05 else "second better" if two < one else "first better",
        )
        for (name, one, two, _, n), p in zip(raw, corrected, strict=True)
    ]  # fmt: skip

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
    ratio_low, ratio_high : float
        Its 95 % interval, by bootstrap over standards; not corrected for the number of analytes.
    p : float
        Probability of a difference as large by chance, corrected for the number of analytes.
    n_standards : int
    words : str
        ``no difference shown``, ``first better`` or ``second better``, at p = 0.05.
    """

    analyte: str
    first: float
    second: float
    ratio: float
    ratio_low: float
    ratio_high: float
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


def ratio_interval(
    first: NDArray[np.floating],
    second: NDArray[np.floating],
    *,
    level: float = 0.95,
    samples: int = 2000,
    seed: int = 0,
) -> tuple[float, float]:
    """Interval of the ratio of two root mean square errors on the same standards.

    Standards are drawn with replacement, each with both its errors (paired percentile bootstrap:
    Efron & Tibshirani 1993, An Introduction to the Bootstrap, sections 8.3 and 13.3).

    Parameters
    ----------
    first, second : ndarray of shape (standards,)
        Sums of squared errors of each standard, over the same spectra.
    level : float, default 0.95
    samples : int, default 2000
    seed : int, default 0

    Returns
    -------
    low, high : float
        Of second over first; NaN below 3 standards.
    """
    m = first.size
    if m < 3:
        return float("nan"), float("nan")
    draws = np.random.default_rng(seed).integers(m, size=(samples, m))
    below = first[draws].sum(axis=1)
    ratio = np.sqrt(second[draws].sum(axis=1)[below > 0] / below[below > 0])
    if ratio.size == 0:
        return float("nan"), float("nan")
    low, high = np.quantile(ratio, [(1 - level) / 2, (1 + level) / 2])
    return float(low), float(high)


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
        sums = pd.DataFrame(np.transpose(squares)).groupby(both["standard"][known].to_numpy()).sum()
        a, b = sums[0].to_numpy(float), sums[1].to_numpy(float)
        one, two = (float(np.sqrt(s.mean())) if s.size else float("nan") for s in squares)
        p = randomisation_test(b - a) if a.size else 1.0
        raw.append((name, one, two, *ratio_interval(a, b), p, a.size))
    corrected = holm([each[5] for each in raw])
    return [
        Comparison(
            name, one, two, two / one if one else float("nan"), low, high, p, n,
            "no difference shown" if p > 0.05 else "second better" if two < one else "first better",
        )
        for (name, one, two, low, high, _, n), p in zip(raw, corrected, strict=True)
    ]  # fmt: skip

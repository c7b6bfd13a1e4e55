"""Checks that ask whether a trained model's own numbers can be believed.

None of them changes the model. Each is a `Check`: passed, or not with the reason in one line.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from calib.validate.scores import per_standard, rmse

Floats = NDArray[np.floating]

SKILL_LEAK = 0.9
"""Median RMSECV of shuffled values over that of the mean below which something leaks: shuffled
values have nothing to learn. Common practice, no source."""

CHANCE = 0.05
"""Largest p value of the permutation test at which a model is said to have skill."""

OPTIMISM = 1.15
"""Nested RMSECV over RMSECV above which the choice of settings flatters. Common practice, no
source."""

INFLUENCE = 1.0
"""Cook's distance above which a standard has undue influence (Cook & Weisberg 1982, Residuals and
Influence in Regression, section 3.5: a distance of 1 moves the estimate to the edge of its 50 %
confidence region)."""


SHARE = 1 / 3
"""Share of the squared error above which one standard decides the RMSECV. Common practice, no
source."""


class Check(NamedTuple):
    """One question asked of a trained model.

    Attributes
    ----------
    name : str
        ``permutation``, ``optimism``, ``held-out`` or ``influence``.
    analyte : str
    passed : bool
    detail : str
        What was found, one line, with units.
    """

    name: str
    analyte: str
    passed: bool
    detail: str


def permutation_check(
    analyte: str, rmsecv: float, permuted: Floats, baseline: float, unit: str
) -> Check:
    """Ask whether shuffled values show no skill, and whether the real ones show more.

    Phipson & Smyth 2010, Stat. Appl. Genet. Mol. Biol. 9:39, doi 10.2202/1544-6115.1585, for the
    p value: (1 + as good) / (1 + shuffles).

    Parameters
    ----------
    analyte : str
    rmsecv : float
        Of the real values.
    permuted : ndarray of shape (shuffles,)
        RMSECV of values shuffled among the standards, chosen in the same way.
    baseline : float
        RMSECV of the mean of the training rows.
    unit : str

    Returns
    -------
    Check
    """
    p = (1 + int(np.sum(permuted <= rmsecv))) / (1 + permuted.size)
    ratio = float(np.median(permuted)) / baseline if baseline > 0 else float("nan")
    detail = (
        f"RMSECV {rmsecv:.3g} {unit}, of shuffled values {float(np.median(permuted)):.3g}, of the "
        f"mean {baseline:.3g}; p {p:.2g}"
    )
    if ratio < SKILL_LEAK:
        return Check("permutation", analyte, False, f"shuffled values are predicted: {detail}")
    if p > CHANCE:
        return Check("permutation", analyte, False, f"no skill beyond chance: {detail}")
    return Check("permutation", analyte, True, detail)


def optimism_check(analyte: str, rmsecv: float, nested: float, unit: str) -> Check:
    """Ask whether the choice of settings made RMSECV look better than it is.

    Varma & Simon 2006, BMC Bioinformatics 7:91, doi 10.1186/1471-2105-7-91: only an estimate that
    repeats the choice inside each fold is free of it.

    Parameters
    ----------
    analyte : str
    rmsecv, nested : float
        With the chosen settings, and with the choice repeated inside each outer fold.
    unit : str
    """
    detail = f"RMSECV {rmsecv:.3g} {unit}, nested {nested:.3g}"
    good = not nested > OPTIMISM * rmsecv
    return Check(
        "optimism", analyte, good, detail if good else f"the choice of settings flatters: {detail}"
    )


def held_out_interval(
    errors: Floats,
    standards: NDArray[np.generic],
    n_held_out: int,
    *,
    level: float = 0.95,
    samples: int = 2000,
    seed: int = 0,
) -> tuple[float, float]:
    """Interval in which the RMSEP of so many unseen standards falls if RMSECV is right.

    Both sets of standards are a draw: each sample draws the calibration standards anew and then
    the held-out ones from them (two-stage bootstrap: Davison & Hinkley 1997, Bootstrap Methods and
    their Application, section 6.3.3, for prediction).

    Parameters
    ----------
    errors : ndarray of shape (n,)
        Out-of-fold errors, NaN where unknown.
    standards : ndarray of shape (n,)
    n_held_out : int
    level : float, default 0.95
    samples : int, default 2000
    seed : int, default 0

    Returns
    -------
    low, high : float
        In the analyte's unit; NaN without an error or below 2 held-out standards.
    """
    squares, counts = per_standard(errors, standards)
    m = squares.size
    if m < 3 or n_held_out < 2:
        return float("nan"), float("nan")
    rng = np.random.default_rng(seed)
    pools = rng.integers(m, size=(samples, m))
    picks = np.take_along_axis(pools, rng.integers(m, size=(samples, n_held_out)), axis=1)
    found = np.sqrt(squares[picks].sum(axis=1) / counts[picks].sum(axis=1))
    low, high = np.quantile(found, [(1 - level) / 2, (1 + level) / 2])
    return float(low), float(high)


class Range(NamedTuple):
    """How held-out standards lie to the certified values trained on.

    Attributes
    ----------
    beyond : int
        Standards beyond these values: no training standard promises anything for them.
    rmsep : float
        Of the others, the analyte's unit; NaN where there is none.
    """

    beyond: int
    rmsep: float


def held_out_check(
    analyte: str, rmsep: float, errors: Floats, standards: NDArray[np.generic], n_held_out: int,
    unit: str, *, level: float = 0.95, range_: Range | None = None,
) -> Check:  # fmt: skip
    """Ask whether the held-out standards met the error that cross-validation promised.

    Parameters
    ----------
    analyte : str
    rmsep : float
    errors, standards, n_held_out, level
        As in `held_out_interval`.
    unit : str
    range_ : Range, optional
        Said beside the result; it does not excuse it.
    """
    low, high = held_out_interval(errors, standards, n_held_out, level=level)
    detail = (
        f"RMSEP {rmsep:.3g} {unit}; RMSECV {rmse(errors, 0.0):.3g} promises {low:.3g} to "
        f"{high:.3g} for {n_held_out} standards"
    )
    if range_ is not None and range_.beyond:
        detail += f"; {range_.beyond} of them lie beyond the values trained on"
        if range_.beyond < n_held_out:
            detail += f", without them RMSEP is {range_.rmsep:.3g}"
    good = not (rmsep < low or rmsep > high)
    word = "worse" if rmsep > high else "better"
    return Check(
        "held-out", analyte, good,
        detail if good else f"held-out standards did {word} than promised: {detail}",
    )  # fmt: skip


def influence(
    errors: Floats, standards: NDArray[np.generic], scores: Floats
) -> tuple[NDArray[np.generic], Floats]:
    """Cook's distance of each standard, on the means of its spectra.

    For a linear fit on scores with leverage h, leaving one standard out moves the fitted values by
    a squared length of h d², d its error when it is left out; the distance is h d² / (k s²), s²
    the mean of d² (Cook & Weisberg 1982, chapter 3). Out-of-fold errors stand for d: their folds
    leave out other standards too.

    Parameters
    ----------
    errors : ndarray of shape (n,)
        Out-of-fold errors; NaN rows are left out.
    standards : ndarray of shape (n,)
    scores : ndarray of shape (n, k)
        Scores of the training spectra.

    Returns
    -------
    names : ndarray of shape (standards,)
    distance : ndarray of shape (standards,)
    """
    known = np.isfinite(errors)
    names, member = np.unique(standards[known], return_inverse=True)
    sums = np.zeros((names.size, scores.shape[1] + 2))
    np.add.at(sums, member, np.column_stack([errors, np.ones(errors.size), scores])[known])
    means = sums / sums[:, 1:2]
    basis, size, _ = np.linalg.svd(means[:, 1:], full_matrices=False)
    basis = basis[:, size > 1e-10 * size[0]]
    d = means[:, 0]
    variance = float(np.mean(d**2))
    if variance == 0:
        return names, np.zeros(names.size)
    return names, np.sum(basis**2, axis=1) * d**2 / (basis.shape[1] * variance)


def influence_check(
    analyte: str, errors: Floats, standards: NDArray[np.generic], scores: Floats
) -> Check:
    """Ask whether one standard bends the model.

    Parameters
    ----------
    analyte : str
    errors, standards, scores
        As in `influence`.
    """
    names, distance = influence(errors, standards, scores)
    worst = int(np.argmax(distance))
    squares, _ = per_standard(errors, standards)
    share = squares[worst] / squares.sum() if squares.sum() > 0 else 0.0
    detail = (
        f"standard {names[worst]} has Cook's distance {distance[worst]:.2g} and {share:.0%} of the "
        "squared error in cross-validation"
    )
    largest = int(np.argmax(squares))
    if squares.sum() > 0 and squares[largest] > SHARE * squares.sum():
        detail = f"standard {names[largest]} has {squares[largest] / squares.sum():.0%} of the"
        return Check(
            "influence",
            analyte,
            False,
            f"undue influence: {detail} squared error in cross-validation",
        )
    good = bool(distance[worst] <= INFLUENCE)
    return Check(
        "influence", analyte, good, f"largest: {detail}" if good else f"undue influence: {detail}"
    )


Chooser = Callable[[Floats, Floats, NDArray[np.integer]], int]
"""Chooses among models; see `corrected_for_choice`."""


def corrected_for_choice(
    out_of_fold: Floats,
    certified: Floats,
    standards: NDArray[np.generic],
    *,
    choose: Chooser | None = None,
    samples: int = 500,
    seed: int = 0,
) -> float:
    """RMSECV of one of several models, corrected for having chosen it.

    Each bootstrap sample of standards chooses a model and meets the error of that model on the
    standards not drawn; the mean square over samples is the estimate, without one more fit
    (Tsamardinos, Greasidou & Borboudakis 2018, Mach. Learn. 107:1895, doi
    10.1007/s10994-018-5714-4).

    Parameters
    ----------
    out_of_fold : ndarray of shape (models, n)
        Out-of-fold predictions of every model that could have been chosen.
    certified : ndarray of shape (n,)
    standards : ndarray of shape (n,)
    choose : callable, optional
        Takes the sums of squared errors (models, standards), the number of spectra of each
        standard and how often it was drawn; returns the model chosen. Default: the least error.
    samples : int, default 500
    seed : int, default 0

    Returns
    -------
    float
        In the analyte's unit.
    """
    errors = out_of_fold - certified
    known = np.isfinite(errors).all(axis=0)
    tables = [per_standard(row[known], standards[known]) for row in errors]
    squares, counts = np.stack([t[0] for t in tables]), tables[0][1]
    m = counts.size
    draws = np.random.default_rng(seed).multinomial(m, np.full(m, 1 / m), size=samples)
    if choose is None:
        best = np.argmin(squares @ draws.T, axis=0)
    else:
        best = np.array([choose(squares, counts, drawn) for drawn in draws])
    left = draws == 0
    rows = left.any(axis=1)
    missed = (squares[best] * left).sum(axis=1)[rows] / (counts * left).sum(axis=1)[rows]
    return float(np.sqrt(missed.mean()))

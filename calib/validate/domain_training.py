"""Making a domain from training spectra: how many components, and the limits of usual spectra.

The limits that flags use are conformal: the statistics of each spectrum are taken under a principal
component model of the other folds; the limit holds 95 % of their weight, each standard weighing
the same (as in `calib.validate.intervals`). Compositions of standards are far from normal, so the
textbook limits, which suppose it, are kept beside them for comparison and used only where there are
too few standards.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import stats
from scipy.sparse.linalg import eigsh

from calib.validate.domain import FLAGS, Domain, statistics_of, unusual
from calib.validate.intervals import interval_multiple

Floats = NDArray[np.floating]

LEVEL = 0.95
"""Share of usual spectra within the limits of T² and Q."""

MOST_COMPONENTS = 20

STANDARDS_PER_COMPONENT = 6
"""Least standards a component of the domain (ASTM E1655 asks for 6 k calibration samples; from
memory)."""

REPEATS = 2
"""Deals of the folds that the limits are made from."""

SMALL = 200
"""Rows up to which all eigenvalues are computed."""

EXPLAINED = 0.99
"""Share of the variance that can be explained out of fold at all at which components stop."""


@dataclass(frozen=True)
class TrainedDomain:
    """A domain and how its limits came about.

    Attributes
    ----------
    domain : Domain
    out_of_fold : dict of str to ndarray of shape (n,)
        Statistics of the training spectra under the models of the other folds (first repeat).
    formulas : dict of str to float
        Textbook limits: ``t2_f``, ``q_jackson_mudholkar``, ``q_box``, ``leverage_3k``,
        ``neighbour_largest``.
    leverage : ndarray of shape (n,)
        Of the training spectra, without the 1/n of the mean.
    """

    domain: Domain
    out_of_fold: dict[str, Floats]
    formulas: dict[str, float]
    leverage: Floats

    @property
    def unusual(self) -> Floats:
        """How unusual each training spectrum is under the models of the other folds, (n,)."""
        return unusual(self.out_of_fold, self.domain.limits)

    def plain(self) -> dict[str, Any]:
        """Return components and limits as plain data, infinite limits as None."""
        limits = {k: v if np.isfinite(v) else None for k, v in self.domain.limits.items()}
        return {
            "components": int(self.domain.deviation.size),
            "level": LEVEL,
            "limits": limits,
            "formulas": self.formulas,
        }


def t2_limit(components: int, n: int, level: float = LEVEL) -> float:
    """F limit of Hotelling's T² of a new observation.

    k (n² − 1) / (n (n − k)) F(level; k, n − k): Tracy, Young & Mason 1992, J. Qual. Technol. 24:88,
    doi 10.1080/00224065.1992.12015232.

    Parameters
    ----------
    components, n : int
        k, and the independent observations the model is made from.
    level : float

    Returns
    -------
    float
        Infinite where n ≤ k.
    """
    if n <= components:
        return float("inf")
    factor = components * (n**2 - 1) / (n * (n - components))
    return float(factor * stats.f.ppf(level, components, n - components))


def power_sums(eigenvalues: Floats) -> tuple[float, float, float]:
    """Return θ₁, θ₂, θ₃: the sums of the eigenvalues, their squares and their cubes."""
    return tuple(float(np.sum(eigenvalues**power)) for power in (1, 2, 3))  # type: ignore[return-value]


def q_jackson_mudholkar(sums: tuple[float, float, float], level: float = LEVEL) -> float:
    """Limit of the squared residual.

    Jackson & Mudholkar 1979, Technometrics 21:341, doi 10.1080/00401706.1979.10489779.

    Parameters
    ----------
    sums : tuple of float
        `power_sums` of the eigenvalues of the covariance of the spectra, those of the components
        not in the model.
    level : float

    Returns
    -------
    float
        Square of the spectra's unit.
    """
    first, second, third = sums
    if second <= 0:
        return 0.0
    h0 = 1 - 2 * first * third / (3 * second**2)
    z = float(stats.norm.ppf(level))
    inner = z * np.sqrt(2 * second * h0**2) / first + 1 + second * h0 * (h0 - 1) / first**2
    return float(first * max(inner, 0.0) ** (1 / h0))


def q_box(sums: tuple[float, float, float], level: float = LEVEL) -> float:
    """Limit of the squared residual as g χ²(h), g = θ₂/θ₁ and h = θ₁²/θ₂.

    Box 1954, Ann. Math. Stat. 25:290, doi 10.1214/aoms/1177728786, theorem 3.1.

    Parameters
    ----------
    sums : tuple of float
        As in `q_jackson_mudholkar`.
    level : float

    Returns
    -------
    float
    """
    first, second, _ = sums
    if second <= 0:
        return 0.0
    return float(second / first * stats.chi2.ppf(level, first**2 / second))


def learn_domain(
    X: Floats,
    folds: NDArray[np.intp],
    standards: NDArray[np.generic],
    *,
    gram: Floats | None = None,
) -> TrainedDomain:
    """Make the domain of training spectra.

    Parameters
    ----------
    X : ndarray of shape (n, channels)
        Preprocessed training spectra.
    folds : ndarray of int, shape (repeats, n)
        Folds that keep families whole.
    standards : ndarray of shape (n,)
    gram : ndarray of shape (n, n), optional
        X Xᵀ up to a shift of all rows of X, if at hand.

    Returns
    -------
    TrainedDomain
    """
    n = len(X)
    mean = X.mean(axis=0)
    centred = X - mean
    gram = centred @ centred.T if gram is None else _centre(gram)
    m = len(np.unique(standards))
    fewest = min(int((labels != f).sum()) for labels in folds for f in np.unique(labels))
    most = max(1, min(MOST_COMPONENTS, m // STANDARDS_PER_COMPONENT, fewest - 2, X.shape[1]))
    k, most = _components(gram, folds[0], most)
    every = [_out_of_fold(gram, labels, k) for labels in folds[:REPEATS]]
    values, vectors = _largest(gram, k)
    usable = values > 1e-12 * values[0]
    values, vectors, k = values[usable], vectors[:, usable], int(usable.sum())
    length = np.sqrt(values)
    loadings = (vectors / length).T @ centred
    white = vectors * np.sqrt(n - 1)
    left = _left(gram, values)
    formulas = {
        "t2_f": t2_limit(k, m),
        "q_jackson_mudholkar": q_jackson_mudholkar(left),
        "q_box": q_box(left),
        "leverage_3k": 3 * (k + 1) / n,
        "neighbour_largest": max(float(each["neighbour"].max()) for each in every),
    }
    limits = {name: _usual([each[name] for each in every], standards) for name in ("t2", "q")}
    if not np.isfinite(limits["t2"]):
        limits = {"t2": formulas["t2_f"], "q": max(formulas["q_box"], _moments(every))}
    limits |= {"leverage": formulas["leverage_3k"], "neighbour": formulas["neighbour_largest"]}
    domain = Domain(mean, loadings, length / np.sqrt(n - 1), white, limits)
    return TrainedDomain(domain, every[0], formulas, np.sum(vectors**2, axis=1))


def _centre(gram: Floats) -> Floats:
    """Return the Gram matrix of the centred rows."""
    column = gram.mean(axis=0)
    out: Floats = gram - column - column[:, None] + column.mean()
    return out


def _largest(gram: Floats, count: int) -> tuple[Floats, Floats]:
    """Return the largest eigenvalues of a Gram matrix, in falling order, with their vectors."""
    n = len(gram)
    if n <= SMALL or count > n // 4:
        values, vectors = np.linalg.eigh(gram)
    else:
        start = np.random.default_rng(0).standard_normal(n)  # the same every time
        values, vectors = eigsh(gram, count, v0=start)
    order = np.argsort(values)[::-1][:count]
    return values[order], vectors[:, order]


def _left(gram: Floats, values: Floats) -> tuple[float, float, float]:
    """Return the power sums of the eigenvalues of the covariance that are not among `values`."""
    freedom = len(gram) - 1
    whole = float(np.trace(gram)), float(np.sum(gram**2)), float(np.sum((gram @ gram) * gram))
    taken = power_sums(values)
    first, second, third = (
        max(a - b, 0.0) / freedom**power
        for power, (a, b) in enumerate(zip(whole, taken, strict=True), start=1)
    )
    return first, second, third


def _usual(statistics: list[Floats], standards: NDArray[np.generic]) -> float:
    """Return the conformal limit: 95 % of the weight, each standard weighing 1/(m + 1)."""
    _, member = np.unique(standards, return_inverse=True)
    spectra = np.bincount(member)
    share = 1 / ((spectra.size + 1) * spectra[member] * len(statistics))
    flat = np.concatenate(statistics)
    order = np.argsort(flat, kind="stable")
    return interval_multiple(flat[order], np.cumsum(np.tile(share, len(statistics))[order]), LEVEL)


def _moments(every: list[dict[str, Floats]]) -> float:
    """Return the limit of Q as g χ²(h) by the moments of the out-of-fold residuals.

    Nomikos & MacGregor 1995, Technometrics 37:41, doi 10.1080/00401706.1995.10485888.
    """
    q = np.concatenate([each["q"] for each in every])
    mean, variance = float(q.mean()), float(q.var(ddof=1)) if q.size > 1 else 0.0
    if mean == 0 or variance == 0:
        return mean
    return float(variance / (2 * mean) * stats.chi2.ppf(LEVEL, 2 * mean**2 / variance))


def _split(
    gram: Floats, inside: NDArray[np.bool_], most: int
) -> tuple[Floats, Floats, Floats, Floats]:
    """Return the scores of the rows left out and of those inside, the squares, the deviations.

    All of the principal component model of the rows inside, from the Gram matrix alone.
    """
    train = gram[np.ix_(inside, inside)]
    cross = gram[np.ix_(~inside, inside)]
    column, every = train.mean(axis=0), train.mean()
    own = cross.mean(axis=1)
    squares = np.diag(gram)[~inside] - 2 * own + every
    centred = cross - own[:, None] - column + every
    values, vectors = _largest(train - column - column[:, None] + every, most)
    usable = values > 1e-10 * values[0]
    length = np.sqrt(np.where(usable, values, np.inf))
    root = np.sqrt(inside.sum() - 1)
    return centred @ vectors / length, vectors * root, squares, length / root


def _components(gram: Floats, labels: NDArray[np.intp], most: int) -> tuple[int, int]:
    """Return the fewest components that explain nearly all that can be explained out of fold."""
    left, total = np.zeros(most), 0.0
    for fold in np.unique(labels):
        along, _, squares, _ = _split(gram, labels != fold, most)
        left += (squares[:, None] - np.cumsum(along**2, axis=1)).sum(axis=0)
        total += float(squares.sum())
    explained = 1 - left / total if total > 0 else np.ones(most)
    return int(np.argmax(explained >= EXPLAINED * explained.max())) + 1, most


def _out_of_fold(gram: Floats, labels: NDArray[np.intp], k: int) -> dict[str, Floats]:
    out: dict[str, Floats] = {name: np.empty(len(labels)) for name in FLAGS}
    for fold in np.unique(labels):
        inside = labels != fold
        along, white, squares, deviation = _split(gram, inside, k)
        usable = np.isfinite(deviation)
        scaled = along[:, usable] / deviation[usable]
        residual = np.maximum(squares - np.sum(along**2, axis=1), 0.0)
        for name, value in statistics_of(scaled, residual, white[:, usable]).items():
            out[name][~inside] = value
    return out

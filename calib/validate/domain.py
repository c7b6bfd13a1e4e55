"""Whether a spectrum is one the model knows: what training and the frozen runtime both evaluate.

Numpy only. What a domain is made from, and its limits, is in `calib.validate.domain_training`.

A principal component model of the training spectra, one for all analytes and families of
regressors, splits a spectrum into scores and residual. Hotelling T² says how unusual a mixture of
known things it is, Q how much of it is nothing known; leverage and nearest neighbour are those of
ASTM E1655, in its manner: that standard is written for infrared.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calib.errors import ArtifactError

Floats = NDArray[np.floating]

ARRAYS = ("mean", "loadings", "deviation", "scores")
"""Names of the arrays of a domain."""

FLAGS: Mapping[str, str] = {
    "t2": "high-t2",
    "q": "high-q",
    "leverage": "high-leverage",
    "neighbour": "no-neighbour",
}
"""Statistic and the word that stands in the flags of a spectrum beyond its limit."""


@dataclass(frozen=True)
class Domain:
    """The space of the training spectra.

    Attributes
    ----------
    mean : ndarray of shape (channels,)
        Mean preprocessed spectrum.
    loadings : ndarray of shape (components, channels)
        Orthonormal.
    deviation : ndarray of shape (components,)
        Standard deviation of the training scores.
    scores : ndarray of shape (n, components)
        Training scores over their deviations.
    limits : mapping of str to float
        Largest usual value of each statistic of `FLAGS`; infinite or missing: no limit.
    """

    mean: Floats
    loadings: Floats
    deviation: Floats
    scores: Floats
    limits: Mapping[str, float]

    @classmethod
    def of(cls, arrays: Mapping[str, Floats], limits: Mapping[str, float | None]) -> Domain:
        """Build a domain from what a frozen model holds; a limit of None is infinite.

        Raises
        ------
        KeyError
            If an array is missing.
        ArtifactError
            If the arrays do not fit each other, hold numbers that are not finite, or a limit is of
            an unknown statistic.
        """
        mean, loadings, deviation, scores = (arrays[name] for name in ARRAYS)
        k = deviation.size
        if loadings.shape != (k, mean.size) or scores.ndim != 2 or scores.shape[1] != k:
            raise ArtifactError(
                f"domain: mean {mean.shape}, loadings {loadings.shape}, deviation "
                f"{deviation.shape} and scores {scores.shape} do not fit each other"
            )
        finite = all(np.isfinite(arrays[name]).all() for name in ARRAYS)
        if not finite or not (deviation > 0).all():
            raise ArtifactError(
                "domain: an array holds a number not finite, or a deviation not > 0"
            )
        for name in limits:
            if name not in FLAGS:
                raise ArtifactError(f"domain: unknown limit {name!r}, need {', '.join(FLAGS)}")
        usable = {name: np.inf if value is None else float(value) for name, value in limits.items()}
        return cls(mean, loadings, deviation, scores, usable)

    def arrays(self) -> dict[str, Floats]:
        """Return the arrays under the names `of` takes."""
        return {name: getattr(self, name) for name in ARRAYS}

    def statistics(self, spectra: Floats) -> dict[str, Floats]:
        """Compute every statistic of preprocessed spectra.

        Parameters
        ----------
        spectra : ndarray of shape (rows, channels)

        Returns
        -------
        dict of str to ndarray of shape (rows,)
            ``t2``: Hotelling T². ``q``: squared residual, in the square of the spectra's unit.
            ``leverage``: 1/n + T²/(n − 1), n the training spectra. ``neighbour``: Mahalanobis
            distance to the nearest training spectrum, in the space of the scores.
        """
        centred = spectra - self.mean
        # einsum, not a BLAS product: a row's flags must not depend on how many rows come along
        along = np.einsum("ij,kj->ik", centred, self.loadings)
        left = centred - np.einsum("ik,kj->ij", along, self.loadings)
        return statistics_of(along / self.deviation, np.einsum("ij,ij->i", left, left), self.scores)

    def judge(self, spectra: Floats) -> tuple[list[str], Floats]:
        """Say what is unusual in preprocessed spectra, and how unusual they are.

        Parameters
        ----------
        spectra : ndarray of shape (rows, channels)

        Returns
        -------
        flags : list of str
            Words for each spectrum, joined by ``;``, empty where it is usual.
        unusual : ndarray of shape (rows,)
            See `unusual`.
        """
        found = self.statistics(spectra)
        marks = {w: found[name] > self.limits.get(name, np.inf) for name, w in FLAGS.items()}
        return words(marks), unusual(found, self.limits)


def statistics_of(white: Floats, residual: Floats, scores: Floats) -> dict[str, Floats]:
    """Compute the statistics from whitened scores (rows, components) and squared residuals.

    `scores` are the training scores over their deviations, (n, components).
    """
    n = len(scores)
    t2 = np.einsum("ik,ik->i", white, white)
    nearest = np.array(
        [np.sqrt(np.min(np.einsum("ik,ik->i", scores - row, scores - row))) for row in white]
    )
    leverage = 1 / n + t2 / (n - 1)
    return {"t2": t2, "q": residual, "leverage": leverage, "neighbour": nearest}


def unusual(statistics: Mapping[str, Floats], limits: Mapping[str, float]) -> Floats:
    """Return T² and Q over their limits, added: what error bars widen with.

    Parameters
    ----------
    statistics : mapping of str to ndarray of shape (rows,)
    limits : mapping of str to float
        A limit that is missing, infinite or not above zero counts for nothing.

    Returns
    -------
    ndarray of shape (rows,)
    """
    out = np.zeros(len(statistics["t2"]))
    for name in ("t2", "q"):
        limit = limits.get(name, np.inf)
        if limit > 0:
            out += statistics[name] / limit
    return out


def words(marks: Mapping[str, NDArray[np.bool_] | Sequence[bool]]) -> list[str]:
    """Join the words whose mark is set, row by row, with ``;``."""
    rows: Any = zip(*marks.values(), strict=True)
    return [";".join(w for w, on in zip(marks, row, strict=True) if on) for row in rows]

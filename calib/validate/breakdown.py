"""Where an error comes from: distance, range, repeatability, certified values, totals."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calib.validate.scores import per_standard, rmse, rmse_interval

Floats = NDArray[np.floating]


class Part(NamedTuple):
    """The error over some of the spectra, in the analyte's unit.

    Attributes
    ----------
    name : str
        Which spectra.
    rmsep, low, high : float
        With its 95 % interval by bootstrap over standards; NaN below 3 standards.
    bias : float
        Mean of predicted minus certified.
    n_standards, n_spectra : int
    """

    name: str
    rmsep: float
    low: float
    high: float
    bias: float
    n_standards: int
    n_spectra: int


def _part(name: str, errors: Floats, standards: NDArray[np.generic]) -> Part:
    squares, counts = per_standard(errors, standards)
    known = errors[np.isfinite(errors)]
    if known.size == 0:
        nan = float("nan")
        return Part(name, nan, nan, nan, nan, 0, 0)
    low, high = rmse_interval(squares, counts, samples=500)
    return Part(
        name, rmse(known, 0.0), low, high, float(known.mean()), squares.size, known.size
    )  # fmt: skip


def by_group(errors: Floats, standards: NDArray[np.generic], groups: ArrayLike) -> list[Part]:
    """Break the error down by a label of each spectrum, such as its distance or session.

    Parameters
    ----------
    errors : ndarray of shape (n,)
        Predicted minus certified; NaN where not known.
    standards : ndarray of shape (n,)
    groups : array_like of shape (n,)
        Spectra with NaN are left out.

    Returns
    -------
    list of Part
        In the order of the labels.
    """
    array = np.asarray(groups)
    labels = [g for g in np.unique(array) if array.dtype.kind in "US" or np.isfinite(g)]
    return [
        _part(str(g) if array.dtype.kind in "US" else f"{g:g}", errors[array == g],
              standards[array == g])
        for g in labels
    ]  # fmt: skip


def by_range(
    errors: Floats, certified: Floats, standards: NDArray[np.generic], parts: int = 3
) -> list[Part]:
    """Break the error down by composition, equally many standards in each part.

    Parameters
    ----------
    errors, certified : ndarray of shape (n,)
    standards : ndarray of shape (n,)
    parts : int, default 3

    Returns
    -------
    list of Part
        Named by the ends of their range, in the analyte's unit; lower end included.
    """
    known = np.isfinite(certified)
    if not known.any():
        return []
    _, first = np.unique(standards[known], return_index=True)
    edges = np.unique(np.quantile(certified[known][first], np.linspace(0, 1, parts + 1)))
    place = np.clip(np.searchsorted(edges, certified, side="right") - 1, 0, max(len(edges) - 2, 0))
    out = []
    for k in range(max(len(edges) - 1, 1)):
        inside = known & (place == k)
        name = f"{edges[k]:.3g} to {edges[min(k + 1, len(edges) - 1)]:.3g}"
        out.append(_part(name, errors[inside], standards[inside]))
    return out


def repeatability(
    predicted: Floats, standards: NDArray[np.generic], distances: ArrayLike | None = None
) -> float:
    """Pooled standard deviation of predictions of one standard, spot by spot.

    ISO 5725-2:2019: variances within a cell (here one standard at one distance) are pooled by
    their degrees of freedom.

    Parameters
    ----------
    predicted : ndarray of shape (n,)
        Finite.
    standards : ndarray of shape (n,)
    distances : array_like of shape (n,), optional
        Metres; without it distances count as repetitions.

    Returns
    -------
    float
        In the analyte's unit; NaN where no cell has two spectra.
    """
    cells = standards.astype(str)
    if distances is not None:
        cells = np.char.add(cells, [f"\0{d}" for d in np.asarray(distances)])
    _, member = np.unique(cells, return_inverse=True)
    counts = np.bincount(member)
    means = np.bincount(member, weights=predicted) / counts
    freedom = int((counts - 1).sum())
    if freedom == 0:
        return float("nan")
    return float(np.sqrt(((predicted - means[member]) ** 2).sum() / freedom))


class ReferenceShare(NamedTuple):
    """How much of an RMSEP is the certified values' own uncertainty.

    Attributes
    ----------
    uncertainty : float
        Root mean square standard uncertainty (k = 1), the analyte's unit.
    share : float
        Of the mean square error, between 0 and 1.
    corrected : float
        RMSEP without it: √(RMSEP² − mean u²), or 0 (Faber & Kowalski 1997, Appl. Spectrosc.
        51:660, doi 10.1366/0003702971941061).
    n_spectra : int
        Spectra of standards whose uncertainty is given; the others do not count.
    """

    uncertainty: float
    share: float
    corrected: float
    n_spectra: int


def reference_share(errors: Floats, uncertainty: Floats) -> ReferenceShare:
    """Say how much of an RMSEP is the certified values' own uncertainty.

    Parameters
    ----------
    errors, uncertainty : ndarray of shape (n,)
        Predicted minus certified; standard uncertainty of the certified value; NaN where unknown.

    Returns
    -------
    ReferenceShare
        NaN where no uncertainty is given.
    """
    known = np.isfinite(errors) & np.isfinite(uncertainty)
    if not known.any():
        nan = float("nan")
        return ReferenceShare(nan, nan, nan, 0)
    total = float(np.mean(errors[known] ** 2))
    own = float(np.mean(uncertainty[known] ** 2))
    share = min(own / total, 1.0) if total > 0 else 1.0
    left = float(np.sqrt(max(total - own, 0.0)))
    return ReferenceShare(float(np.sqrt(own)), share, left, int(known.sum()))


def totals(predicted: Floats, certified: Floats) -> dict[str, Any]:
    """Sum the oxides of each spectrum: a total far from the certified one betrays a bad model.

    Parameters
    ----------
    predicted, certified : ndarray of shape (n, oxides)
        In wt%; spectra of standards with an oxide not certified are left out of the comparison.

    Returns
    -------
    dict
        ``mean``, ``standard_deviation``, ``low``, ``high`` (5th and 95th percentile) of the
        predicted totals, and ``rmse`` against the certified ones, all wt%; ``n_spectra``.
        Empty without a spectrum.
    """
    if len(predicted) == 0:
        return {}
    found = predicted.sum(axis=1)
    low, high = np.quantile(found, [0.05, 0.95]).tolist()
    return {
        "mean": float(found.mean()),
        "standard_deviation": float(found.std(ddof=1)) if found.size > 1 else float("nan"),
        "low": low,
        "high": high,
        "rmse": rmse(found, certified.sum(axis=1)),
        "n_spectra": int(found.size),
    }

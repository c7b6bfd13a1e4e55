"""Error bars that depend on what was predicted, from out-of-fold predictions (numpy only).

The local error is a table: at each knot the root mean square of the out-of-fold errors around it,
weighted by a tricube (Cleveland 1979, J. Am. Stat. Assoc. 74:829, doi
10.1080/01621459.1979.10481038) whose half width grows until it holds `MIN_WINDOW` spectra of
`MIN_STANDARDS` standards. An interval is the prediction plus and minus a multiple of the local
error, the multiple being the conformal quantile of |error| / local error (normalised score: Lei et
al. 2018, J. Am. Stat. Assoc. 113:1094, doi 10.1080/01621459.2017.1307116; from out-of-fold
residuals as in Barber et al. 2021, Ann. Stat. 49:486, doi 10.1214/20-AOS1965). Standards, not
spectra, are the pieces of evidence: each of m standards weighs 1/(m + 1), shared among its spectra
(hierarchical conformal prediction: Lee, Barber & Willett 2023, arXiv 2306.06342). An error does not
count in the local error by which it is divided: that would make large ones look usual.

Where Hotelling T² and Q of a spectrum, each over its limit, add up to more than one, the local
error is multiplied by the root of that sum (T² and Q of training spectra are out of fold as well).
Conformal intervals may be normalised by any measure of difficulty (Papadopoulos, Vovk & Gammerman
2011, J. Artif. Intell. Res. 40:815, doi 10.1613/jair.3198); this one is ours. Among subsets of one
training library, 98 standards each against its others, 90 % intervals without it held 77 % of the
flagged spectra, with it 91 %.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from calib.errors import DataError

Floats = NDArray[np.floating]

MIN_WINDOW = 30
"""Out-of-fold spectra in the narrowest window (Kish's effective number under the weights)."""

MIN_STANDARDS = 10
"""Standards in the narrowest window, likewise: 30 spectra of 4 standards are 4 pieces of
evidence. Common practice, no source."""

KNOTS = 50

_GROWTH = 1.2


@dataclass(frozen=True)
class LocalError:
    """Error as a function of the prediction, and the scores that make intervals of any level.

    Attributes
    ----------
    predicted : ndarray of shape (knots,)
        Increasing, in the analyte's unit.
    error : ndarray of shape (knots,)
        Local RMSEP at each, in the analyte's unit: the standard uncertainty of a prediction.
    score : ndarray of shape (scores,)
        |error| / local error of the out-of-fold predictions, increasing.
    weight : ndarray of shape (scores,)
        Weight of this score and all below; the rest, up to 1, stands at infinity.
    widening : ndarray of shape (1,)
        Factor of how unusual a spectrum is; zero, that of the oldest models: it does not count.
    """

    predicted: Floats
    error: Floats
    score: Floats
    weight: Floats
    widening: Floats = field(default_factory=lambda: np.zeros(1))

    def at(self, value: Floats, unusual: Floats | None = None) -> Floats:
        """Return the local error of predictions.

        Parameters
        ----------
        value : ndarray of shape (n,)
            Predictions, the analyte's unit.
        unusual : ndarray of shape (n,), optional
            Of their spectra, as `calib.validate.domain.unusual` gives it; default: usual ones.

        Returns
        -------
        ndarray of shape (n,)
            The analyte's unit.
        """
        usual = local_error_at(value, self.predicted, self.error)
        return usual if unusual is None else usual * widened(self.widening[0] * unusual)

    def multiple(self, level: float) -> float:
        """Return the half width of an interval over the local error."""
        return interval_multiple(self.score, self.weight, level)


def local_error_at(value: Floats, predicted: Floats, error: Floats) -> Floats:
    """Interpolate a table of local errors; beyond its ends the error of the end holds.

    Parameters
    ----------
    value : ndarray of shape (n,)
        Predictions, the analyte's unit.
    predicted, error : ndarray of shape (knots,)

    Returns
    -------
    ndarray of shape (n,)
    """
    out: Floats = np.interp(value, predicted, error)
    return out


def widened(unusual: Floats) -> Floats:
    """Return by how much the error of a spectrum so unusual exceeds that of a usual one."""
    out: Floats = np.sqrt(np.maximum(unusual, 1.0))
    return out


def interval_multiple(score: Floats, weight: Floats, level: float) -> float:
    """Return the smallest score that holds `level` of the weight.

    Parameters
    ----------
    score, weight : ndarray of shape (scores,)
        As in `LocalError`.
    level : float
        Between 0 and 1.

    Returns
    -------
    float
        Infinite where there are too few standards for the level.

    Raises
    ------
    DataError
        If `level` is not between 0 and 1.
    """
    if not 0 < level < 1:
        raise DataError(f"level is {level}, need a number between 0 and 1")
    at = int(np.searchsorted(weight, level - 1e-12))
    return float(score[at]) if at < score.size else float("inf")


def local_error(
    predicted: Floats,
    certified: Floats,
    standards: NDArray[np.generic],
    unusual: Floats | None = None,
) -> LocalError:
    """Tabulate the local error and the scores of the intervals.

    Parameters
    ----------
    predicted : ndarray of shape (repeats, n) or (n,)
        Out-of-fold predictions; repeats of one spectrum count as one spectrum.
    certified : ndarray of shape (n,)
        Pairs with a NaN are left out.
    standards : ndarray of shape (n,)
    unusual : ndarray of shape (n,), optional
        Of the spectra, out of fold; error bars widen with it.

    Returns
    -------
    LocalError

    Raises
    ------
    DataError
        If no pair is known.
    """
    every = np.atleast_2d(predicted)
    known = np.isfinite(certified) & np.isfinite(every).all(axis=0)
    if not known.any():
        raise DataError("error bars: found no out-of-fold prediction of a certified value, need 1")
    every = every[:, known]
    far = np.zeros(known.size) if unusual is None else unusual
    errors = (every - certified[known]) / widened(far[known])
    _, member = np.unique(standards[known], return_inverse=True)
    middle, squares = every.mean(axis=0), np.mean(errors**2, axis=0)
    knots = np.unique(np.quantile(middle, np.linspace(0, 1, min(KNOTS, middle.size))))
    indicator = (member[:, None] == np.arange(member.max() + 1)).astype(float)
    weights = _windows(knots, middle, indicator)
    total, square = weights.sum(axis=1), weights @ squares
    floor = np.finfo(float).tiny
    error = np.sqrt(np.maximum(square / total, floor))
    own = weights @ (indicator * squares[:, None])  # (knots, standards)
    left = np.maximum(total[:, None] - weights @ indicator, 0.0)
    others = np.where(left > 1e-9 * total[:, None], square[:, None] - own, square[:, None])
    left = np.where(left > 1e-9 * total[:, None], left, total[:, None])
    without = np.sqrt(np.maximum(others / left, floor))
    scores = np.empty_like(every)
    for s in range(indicator.shape[1]):
        mine = member == s
        scores[:, mine] = np.abs(errors[:, mine]) / np.interp(every[:, mine], knots, without[:, s])
    spectra = np.bincount(member)
    share = 1.0 / ((spectra.size + 1) * spectra[member] * len(every))
    flat = scores.ravel()
    order = np.argsort(flat, kind="stable")
    below = np.cumsum(np.tile(share, len(every))[order])
    return LocalError(knots, error, flat[order], below, np.full(1, float(unusual is not None)))


def _windows(knots: Floats, middle: Floats, indicator: Floats) -> Floats:
    """Return tricube weights (knots, n), each window wide enough."""
    n, standards = indicator.shape
    distance = np.abs(middle - knots[:, None])
    ordered = np.sort(distance, axis=1)
    out = np.empty_like(distance)
    todo, size = np.arange(len(knots)), float(min(MIN_WINDOW, n))
    need = min(MIN_WINDOW, n), min(MIN_STANDARDS, standards)
    least = max(1e-9 * float(np.ptp(middle)), 1e-12)  # predictions may be tied, at zero above all
    while True:
        half = np.maximum(ordered[todo, min(int(size), n) - 1] * (1 + 1e-9), least)
        if size >= n:
            half = half * np.sqrt(size / n)
        weight = (1 - np.minimum(distance[todo] / half[:, None], 1.0) ** 3) ** 3
        # rows at the very edge of the window weigh nothing
        enough = (_effective(weight) >= 0.9 * need[0]) & (
            _effective(weight @ indicator) >= 0.9 * need[1]
        )
        last = size > 16 * n
        done = enough | last
        out[todo[done]] = weight[done]
        todo = todo[~done]
        if todo.size == 0:
            return out
        size *= _GROWTH


def _effective(weight: Floats) -> Floats:
    """Return Kish's effective number of the weights in each row."""
    total = weight.sum(axis=1)
    out: Floats = total**2 / np.maximum((weight**2).sum(axis=1), np.finfo(float).tiny)
    return out


def cv_plus(
    fold_predictions: Floats,
    folds: NDArray[np.intp],
    residuals: Floats,
    standards: NDArray[np.generic],
    *,
    level: float = 0.90,
    scale: Floats | None = None,
    residual_scale: Floats | None = None,
) -> tuple[Floats, Floats]:
    """Intervals from the models of the folds: CV+, or jackknife+ with one standard a fold.

    Barber et al. 2021 (doi 10.1214/20-AOS1965), section 3, with weights by standard as in
    `local_error`. It holds at least 1 − 2 (1 − level) whatever the model does; where the models of
    the folds agree it gives what the interval about the final model gives. The runtime takes the
    latter, as not every family can be frozen once a fold.

    Parameters
    ----------
    fold_predictions : ndarray of shape (folds, rows)
        Predictions of the new rows by the model of each fold.
    folds : ndarray of int, shape (n,)
        Fold of each training row.
    residuals : ndarray of shape (n,)
        Its out-of-fold error; the sign does not matter.
    standards : ndarray of shape (n,)
    level : float, default 0.90
    scale, residual_scale : ndarray of shape (rows,) and (n,), optional
        Local errors of the new and the training rows; default all 1.

    Returns
    -------
    low, high : ndarray of shape (rows,)
    """
    rows = fold_predictions.shape[1]
    new = np.ones(rows) if scale is None else scale
    old = np.ones(residuals.size) if residual_scale is None else residual_scale
    _, member = np.unique(standards, return_inverse=True)
    spectra = np.bincount(member)
    share = 1.0 / ((spectra.size + 1) * spectra[member])
    width = np.abs(residuals) / old
    low, high = np.empty(rows), np.empty(rows)
    for r in range(rows):
        centre = fold_predictions[folds, r]
        low[r] = -_weighted_quantile(-(centre - new[r] * width), share, level)
        high[r] = _weighted_quantile(centre + new[r] * width, share, level)
    return low, high


def _weighted_quantile(values: Floats, share: Floats, level: float) -> float:
    """Return the smallest value that holds `level` of the weight, infinite if none does."""
    order = np.argsort(values, kind="stable")
    return interval_multiple(values[order], np.cumsum(share[order]), level)

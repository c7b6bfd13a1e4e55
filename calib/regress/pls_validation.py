"""Cross-validated PLS1 predictions of every component count, without refitting."""

from __future__ import annotations

import functools
import operator
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import array_api_compat
import numpy as np
from numpy.typing import ArrayLike, NDArray

from calib.errors import DataError
from calib.regress import pls_core, pls_gram, pls_threads

Array = Any
Floats = NDArray[np.float64]

# Scores are kept for as many columns at a time as fit in this many bytes.
_WORKING_SET = 64_000_000

# Values of X or its Gram matrix from which work on them is worth threads.
_WORTH_THREADS = 40_000


@dataclass(frozen=True)
class Responses:
    """Certified values, folds and weights on the host, checked and coded.

    Attributes
    ----------
    value : array (n, m)
        Certified values, 0 where there is none.
    certified : bool array (n, m)
        Where there is a value and the row's weight is above 0.
    fold : int array (n,)
        Codes 0 … n_folds − 1.
    weight : array (n,)
        Row weights.
    n_folds : int
        Number of folds.
    """

    value: Floats
    certified: NDArray[np.bool_]
    fold: NDArray[np.intp]
    weight: Floats
    n_folds: int

    @property
    def m(self) -> int:
        """Number of analytes."""
        return int(self.value.shape[1])

    def training(self, fold: int, analyte: int) -> Floats:
        """Return the weights of the rows that train one analyte for one fold."""
        weight: Floats = self.weight * self.certified[:, analyte] * (self.fold != fold)
        return weight

    def patterns(self) -> Iterator[tuple[NDArray[np.bool_], list[int]]]:
        """Yield each distinct set of certified rows with the analytes that have it."""
        groups: dict[bytes, list[int]] = {}
        for analyte in range(self.m):
            groups.setdefault(self.certified[:, analyte].tobytes(), []).append(analyte)
        for analytes in groups.values():
            yield self.certified[:, analytes[0]], analytes


def to_host(array: Any) -> NDArray[Any]:
    """Return a numpy view or copy of any array or sequence."""
    if array_api_compat.is_torch_array(array) or array_api_compat.is_cupy_array(array):
        array = array_api_compat.to_device(array, "cpu")
    return np.asarray(array)


def check_responses(
    n: int, Y: Any, folds: Any, sample_weight: Any = None, *, y_name: str = "Y"
) -> Responses:
    """Check certified values, folds and weights of n rows against each other.

    Raises
    ------
    DataError
        For a length that differs, infinite values, fewer than two folds, a weight that
        is negative or not finite, or a fold that holds every certified row of an analyte.
    """
    value = np.array(to_host(Y), dtype=np.float64)
    value = value[:, None] if value.ndim == 1 else value
    if value.ndim != 2 or value.shape[0] != n:
        raise DataError(f"{y_name}: shape {value.shape}, needs {n} rows as X has")
    if np.isinf(value).any():
        row, analyte = np.argwhere(np.isinf(value))[0]
        raise DataError(
            f"{y_name}: row {row}, column {analyte} is infinite; needs a number, or NaN where "
            "not certified"
        )
    labels = to_host(folds)
    if labels.shape != (n,):
        raise DataError(f"folds: shape {labels.shape}, needs one label for each of {n} rows")
    names, code = np.unique(labels, return_inverse=True)
    if len(names) < 2:
        raise DataError(f"folds: one label only ({names.tolist()}), needs at least 2")
    weight = check_weight(n, sample_weight)
    certified = ~np.isnan(value) & (weight > 0)[:, None]
    inside = _certified_rows(code, certified)
    everything = inside == certified.sum(axis=0)
    if everything.any():
        fold, analyte = np.argwhere(everything)[0]
        raise DataError(
            f"folds: fold {names[fold]} holds every certified row of column {analyte} of "
            f"{y_name} ({inside[fold, analyte]} rows); needs certified rows in other folds too"
        )
    np.nan_to_num(value, copy=False)
    return Responses(value, certified, code, weight, len(names))


def _certified_rows(fold: NDArray[np.intp], certified: NDArray[np.bool_]) -> NDArray[np.intp]:
    """Return the number of certified rows (folds, analytes)."""
    folds = int(fold.max()) + 1
    counts = [np.bincount(fold[column], minlength=folds) for column in certified.T]
    return np.stack(counts, axis=1)


def check_weight(n: int, sample_weight: Any) -> Floats:
    """Return n row weights, all 1 for None, or raise DataError."""
    if sample_weight is None:
        return np.ones(n)
    weight = np.array(to_host(sample_weight), dtype=np.float64)
    if weight.shape != (n,):
        raise DataError(f"sample_weight: shape {weight.shape}, needs ({n},) as X has {n} rows")
    bad = ~np.isfinite(weight) | (weight < 0)
    if bad.any():
        row = int(np.argmax(bad))
        raise DataError(f"sample_weight: row {row} is {weight[row]}, needs a finite number ≥ 0")
    if not weight.any():
        raise DataError(f"sample_weight: all {n} are zero, needs at least one above 0")
    return weight


def check_spectra(X: Any) -> Array:
    """Return X as a two-dimensional floating array of its own namespace."""
    if not array_api_compat.is_array_api_obj(X):
        X = np.asarray(X, dtype=np.float64)
    xp = array_api_compat.array_namespace(X)
    if X.ndim != 2:
        raise DataError(f"X: {X.ndim} dimension(s), needs 2 (spectra, channels)")
    if not xp.isdtype(X.dtype, "real floating"):
        X = xp.astype(X, xp.float64)
    return X


def check_finite(X: Array, diagonal: Array) -> None:
    """Raise DataError that names a place in X if a product's diagonal is not finite."""
    xp = array_api_compat.array_namespace(diagonal)
    if bool(xp.all(xp.isfinite(diagonal))):
        return
    bad = np.argwhere(~np.isfinite(to_host(X)))
    if len(bad):
        row, channel = (int(i) for i in bad[0])
        found = float(X[row, channel])
        raise DataError(f"X: row {row}, channel {channel} is {found}, needs a finite number")
    raise DataError("X: values too large to square in double precision; rescale the spectra")


def check_components(name: str, n_components: int, responses: Responses, p: int) -> int:
    """Return the component count if every training set can carry it."""
    if isinstance(n_components, bool) or not isinstance(n_components, (int, np.integer)):
        raise DataError(f"{name}: {n_components!r}, needs a whole number")
    inside = _certified_rows(responses.fold, responses.certified)
    rows = responses.certified.sum(axis=0) - inside
    fold, analyte = np.unravel_index(int(np.argmin(rows)), rows.shape)
    most = min(p, int(rows[fold, analyte]) - 1)
    if not 1 <= n_components <= most:
        raise DataError(
            f"{name}: {n_components}, needs 1 to {most}: X has {p} channels and the smallest "
            f"training set (column {analyte} of Y) has {rows[fold, analyte]} rows"
        )
    return int(n_components)


def cross_validated_mean(
    Y: ArrayLike, folds: ArrayLike, *, sample_weight: ArrayLike | None = None
) -> Floats:
    """Return the prediction of a model without components: the training rows' mean.

    Parameters
    ----------
    Y : array-like (n,) or (n, m)
        Certified values in the analyte's unit (wt% for oxides); NaN where not certified.
    folds : array-like (n,)
        Fold label of each row.
    sample_weight : array-like (n,), optional
        Row weights; default all 1.

    Returns
    -------
    array (n, m)
        For every row, the mean of the certified rows outside its fold.

    Raises
    ------
    DataError
        As `cross_validate`.

    Examples
    --------
    >>> cross_validated_mean([1.0, 2.0, 6.0], [0, 1, 1]).ravel()
    array([4., 1., 1.])
    """
    n = len(to_host(Y))
    responses = check_responses(n, Y, folds, sample_weight)
    out = np.empty_like(responses.value)
    for fold in range(responses.n_folds):
        weight = (responses.weight * (responses.fold != fold))[:, None] * responses.certified
        mean = (weight * responses.value).sum(axis=0) / weight.sum(axis=0)
        out[responses.fold == fold] = mean
    return out


def cross_validate(
    X: Array,
    Y: Any,
    folds: Any,
    max_components: int,
    scale: bool = False,
    *,
    sample_weight: Any = None,
    gram: Array | None = None,
) -> Array:
    """Predict every row from PLS1 models of the other folds, for all component counts.

    Parameters
    ----------
    X : array (n, p)
        Spectra; numpy or any array-API array.  float32 is widened by blocks only.
    Y : array-like (n,) or (n, m)
        Certified values in each analyte's unit; NaN where not certified.
    folds : array-like (n,)
        Fold label of each row.  All spectra of a standard must carry one label.
    max_components : int
        Largest number of components.
    scale : bool, default False
        Divide each channel by its standard deviation over each training set.
    sample_weight : array-like (n,), optional
        Row weights; a row of weight 0 trains nothing but is still predicted.
    gram : array (n, n), optional
        `gram_matrix(X)`, if at hand; used where p ≥ n and ``scale`` is False.

    Returns
    -------
    array (max_components, n, m)
        Entry (a − 1, i, j) predicts row i from the model with a components trained on
        the certified rows of analyte j outside row i's fold.  Never NaN: a row that is
        not certified is predicted all the same.  Namespace and device of X, float64.

    Raises
    ------
    DataError
        (A ValueError.)  NaN in X, lengths that differ, fewer than two folds, a fold that
        holds every certified row of an analyte, or more components than the smallest
        training set can carry.

    Notes
    -----
    One Gram matrix serves all folds where p ≥ n; where n > p it is XᵀX less the rows
    held out.  Both give the numbers of a refit to 1e-8 of an analyte's spread while the
    singular values of X that the components reach span no more than six decades; beyond,
    squaring X costs digits that only a refit by deflation keeps.  A column whose X runs
    out of rank keeps the prediction of its last component.

    Beside X it holds the Gram matrix (one a thread while it is made) and scores of at
    most 64 MB, or where n > p one fold's rows a thread and as many p × p matrices as fit in X.
    numpy arrays are worked on in as many threads as BLAS may use.

    Examples
    --------
    >>> import numpy as np
    >>> X = np.random.default_rng(0).normal(size=(12, 40))
    >>> cross_validate(X, X[:, 0], np.arange(12) % 4, 3).shape
    (3, 12, 1)
    """
    X = check_spectra(X)
    xp = array_api_compat.array_namespace(X)
    n, p = X.shape
    responses = check_responses(n, Y, folds, sample_weight)
    max_components = check_components("max_components", max_components, responses, p)
    if gram is not None and (scale or tuple(gram.shape) != (n, n)):
        raise DataError(
            f"gram: shape {tuple(gram.shape)} with scale={scale}; needs ({n}, {n}) and "
            "scale=False, as scaled folds have no Gram matrix in common"
        )
    out = xp.empty(
        (max_components, n, responses.m),
        dtype=xp.float64,
        device=array_api_compat.device(X),
    )
    with np.errstate(invalid="ignore", over="ignore"):  # found in the product, and said
        if p < n and gram is None:
            _tall(X, responses, bool(scale), out)
        elif scale:
            _wide_scaled(X, responses, out)
        else:
            gram = pls_gram.gram_matrix(X) if gram is None else gram
            check_finite(X, xp.linalg.diagonal(gram))
            _wide(gram, responses, out)
    order = np.argsort(responses.fold, kind="stable")
    back = np.empty_like(order)
    back[order] = np.arange(n)
    return xp.take(out, _like(back, X), axis=1)


def _like(values: NDArray[Any], model: Array) -> Array:
    """Return host values as an array of ``model``'s namespace and device."""
    xp = array_api_compat.array_namespace(model)
    return xp.asarray(values, device=array_api_compat.device(model))


def _rows_of(responses: Responses) -> list[tuple[NDArray[np.intp], slice]]:
    """Return, per fold, its rows and their place in the output sorted by fold."""
    order = np.argsort(responses.fold, kind="stable")
    ends = np.cumsum(np.bincount(responses.fold, minlength=responses.n_folds))
    starts = np.concatenate([[0], ends[:-1]])
    return [(order[a:b], slice(int(a), int(b))) for a, b in zip(starts, ends, strict=True)]


def _parallel(X: Array) -> bool:
    """Return whether blocks of work on this array are worth threads."""
    return array_api_compat.is_numpy_array(X) and X.shape[0] * X.shape[1] >= _WORTH_THREADS


def _wide(gram: Array, responses: Responses, out: Array) -> None:
    """Fill ``out`` (rows sorted by fold) from the Gram matrix of unscaled X."""
    n, components = gram.shape[0], out.shape[0]
    parallel = _parallel(gram)
    side_by_side = pls_threads.workers() if parallel else 1
    columns = max(1, _WORKING_SET // (8 * n * (components + 1) * side_by_side))
    analytes = _shares(responses.m, columns, 1)
    folds = _shares(responses.n_folds, columns // len(analytes[0]), side_by_side)

    def work(block: tuple[range, range]) -> None:
        _wide_block(gram, responses, *block, out)

    pls_threads.each(work, [(f, a) for a in analytes for f in folds], parallel=parallel)


def _shares(length: int, largest: int, multiple: int) -> list[range]:
    """Cut range(length) evenly into parts of at most ``largest``, a multiple in number."""
    parts = -(-length // max(1, largest))
    parts = min(length, -(-parts // multiple) * multiple)
    ends = [length * i // parts for i in range(parts + 1)]
    return [range(a, b) for a, b in pairwise(ends)]


def _wide_scaled(X: Array, responses: Responses, out: Array) -> None:
    """Fill ``out`` with a Gram matrix for each training set's own channel scale."""
    xp = array_api_compat.array_namespace(X)

    def work(block: tuple[int, list[int]]) -> None:
        fold, analytes = block
        weight = _like(responses.training(fold, analytes[0]), X)
        gram = pls_gram.scaled_gram_matrix(X, weight)
        check_finite(X, xp.linalg.diagonal(gram))
        _wide_block(gram, responses, range(fold, fold + 1), analytes, out)

    patterns = [analytes for _, analytes in responses.patterns()]
    blocks = [(fold, analytes) for fold in range(responses.n_folds) for analytes in patterns]
    pls_threads.each(work, blocks, parallel=_parallel(X))


def _wide_block(
    gram: Array, responses: Responses, folds: range, analytes: range | list[int], out: Array
) -> None:
    """Fill the part of ``out`` that belongs to some folds and analytes."""
    xp = array_api_compat.array_namespace(gram)
    own_analytes = list(analytes)
    outside = responses.fold != np.arange(folds.start, folds.stop)[:, None]
    trains = responses.certified[:, own_analytes].T * (responses.weight / responses.weight.max())
    weight = np.reshape(outside[:, None, :] * trains, (-1, len(responses.fold)))
    value = np.tile(responses.value[:, own_analytes].T, (len(folds), 1))
    mean = np.vecdot(weight, value)[:, None] / weight.sum(axis=1, keepdims=True)
    part = pls_core.gram_components(
        gram, _like(value - mean, gram), _like(weight, gram), out.shape[0]
    )
    rows = _rows_of(responses)
    means = _like(mean, gram)
    for k, fold in enumerate(folds):
        index, place = rows[fold]
        own = slice(k * len(analytes), (k + 1) * len(analytes))
        score = xp.take(part.basis[own, 1:, :], _like(index, gram), axis=2)
        path = xp.cumulative_sum(score * part.response[own, :, None], axis=1)
        path = xp.permute_dims(path + means[own, :, None], (1, 2, 0))
        for i, analyte in enumerate(analytes):
            out[:, place, analyte] = path[:, :, i]


@dataclass
class _Sums:
    """Weighted sums over some training rows that a primal PLS1 needs."""

    cross: Array  # (p, p) Xᵀ X
    covariance: Array  # (p, m) Xᵀ Y
    x: Array  # (p,)
    y: Array  # (m,)
    square: Array  # (m,) Σ y²
    weight: float
    rows: int

    def __add__(self, other: _Sums) -> _Sums:
        return self._with(other, 1.0)

    def __sub__(self, other: _Sums) -> _Sums:
        return self._with(other, -1.0)

    def _with(self, other: _Sums, sign: float) -> _Sums:
        return _Sums(
            self.cross + sign * other.cross,
            self.covariance + sign * other.covariance,
            self.x + sign * other.x,
            self.y + sign * other.y,
            self.square + sign * other.square,
            self.weight + sign * other.weight,
            self.rows + int(sign) * other.rows,
        )


def _tall(X: Array, responses: Responses, scale: bool, out: Array) -> None:
    """Fill ``out`` from XᵀX less the rows held out, one training set at a time."""
    xp = array_api_compat.array_namespace(X)
    n, p = X.shape
    middle = _like(responses.weight / responses.weight.sum(), X)
    shift = xp.concat([middle @ pls_gram.widened(X[:, b]) for b in pls_gram.blocks(0, p)])
    rows = _rows_of(responses)
    keep = responses.n_folds * p <= n  # the folds' p × p matrices take no more than X

    def held_out(fold: int) -> Array:
        return pls_gram.widened(xp.take(X, _like(rows[fold][0], X), axis=0)) - shift

    for certified, analytes in responses.patterns():
        weight = responses.weight * certified
        value = responses.value[:, analytes]
        value_mean = (weight @ value) / weight.sum()
        table = _FoldSums(value - value_mean, weight, rows, held_out)
        total = table.total(keep, _parallel(X))
        check_finite(X, xp.linalg.diagonal(total.cross))

        def predict(fold: int, table: _FoldSums = table, total: _Sums = total) -> None:
            Z = held_out(fold)
            own = table.of(fold, Z)
            path = _tall_fold(total - own, Z, scale, out.shape[0])
            path = path + _like(value_mean, X)  # noqa: B023  (used within the iteration)
            for i, analyte in enumerate(analytes):  # noqa: B023
                out[:, rows[fold][1], analyte] = path[:, :, i]

        pls_threads.each(predict, range(responses.n_folds), parallel=_parallel(X))


class _FoldSums:
    """Sums over each fold's rows, kept where they fit in memory, else made again."""

    def __init__(
        self,
        value: Floats,
        weight: Floats,
        rows: list[tuple[NDArray[np.intp], slice]],
        held_out: Callable[[int], Array],
    ) -> None:
        self._value, self._weight, self._rows = value, weight, rows
        self._held_out = held_out
        self._kept: dict[int, _Sums] = {}

    def total(self, keep: bool, parallel: bool) -> _Sums:
        """Return the sums over all rows, and keep those of each fold if asked."""
        if not keep:
            parts = (self.of(fold, self._held_out(fold)) for fold in range(len(self._rows)))
            return functools.reduce(operator.add, parts)

        def work(fold: int) -> None:
            self._kept[fold] = self.of(fold, self._held_out(fold))

        pls_threads.each(work, range(len(self._rows)), parallel=parallel)
        return functools.reduce(operator.add, (self._kept[k] for k in range(len(self._rows))))

    def of(self, fold: int, Z: Array) -> _Sums:
        """Return the sums over one fold's rows Z."""
        if fold in self._kept:
            return self._kept[fold]
        index = self._rows[fold][0]
        return _sums(Z, self._value[index], self._weight[index])


def _sums(Z: Array, value: Floats, weight: Floats) -> _Sums:
    """Return the weighted sums of some rows."""
    xp = array_api_compat.array_namespace(Z)
    own = _like(weight, Z)
    y = _like(value, Z)
    root = Z if bool((weight == 1).all()) else Z * xp.sqrt(own)[:, None]
    weighted = own[:, None] * y
    transposed = xp.matrix_transpose(root)
    return _Sums(
        transposed @ root,
        xp.matrix_transpose(Z) @ weighted,
        own @ Z,
        xp.sum(weighted, axis=0),
        xp.sum(weighted * y, axis=0),
        float(weight.sum()),
        int((weight > 0).sum()),
    )


def _tall_fold(training: _Sums, Z: Array, scale: bool, components: int) -> Array:
    """Return predictions (components, rows of Z, m) of one training set's models."""
    xp = array_api_compat.array_namespace(Z)
    mean = training.x / training.weight
    y_mean = training.y / training.weight
    cross = training.cross - training.weight * mean[:, None] * mean[None, :]
    covariance = xp.matrix_transpose(training.covariance) - y_mean[:, None] * training.x
    square = training.square - training.weight * y_mean * y_mean
    factor = xp.ones_like(mean)
    if scale:
        variance = xp.linalg.diagonal(cross) / training.weight
        eps = xp.finfo(xp.float64).eps
        noise = pls_core.ROUNDINGS * eps * xp.linalg.diagonal(training.cross) / training.weight
        varies = variance > noise
        factor = xp.where(varies, 1 / xp.sqrt(xp.where(varies, variance, factor)), factor * 0)
        cross = cross * factor[:, None] * factor[None, :]
        covariance = covariance * factor
    found = pls_core.cross_product_components(cross, covariance, square, components)
    m, p = covariance.shape
    rotation = xp.reshape(found.rotation, (m * components, p)) * factor
    score = Z @ xp.matrix_transpose(rotation) - rotation @ mean
    steps = xp.reshape(score, (-1, m, components)) * found.response
    path = xp.cumulative_sum(steps, axis=2) + y_mean[:, None]
    return xp.permute_dims(path, (2, 0, 1))

"""The training spectra in every way to preprocess that is to be tried.

A variant changes steps on spectra only, so bursts are reduced once for all. What variants share at
the beginning is computed once; what each ends with is kept on disk (`calib.experiment.cache`) and
mapped into memory by every worker.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache as cache_of
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calib.experiment.cache import Cache, digest, opened
from calib.experiment.plan import Plan
from calib.experiment.prepare import Report, Spectra, acquisition, first_to_last, reduce_bursts
from calib.experiment.workers import SERIAL, Engine
from calib.preprocess import Acquisition, Chain
from calib.preprocess.chain import branched
from calib.regress.pls import gram_matrix

Floats = NDArray[np.floating]


@dataclass(frozen=True, eq=False)
class Refit:
    """Preprocesses by a chain that learns from the rows that train alone.

    Attributes
    ----------
    rows : ndarray of shape (n, channels), or Path of one
        After the steps that see each row alone.
    rest : Chain
        From the first step that learns.
    wavelength : ndarray
        nm, as `rest` sees it.
    shot : Acquisition
    cache : Cache, optional
        Where to keep what came out, for the next trial.
    key : str
        Digest of all that the numbers depend on but the rows that train.
    """

    rows: Floats | Path
    rest: Chain
    wavelength: NDArray[np.float64]
    shot: Acquisition
    cache: Cache | None = None
    key: str = ""

    def __call__(self, training: NDArray[np.bool_]) -> Floats:
        """Return all rows as a chain makes them that learned from the rows of a mask, (n,)."""

        def make() -> Floats:
            rows = loaded(self.rows)
            mine, _ = self.rest.fit_spectra(
                rows[training], self.wavelength, self.shot.rows(training)
            )
            return mine.spectra(rows, self.wavelength, self.shot)

        if self.cache is None:
            return make()
        return opened(self.cache.array(digest(self.key, training.tobytes().hex()), make))


@dataclass(frozen=True, eq=False)
class Prepared:
    """Training spectra of one variant, in memory or on disk; plain data that workers can be sent.

    Attributes
    ----------
    name : str
    chain : Chain
        As it was fitted on all rows.
    spectra : ndarray of shape (n, channels), or Path of one
    gram : Path, optional
        Of the Gram matrix; None where it is of no use or to be made when asked for.
    refit : Refit, optional
        Where the chain learns.
    """

    name: str
    chain: Chain
    spectra: Floats | Path
    gram: Path | None = None
    refit: Refit | None = None


def loaded(array: Floats | Path) -> Floats:
    """Return an array that may be on disk."""
    return opened(array) if isinstance(array, Path) else array


def reduced(decided: Plan, cache: Cache | None, report: Report, engine: Engine = SERIAL) -> Spectra:
    """Run the steps on shots over the calibration bursts, or take what was kept of that."""
    make_all = partial(
        reduce_bursts, decided.library, decided.calibration, decided.chain, report,
        "calibration bursts", engine=engine,
    )  # fmt: skip
    if cache is None:
        return make_all()
    key = _key(decided, [s.settings() for s in decided.chain.steps if s.level == "shot"])
    rows = first_to_last(decided.calibration)
    made: list[Spectra] = []

    def make() -> Spectra:
        if not made:
            made.append(make_all())
        return made[0]

    counts = cache.array(key, lambda: make().counts)
    owner = cache.array(
        digest(key, "owner"), lambda: _floats(rows.get_indexer(make().bursts.index))
    )
    return Spectra(decided.calibration.loc[rows].iloc[opened(owner).astype(int)], opened(counts))


def _floats(numbers: NDArray[np.integer]) -> Floats:
    return numbers.astype(np.float64)


def prepare(
    decided: Plan, spectra: Spectra, cache: Cache | None, report: Report
) -> dict[str, Prepared]:
    """Preprocess the training spectra in every way that is to be tried.

    Parameters
    ----------
    decided : Plan
    spectra : Spectra
    cache : Cache, optional
        Where to keep them; None keeps them in memory.
    report : callable

    Returns
    -------
    dict of str to Prepared
    """
    axis, shot = decided.library.wavelength, acquisition(decided.library, spectra.bursts)
    split = {name: chain.split_learning() for name, chain in decided.variants.items()}
    shared = branched([fixed for fixed, _ in split.values()])[0]
    begin = cache_of(lambda: shared.spectra(spectra.counts, axis, shot))
    after = shared.after(axis, shot)
    out = {}
    for done, (name, (fixed, rest)) in enumerate(split.items(), start=1):
        own = Chain(fixed.steps[len(shared.steps) :])
        key = _key(decided, decided.variants[name].settings()) if cache else ""
        rows = _kept(cache, key, "rows", partial(_begun, own, begin, after))
        chain, X, refit = decided.variants[name], rows, None
        if rest.steps:
            refit = Refit(rows, rest, *own.after(*after), cache, key)
            fitted, made = rest.fit_spectra(loaded(rows), refit.wavelength, refit.shot)
            on_shots = tuple(step for step in chain.steps if step.level == "shot")
            chain = Chain(on_shots + fixed.steps + fitted.steps)
            X = _kept(cache, key, "spectra", partial(_same, made))
        out[name] = Prepared(name, chain, X, _gram(cache, key, X), refit)
        report("preprocessing", done, len(split))
    return out


def _begun(own: Chain, begin: Callable[[], Floats], after: Any) -> Floats:
    return own.spectra(begin(), *after)


def _same(made: Floats) -> Floats:
    return made


def _kept(cache: Cache | None, key: str, what: str, make: Callable[[], Floats]) -> Floats | Path:
    return make() if cache is None else cache.array(digest(key, what), make)


def _gram(cache: Cache | None, key: str, X: Floats | Path) -> Path | None:
    """Keep the Gram matrix of spectra that are wider than they are many."""
    rows, channels = loaded(X).shape
    if cache is None or channels < rows:
        return None
    return cache.array(digest(key, "gram"), lambda: np.asarray(gram_matrix(loaded(X))))


def _key(decided: Plan, steps: Sequence[Mapping[str, Any]]) -> str:
    """Name what the calibration bursts become after some steps."""
    return digest(decided.digest, decided.calibration.index.tolist(), list(steps))

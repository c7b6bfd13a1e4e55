"""A run and its library, as the bench wants them: points, spectra, neighbours, refits."""

from __future__ import annotations

import functools
import json
import threading
import time
from collections.abc import Collection, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from calib.errors import CalibError, DataError
from calib.experiment.prepare import Darks, acquisition, reduce_bursts
from calib.experiment.run import Run
from calib.library import Library, open_library
from calib.preprocess import Chain
from calib.regress.pls import cross_validate, gram_matrix
from calib.report.bench.subject import Neighbour, Refit, Shots
from calib.report.evidence import element_of
from calib.report.figures.regression import line_windows
from calib.validate.scores import rmse

Floats = NDArray[np.floating]

COMPONENTS = 10
"""Components of a refit where the run tried no PLS."""


class BenchRun:
    """A finished training to look at closely.

    Parameters
    ----------
    run : Run
    library : Path, optional
        Default: where the run says that its library lies. If it is not there, or not the one that
        the run was trained on, `problem` says so and there are tables but no spectra.
    """

    def __init__(self, run: Run, library: Path | None = None) -> None:
        self.run = run
        self.name = run.path.resolve().name
        self.analytes: Mapping[str, Mapping[str, Any]] = run.analytes
        self.problem = ""
        self._library: Library | None = None
        self._held: dict[int, tuple[Floats, Floats]] = {}
        self._lock = threading.Lock()
        self._table = functools.cache(run.table)
        self._folds = self._table("folds").drop_duplicates("burst").set_index("burst")
        self._domain = self._table("domain").drop_duplicates("burst").set_index("burst")
        try:
            self._library = self._open(library)
        except CalibError as error:
            self.problem = str(error)

    def _open(self, given: Path | None) -> Library:
        place = self.run.path / "library.txt"
        if given is None and not place.is_file():
            raise DataError(f"{place}: not found; give the library with --library")
        where = given or self.run.path / place.read_text(encoding="utf-8").strip()
        library = open_library(where)
        missing = set(self._folds.index) - set(library.bursts["burst"])
        if missing:
            raise DataError(f"{library.path / 'bursts.csv'}: found no burst {min(missing)!r}")
        self._rows = pd.Series(library.bursts.index, index=library.bursts["burst"])
        self._darks = Darks(library, self._chain(0))
        return library

    def _need(self) -> Library:
        if self._library is None:
            raise DataError(self.problem)
        return self._library

    def _branch(self, analyte: str) -> int:
        return int(self.run.model.manifest["analytes"][analyte]["branch"])

    def _chain(self, branch: int) -> Chain:
        model = self.run.model
        return Chain(model.stem.steps + model.branches[branch].steps)

    def prepare(self) -> None:
        """Read and preprocess the calibration spectra of every model, ahead of the first refit."""
        if self._library is not None:
            for branch in sorted({self._branch(name) for name in self.analytes}):
                self._training(branch)

    def _training(self, branch: int) -> tuple[Floats, Floats]:
        """Return the calibration spectra, in the order of the folds, and their Gram matrix."""
        library = self._need()
        with self._lock:
            if branch not in self._held:
                names = self._folds.index[self._folds["use"] == "calibration"]
                bursts = library.bursts.loc[self._rows[names]]
                chain = self._chain(branch)
                found = reduce_bursts(
                    library, bursts, chain, lambda *_: None, "spectra", whole=True
                )
                shot = acquisition(library, found.bursts)
                X = chain.spectra(found.counts, library.wavelength, shot)
                at = pd.Index(found.bursts["burst"]).get_indexer(names)
                self._held[branch] = X[at], np.asarray(gram_matrix(X[at]))
            return self._held[branch]

    def points(self, analyte: str) -> pd.DataFrame:
        """Return one row a certified spectrum, see `calib.report.bench.subject.Subject`."""
        tables = [self._table("out_of_fold").query("repeat == 1").assign(use="calibration")]
        if self.analytes[analyte]["n_held_out"]:
            tables.append(self._table("held_out").assign(use="held-out"))
        columns = {
            f"{analyte}_certified": "certified", analyte: "predicted", f"{analyte}_u": "u",
            f"{analyte}_low": "low", f"{analyte}_high": "high", f"{analyte}_flags": "flags",
        }  # fmt: skip
        kept = ["burst", "standard", "use", *columns]
        every = pd.concat([table[kept] for table in tables], ignore_index=True)
        every = every.rename(columns=columns).drop_duplicates("burst")
        every = every.join(self._folds[["distance_m", "acquired_at"]], on="burst")
        every = every.join(self._domain[["t2", "q"]], on="burst")
        return every[every["certified"].notna()].reset_index(drop=True)

    def limits(self) -> Mapping[str, float | None]:
        """Return the limits of T² and Q."""
        limits: Mapping[str, float | None] = self.run.results["domain"]["limits"]
        return limits

    def spectrum(self, burst: str, analyte: str) -> tuple[Floats, Floats]:
        """Return wavelength (nm) and preprocessed spectrum of a burst."""
        library, chain = self._need(), self._chain(self._branch(analyte))
        row = int(self._rows[burst])
        reduced = self.run.model.reduce(library.counts(row), self._darks(row)).mean(axis=0)
        shot = acquisition(library, library.bursts.loc[[row]])
        spectrum = chain.spectra(reduced[np.newaxis], library.wavelength, shot)[0]
        return chain.axis(library.wavelength, shot), spectrum

    def neighbours(self, burst: str, analyte: str, count: int) -> list[Neighbour]:
        """Return the nearest training spectra of other bursts, in the domain's scores."""
        domain = self.run.model.domains[self._branch(analyte)]
        _, spectrum = self.spectrum(burst, analyte)
        white = (spectrum - domain.mean) @ domain.loadings.T / domain.deviation
        distance = np.sqrt(((domain.scores - white) ** 2).sum(axis=1))
        rows = self._table("folds").query("use == 'calibration'").reset_index(drop=True)
        out: list[Neighbour] = []
        for at in np.argsort(distance):
            name = str(rows["burst"].iloc[at])
            if name != burst and all(name != each.burst for each in out):
                out.append(Neighbour(name, str(rows["standard"].iloc[at]), float(distance[at])))
            if len(out) == count:
                break
        return out

    def shots(self, burst: str, analyte: str) -> Shots:
        """Return a burst shot by shot."""
        library = self._need()
        row = int(self._rows[burst])
        counts, dark = library.counts(row).astype(float), self._darks(row)
        counts = counts if dark is None else counts - dark
        element = element_of(analyte)
        inside = line_windows(library.wavelength, element) if element else np.zeros(1, dtype=bool)
        own = counts[:, inside].sum(axis=1) if inside.any() else np.full(len(counts), np.nan)
        return Shots(counts.sum(axis=1), own)

    def refit(self, analyte: str, dropped: Collection[str]) -> Refit:
        """Cross-validate PLS without some standards, on the Gram matrix, in the run's first folds.

        Held-out standards take no part: to choose by them would spend them.

        Raises
        ------
        DataError
            If there are no spectra, or too few standards are left.
        """
        X, gram = self._training(self._branch(analyte))
        began = time.perf_counter()
        rows = self._folds[self._folds["use"] == "calibration"]
        points = self.points(analyte).set_index("burst")["certified"]
        y = points.reindex(rows.index).to_numpy(float)
        standards, folds = rows["standard"].to_numpy(str), rows["fold_1"].to_numpy(int)
        stays = ~np.isin(standards, list(dropped))
        settings, note = self._settings(analyte)
        count, scale = settings["n_components"], settings["scale"]
        shared = None if scale or X.shape[1] < len(X) else gram
        paths = [
            cross_validate(X, y, folds, count, scale, sample_weight=weight, gram=shared)[-1, :, 0]
            for weight in (np.ones(len(y)), stays.astype(float))
        ]
        before, after = (np.asarray(path) for path in paths)
        out = [
            (name, float(y[standards == name].mean()), float(after[standards == name].mean()))
            for name in sorted(dropped)
            if np.isfinite(y[standards == name]).any()
        ]
        known = stays & np.isfinite(y)
        return Refit(
            rmse(before[known], y[known]), rmse(after[known], y[known]),
            len(np.unique(standards[known])), count, out, time.perf_counter() - began, note,
        )  # fmt: skip

    def _settings(self, analyte: str) -> tuple[dict[str, Any], str]:
        """Return component count and scaling of the PLS to refit, and what is to be said of it."""
        entry = self.analytes[analyte]
        if entry["family"] == "pls" and entry["settings"]["n_components"]:
            return dict(entry["settings"]), ""
        contest = self._table("contest").query("family == 'pls' and analyte == @analyte")
        settings = json.loads(contest["settings"].iloc[0]) if len(contest) else {}
        count = settings.get("n_components") or COMPONENTS
        note = f"The model taken is {entry['family']}; what is refitted is PLS {count}."
        return {"n_components": count, "scale": settings.get("scale", False)}, note

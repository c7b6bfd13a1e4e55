"""What a training would do, decided before any spectrum is read."""

from __future__ import annotations

import os
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from calib import oxides
from calib.errors import DataError, SettingsError
from calib.experiment.changes import chains
from calib.experiment.prepare import lacking
from calib.experiment.settings import Experiment, Search, load_experiment
from calib.library import Library, open_library
from calib.library.audit import THIN
from calib.library.guard import restrict
from calib.preprocess import Chain
from calib.regress.composition import LEAST_STANDARDS
from calib.regress.family import family
from calib.validate.folds import assign_folds, choose_held_out

Floats = NDArray[np.floating]

MIN_FAMILIES = 3
"""Families of certified standards below which an analyte cannot be cross-validated."""


@dataclass(frozen=True)
class Plan:
    """What a training would do, decided before any spectrum is read.

    Attributes
    ----------
    file : Path
        The experiment file.
    experiment : Experiment
    library : Library
        A view in which only the calibration bursts can be opened.
    chain : Chain
        Without the steps the library cannot serve.
    variants : dict of str to Chain
        The ways to preprocess that are tried: ``base``, which is `chain`, and changes to it.
    left_out : list of str
        Those steps, with reasons.
    analytes : tuple of str
    skipped : list of str
        Analytes that are not modelled, with reasons.
    calibration, held_out : DataFrame
        Rows of ``library.bursts``.
    folds : ndarray of int, shape (repeats, calibration bursts)
    """

    file: Path
    experiment: Experiment
    library: Library
    chain: Chain
    variants: dict[str, Chain]
    left_out: list[str]
    analytes: tuple[str, ...]
    skipped: list[str]
    calibration: pd.DataFrame
    held_out: pd.DataFrame
    folds: NDArray[np.intp]

    @property
    def notes(self) -> list[str]:
        """What the user must know: what is skipped, missing or not used."""
        notes = [f"skipped {line}" for line in self.skipped]
        if self.held_out.empty:
            notes.append("nothing is held out: there is no RMSEP")
        undark = int((self.calibration["dark"] < 0).sum())
        if undark and any(step.name == "dark" for step in self.chain.steps):
            notes.append(f"{undark} calibration bursts have no dark: nothing is subtracted there")
        if self.experiment.search != Search() and not self.searches:
            notes.append("[search] is not used: PLS tries every component count at once")
        return notes

    @cached_property
    def digest(self) -> str:
        """SHA-256 of the library."""
        return self.library.digest()

    @property
    def searches(self) -> bool:
        """Whether there is anything to search: families, preprocessing or settings."""
        models, tried = self.experiment.models, self.families_tried
        return (
            len(tried) > 1
            or len(self.variants) > 1
            or any(family(name).space(models.options(name)) for name in tried)
        )

    @property
    def summed(self) -> list[str]:
        """Analytes in wt% that add up to a total, each element counted once."""
        unit = self.library.description.unit
        return [name for name in oxides.summed(self.analytes) if unit(name) == "wt%"]

    @property
    def families_tried(self) -> tuple[str, ...]:
        """Families of regressors to try."""
        return self.experiment.models.families

    def families(self, bursts: pd.DataFrame) -> NDArray[np.generic]:
        """Family of each burst."""
        return bursts["standard"].map(self.library.standards["family"]).to_numpy(dtype=str)

    def certified(self, bursts: pd.DataFrame) -> Floats:
        """Certified values, (bursts, analytes), NaN where not certified."""
        return self.library.values[list(self.analytes)].loc[bursts["standard"]].to_numpy(float)


def plan(experiment_file: str | os.PathLike[str]) -> Plan:
    """Check an experiment against its library and decide what training would do.

    Raises
    ------
    CalibError
        If the experiment or the library is wrong.
    """
    experiment, where = load_experiment(experiment_file)
    library = open_library(where)
    missing = lacking(library)
    chain, left_out = Chain.of(experiment.preprocess.steps).without(missing)
    calibration, held_out = _set_aside(experiment, library)
    analytes, skipped = _analytes(experiment, library, calibration)
    families = calibration["standard"].map(library.standards["family"]).to_numpy(dtype=str)
    values = library.values[list(analytes)].loc[calibration["standard"]].to_numpy(float)
    known = np.unique(families).size
    count = known if experiment.folds.count == "leave-one-out" else experiment.folds.count
    if not 2 <= count <= known:
        raise DataError(
            f"{experiment_file}: key 'folds.count' is {experiment.folds.count!r}, "
            f"need 2 to {known}, the families of calibration standards in {library.path}"
        )
    repeats = 1 if count == known else experiment.folds.repeats
    rng = np.random.default_rng(experiment.seed)
    folds = np.stack([assign_folds(families, values, count, seed=rng) for _ in range(repeats)])
    for name, certified in zip(analytes, np.isfinite(values).T, strict=True):
        if min(np.unique(labels[certified]).size for labels in folds) < 2:
            raise DataError(
                f"{library.path / 'standards.csv'}: every certified standard of {name} falls into "
                "one fold; leave it out of 'analytes' or raise 'folds.count'"
            )
    decided = Plan(
        Path(experiment_file), experiment, restrict(library, calibration.index), chain,
        chains(chain, experiment.changes, missing), left_out,
        analytes, skipped, calibration, held_out, folds,
    )  # fmt: skip
    if experiment.models.total:
        _check_total(decided)
    return decided


def _check_total(decided: Plan) -> None:
    """Refuse, before any work, to learn a total that too few standards tell."""
    names = decided.summed
    values = decided.library.values.loc[decided.calibration["standard"].unique(), names]
    complete = int(values.notna().all(axis=1).sum())
    where = f"{decided.file}: key 'models.total' is true"
    if len(names) < 2:
        raise SettingsError(f"{where}: found {len(names)} analytes in wt% that add up, need 2")
    if complete < LEAST_STANDARDS:
        raise SettingsError(
            f"{where}: found {complete} calibration standards with {', '.join(names)} all "
            f"certified, need {LEAST_STANDARDS}"
        )


def _set_aside(experiment: Experiment, library: Library) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Split the bursts into calibration and held-out, families whole."""
    bursts = library.select("calibration", "held-out")
    families = bursts["standard"].map(library.standards["family"])
    if experiment.folds.held_out == "library":
        out = (bursts["use"] == "held-out").to_numpy()
        split = sorted(set(families[out]) & set(families[~out]))
        if split:
            raise DataError(
                f"{library.path / 'bursts.csv'}: family {split[0]!r} has bursts for calibration "
                "and held-out, need one use a family"
            )
    else:
        if (bursts["use"] == "held-out").any():
            raise DataError(
                f"{library.path / 'bursts.csv'}: marks bursts as held-out and the experiment's key "
                f"'folds.held_out' is {experiment.folds.held_out}, need 'library': a marked burst "
                "never trains"
            )
        values = library.values.loc[bursts["standard"]].to_numpy(float)
        out = choose_held_out(
            families.to_numpy(str), values, experiment.folds.held_out, seed=experiment.seed,
            extremes=experiment.folds.extremes,
        )  # fmt: skip
    if out.all():
        raise DataError(f"{library.path / 'bursts.csv'}: found no burst with use 'calibration'")
    return bursts[~out], bursts[out]


def _analytes(
    experiment: Experiment, library: Library, calibration: pd.DataFrame
) -> tuple[tuple[str, ...], list[str]]:
    """Choose the analytes that are certified often enough among the calibration standards."""
    asked = experiment.analytes
    for name in asked or ():
        if name not in library.analytes:
            raise DataError(
                f"{library.path / 'standards.csv'}: no column {name!r}, which the experiment asks "
                f"for; found {', '.join(library.analytes)}"
            )
    values = library.values.loc[calibration["standard"].unique()]
    kept, skipped = [], []
    for name in asked or library.analytes:
        certified = values[name].dropna()
        if certified.size < THIN:
            skipped.append(
                f"{name}: certified for {certified.size} calibration standards, need {THIN}"
            )
        elif library.standards["family"][certified.index].nunique() < MIN_FAMILIES:
            skipped.append(
                f"{name}: its {certified.size} calibration standards are fewer than {MIN_FAMILIES} "
                "families, which no fold may separate"
            )
        elif certified.nunique() < 2:
            skipped.append(f"{name}: every calibration standard has the same value")
        else:
            kept.append(name)
    if not kept:
        raise DataError(f"{library.path / 'standards.csv'}: no analyte to model: {skipped[0]}")
    return tuple(kept), skipped

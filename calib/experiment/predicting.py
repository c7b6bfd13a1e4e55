"""Predicting a library or a table with a frozen model, a chunk at a time."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Hashable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from calib._show import plain
from calib.artifact import store
from calib.artifact.inputs import Resampled
from calib.artifact.runtime import Model, Predictions
from calib.errors import DataError, UsageError
from calib.experiment.prepare import Darks, Report, batches
from calib.experiment.workers import SERIAL, Engine, ordered
from calib.experiment.write import predictions_table
from calib.library import Library, SpectraTable, open_library


def predict_library(
    model: Model,
    library: Library,
    bursts: pd.DataFrame,
    report: Report,
    *,
    level: float | None = None,
    engine: Engine = SERIAL,
    resample: bool = False,
) -> Iterator[pd.DataFrame]:
    """Predict bursts of a library, a table at a time.

    The tables are the same wherever the work runs, bit for bit, and come in the same order.

    Parameters
    ----------
    model : Model
    library : Library
    bursts : DataFrame
        Rows of ``library.bursts``.
    report : callable
    level : float, optional
        Of the intervals, between 0 and 1; default: the model's.
    engine : Engine, optional
        Workers open the library and the frozen model by their paths. Default: this process.
    resample : bool, default False
        Interpolate from another axis, see `Model.resampled`.

    Yields
    ------
    DataFrame
        Columns of a predictions table.

    Raises
    ------
    DataError
        If the library's axis, signal or air/vacuum is not the model's.
    UsageError
        If workers cannot open the model: it is not frozen, or they see another one.
    """
    onto = _same_kind(model, library, resample)
    if bursts.empty:
        raise DataError(f"{library.path / 'bursts.csv'}: found no burst to predict")
    rows = [int(r) for r in bursts["first_row"].sort_values(kind="stable").index]
    with engine.open() as pool:
        source: _Open | _Paths
        if engine.here:
            source = _Open(model, library, Darks(library, model.stem))
        else:
            source = _paths(model, library)
        calls = ((source, batch, level, onto) for batch in batches(library, rows))
        done = 0
        report("predictions", done, len(rows))
        for table in ordered(pool, _predict_batch, calls):
            done += len(table)
            report("predictions", done, len(rows))
            yield table


@dataclass(frozen=True, eq=False)
class _Open:
    """Model and library, opened."""

    model: Model
    library: Library
    darks: Darks


@dataclass(frozen=True)
class _Paths:
    """Where a worker finds model and library, and the digest of the model's manifest."""

    model: Path
    manifest: str
    library: Path

    def open(self) -> _Open:
        """Open both, or return what this process opened before."""
        if self not in _OPENED:
            _OPENED.clear()
            model, library = store.load(self.model), open_library(self.library)
            if _digest(model) != self.manifest:
                raise UsageError(f"{self.model}: a worker sees another model there")
            _OPENED[self] = _Open(model, library, Darks(library, model.stem))
        return _OPENED[self]


_OPENED: dict[_Paths, _Open] = {}


def _paths(model: Model, library: Library) -> _Paths:
    if model.path is None:
        raise UsageError("model: was not loaded from disk, where workers could find it")
    return _Paths(model.path.resolve(), _digest(model), library.path.resolve())


def _digest(model: Model) -> str:
    """SHA-256 of the manifest, which holds that of every other file."""
    return hashlib.sha256(json.dumps(model.manifest, sort_keys=True).encode()).hexdigest()


def _predict_batch(
    source: _Open | _Paths, batch: list[int], level: float | None, onto: Resampled | None
) -> pd.DataFrame:
    """Predict some bursts, given by their rows in ``bursts.csv``."""
    opened = source.open() if isinstance(source, _Paths) else source
    model, library = opened.model, opened.library
    reduced, undark = [], []
    for row, counts in library.walk(batch):
        dark = opened.darks(row)
        undark.append(dark is None)
        if onto is not None:
            counts, dark = onto(counts), None if dark is None else onto(dark)[0]
        reduced.append(_reduce(model, library, row, counts, dark))
    far = library.bursts.loc[batch, "distance_m"].to_numpy(float)
    found: Predictions = model.predict_spectra(
        np.stack(reduced), distance_m=far, no_dark=np.array(undark), level=level
    )
    return predictions_table(library.bursts.loc[batch], found)


def _reduce(
    model: Model, library: Library, row: int, counts: np.ndarray, dark: np.ndarray | None
) -> np.ndarray:
    try:
        averaged: np.ndarray = model.reduce(counts, dark).mean(axis=0)
    except DataError as error:
        name = library.bursts["burst"].iloc[row]
        raise DataError(f"{library.path}: burst {name!r}: {error}") from None
    return averaged


def _same_kind(model: Model, library: Library, resample: bool) -> Resampled | None:
    for key in ("signal", "wavelengths"):
        found, needed = getattr(library.description, key), model.manifest[key]
        if found != needed:
            raise DataError(
                f"{library.path / 'library.toml'}: {key} is {found!r}, "
                f"{model.name} needs {needed!r}"
            )
    return _onto(model, library.wavelength, resample, str(library.path / "spectra.zarr"))


def _onto(model: Model, wavelength: np.ndarray, resample: bool, where: str) -> Resampled | None:
    """Check an axis, or say how to interpolate from it."""
    try:
        if resample:
            return model.resampled(wavelength)
        model.check_axis(wavelength)
    except DataError as error:
        raise DataError(f"{where}: {error}") from None
    return None


def predict_table(
    model: Model,
    source: Path,
    report: Report,
    *,
    axis: tuple[float, float, int] | None = None,
    level: float | None = None,
    resample: bool = False,
) -> Iterator[pd.DataFrame]:
    """Predict the spectra of a wide CSV table, one averaged spectrum a row, a block at a time.

    A column ``distance_m`` is used where the model corrects for distance.

    Yields
    ------
    DataFrame
        Columns of a predictions table; ``burst`` is the table's, or its row number.

    Raises
    ------
    DataError
        If the table cannot be read, or its wavelengths are not the model's.
    """
    table = SpectraTable(source, axis)
    _onto(model, table.wavelength, resample, f"{source}: column names")
    done = 0
    for spectra in table.blocks():
        part = table.metadata.iloc[done : done + len(spectra)]
        done += len(spectra)
        who = pd.DataFrame({"burst": part.get("burst", part.index.astype(str)),
                            "standard": part.get("standard", "")})  # fmt: skip
        report("predictions", done, len(table.metadata))
        far = part.get("distance_m")
        found = model.predict_arrays(
            spectra,
            table.wavelength,
            level=level,
            resample=resample,
            distance_m=None if far is None else pd.to_numeric(far, errors="coerce").to_numpy(float),
        )
        yield predictions_table(who, found)


def json_lines(model: Model, table: pd.DataFrame, level: float | None = None) -> str:
    """Write a predictions table as JSON lines, one object a burst or spectrum.

    Each is as ``calib/artifact/json_schema/prediction.json`` says; an interval without end has
    null there.

    Parameters
    ----------
    model : Model
    table : DataFrame
        Of `predict_library` or `predict_table`.
    level : float, optional
        Of its intervals; default: the model's.
    """
    lines = []
    for row in table.to_dict("records"):
        analytes = {name: _plain(model, row, name) for name in model.analytes}
        who = {"model": model.name, "burst": str(row["burst"]), "standard": str(row["standard"])}
        record = who | {"level": level or model.manifest["interval_level"], "analytes": analytes}
        lines.append(json.dumps(plain(record), ensure_ascii=False, allow_nan=False))
    return "".join(f"{line}\n" for line in lines)


def _plain(model: Model, row: dict[Hashable, Any], name: str) -> dict[str, Any]:
    closed = {}
    if f"{name}_reconciled" in row:
        pair = {"value": row[f"{name}_reconciled"], "uncertainty": row[f"{name}_reconciled_u"]}
        closed = {"reconciled": pair}
    return {
        "value": row[name],
        "unit": model.unit(name),
        "uncertainty": row[f"{name}_u"],
        "low": row[f"{name}_low"],
        "high": row[f"{name}_high"],
        "flags": [word for word in row[f"{name}_flags"].split(";") if word],
        **closed,
    }

"""Freezing a run, predicting a library: what joins runs, libraries and artifacts."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pandas as pd

from calib.artifact import sealing, store
from calib.artifact.inputs import Resampled
from calib.artifact.runtime import Model, Predictions
from calib.errors import DataError
from calib.experiment.prepare import Darks, Report
from calib.experiment.run import Run
from calib.experiment.write import predictions_table
from calib.library import Library, SpectraTable
from calib.report.page import run_page

BATCH = 256
"""Bursts predicted at once."""


def freeze(run: Run, reference: str) -> Model:
    """Freeze a run's models under ``NAME@VERSION``.

    Parameters
    ----------
    run : Run
    reference : str
        A name of small letters, digits, ``-`` and ``_``; a version of three numbers.

    Returns
    -------
    Model
        The frozen model, loaded.

    Raises
    ------
    UsageError
        If the reference is not valid, the version exists, or analytes or units differ from an
        earlier version of the same major number.

    Examples
    --------
    >>> import calib
    >>> run = calib.train("experiments/quickstart.toml")  # doctest: +SKIP
    >>> model = calib.freeze(run, "majors@1.0.0")  # doctest: +SKIP
    """
    store.parse_reference(reference)
    card = run_page(run.results, run.table, title=reference)
    return store.load(sealing.freeze(run.path / "model", reference, card))


def predict_library(
    model: Model,
    library: Library,
    bursts: pd.DataFrame,
    report: Report,
    *,
    level: float | None = None,
    resample: bool = False,
) -> Iterator[pd.DataFrame]:
    """Predict bursts of a library, a table at a time.

    Parameters
    ----------
    model : Model
    library : Library
    bursts : DataFrame
        Rows of ``library.bursts``.
    report : callable
    level : float, optional
        Of the intervals, between 0 and 1; default: the model's.
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
    """
    onto = _same_kind(model, library, resample)
    if bursts.empty:
        raise DataError(f"{library.path / 'bursts.csv'}: found no burst to predict")
    rows = [int(r) for r in bursts["first_row"].sort_values(kind="stable").index]
    darks = Darks(library, model.stem)
    done = 0
    for start in range(0, len(rows), BATCH):
        batch = rows[start : start + BATCH]
        reduced, undark = [], []
        for row, counts in library.walk(batch):
            dark = darks(row)
            undark.append(dark is None)
            if onto is not None:
                counts, dark = onto(counts), None if dark is None else onto(dark)[0]
            reduced.append(_reduce(model, library, row, counts, dark))
            done += 1
            report("predictions", done, len(rows))
        far = library.bursts.loc[batch, "distance_m"].to_numpy(float)
        found: Predictions = model.predict_spectra(
            np.stack(reduced), distance_m=far, no_dark=np.array(undark), level=level
        )
        yield predictions_table(library.bursts.loc[batch], found)


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

"""What a check needs of libraries and experiments: held-out scores, a model trained anew."""

from __future__ import annotations

import tempfile
from pathlib import Path

import pandas as pd

from calib.artifact.runtime import Model
from calib.errors import DataError
from calib.experiment.engine import train
from calib.experiment.predicting import predict_library
from calib.experiment.prepare import Report
from calib.experiment.settings import load_experiment
from calib.library import Library, open_library
from calib.validate.comparison import Comparison, compare_held_out
from calib.validate.scores import rmse


def compare_retrained(
    model: Model, experiment: Path, report: Report
) -> tuple[Model, list[Comparison]]:
    """Train an experiment anew and compare it with a frozen model, standard by standard.

    Both predict the standards that neither was trained on: held out by the experiment and when the
    model was frozen.

    Parameters
    ----------
    model : Model
        The frozen one.
    experiment : Path
    report : callable

    Returns
    -------
    retrained : Model
    comparisons : list of Comparison
        Frozen first.

    Raises
    ------
    CalibError
        If the experiment or its library is wrong.
    DataError
        If there is no standard that both held out.
    """
    library = open_library(load_experiment(experiment)[1])
    with tempfile.TemporaryDirectory() as folder:
        run = train(experiment, Path(folder) / "run", report=report)
        retrained = run.model
        if not (run.path / "held_out.csv").is_file():
            raise DataError(f"{experiment}: holds nothing out, there is nothing to compare")
        new = run.table("held_out")
    new = new[new["standard"].isin(model.manifest["held_out_standards"])]
    if new.empty:
        raise DataError(f"{experiment}: holds out no standard that {model.name} held out, need one")
    chosen = library.bursts[library.bursts["burst"].isin(new["burst"])]
    old = pd.concat(predict_library(model, library, chosen, report), ignore_index=True)
    certified = library.values.loc[old["standard"]]
    for name in model.analytes:
        if name in certified:
            old[f"{name}_certified"] = certified[name].to_numpy()
    shared = [name for name in model.analytes if f"{name}_certified" in new]
    return retrained, compare_held_out(old, new, shared)


def held_out_rmsep(model: Model, library: Library, report: Report) -> dict[str, float]:
    """RMSEP of each analyte on the standards that were held out when the model was trained.

    Raises
    ------
    DataError
        If the library lacks one of them, or is not of the model's kind.
    """
    wanted = list(model.manifest["held_out_standards"])
    if not wanted:
        raise DataError(
            f"{model.name}: nothing was held out when it was trained, there is no RMSEP to compare"
        )
    bursts = library.select("calibration", "held-out")
    bursts = bursts[bursts["standard"].isin(wanted)]
    missing = sorted(set(wanted) - set(bursts["standard"]))
    if missing:
        raise DataError(
            f"{library.path / 'bursts.csv'}: found no burst of held-out standard "
            f"{missing[0]!r}, which the frozen RMSEP needs"
        )
    for name in model.analytes:
        unit = library.description.unit(name)
        if name in library.analytes and unit != model.unit(name):
            raise DataError(
                f"{library.path / 'library.toml'}: unit of {name} is {unit!r}, "
                f"{model.name} needs {model.unit(name)!r}"
            )
    table = pd.concat(predict_library(model, library, bursts, report), ignore_index=True)
    certified = library.values.reindex(table["standard"])
    return {
        name: rmse(table[name].to_numpy(), certified[name].to_numpy())
        for name in model.analytes
        if name in certified
    }

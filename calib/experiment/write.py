"""Writing a run folder (its contents are listed in `calib.experiment.run`)."""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from safetensors.numpy import save_file

from calib._show import plain
from calib.artifact.runtime import Model, Predictions
from calib.experiment.contest import complete
from calib.experiment.evidence import write_evidence
from calib.experiment.outcome import Contender, Outcome, Trained
from calib.experiment.plan import Plan
from calib.experiment.prepare import Darks, Report
from calib.experiment.results import results
from calib.experiment.run import Run
from calib.experiment.state import LEVEL, model_parts, provenance
from calib.report.evidence import run_figures
from calib.validate.limits import reported
from calib.validate.scores import per_standard, rmse_with_error

GOLDEN = 3
"""Raw bursts kept with a model, with their predictions."""


def run_folder(folder: Path, decided: Plan, made: Outcome, model: Model, report: Report) -> None:
    """Write every file of a run into `folder`."""
    report("run folder", 0, 3)
    (folder / "experiment.toml").write_bytes(decided.file.read_bytes())
    found = results(decided, made)
    write_json(folder / "results.json", found)
    _tables(folder, decided, made)
    write_evidence(folder, decided, made)
    _write_library(folder, decided)
    report("run folder", 1, 3)
    _model(folder / "model", decided, made, model, found)
    report("run folder", 2, 3)
    run_figures(found, Run(folder, found).table, folder / "figures")
    report("run folder", 3, 3)


def write_json(path: Path, data: Any) -> None:
    """Write strict JSON (no NaN), indented, keys in the order given."""
    text = json.dumps(plain(data), indent=1, ensure_ascii=False, allow_nan=False)
    path.write_text(text + "\n", encoding="utf-8")


def _write_library(folder: Path, decided: Plan) -> None:
    """Keep where the library lies, as seen from the run folder: for `calib bench`."""
    place = os.path.relpath(decided.library.path.resolve(), folder.resolve())
    (folder / "library.txt").write_text(Path(place).as_posix() + "\n", encoding="utf-8")


def _tables(folder: Path, decided: Plan, made: Outcome) -> None:
    trained, unseen = made.trained, made.unseen
    curves = []
    for name, winner in trained.winners.items():
        for kind, contender in winner.contenders.items():
            table = pd.DataFrame(contender.selection.curve)
            along = unseen.curves.get(name, [])
            seen = kind == winner.family and len(along) == len(table)
            table["rmsep"] = along if seen else float("nan")
            for at, value in enumerate((name, kind, contender.variant)):
                table.insert(at, ("analyte", "family", "variant")[at], value)
            curves.append(table)
    _csv(pd.concat(curves, ignore_index=True), folder / "curves.csv")
    _csv(_contest(decided, trained), folder / "contest.csv")
    if trained.trials:
        _csv(_trials(trained), folder / "trials.csv")
    folds = _who(decided, trained.bursts)
    for repeat, labels in enumerate(trained.folds):
        folds[f"fold_{repeat + 1}"] = labels
    away = _who(decided, decided.held_out)
    _csv(pd.concat([folds, away], ignore_index=True), folder / "folds.csv")
    _csv(_out_of_fold(decided, made), folder / "out_of_fold.csv")
    if unseen.predictions is not None:
        table = predictions_table(unseen.bursts, unseen.predictions)
        for j, name in enumerate(decided.analytes):
            table[f"{name}_certified"] = unseen.certified[:, j]
        _csv(table, folder / "held_out.csv")


def _contest(decided: Plan, trained: Trained) -> pd.DataFrame:
    """Tabulate the best of each family: RMSECV as reported, and its standard error.

    Over all repeats of the folds, or the first alone for a family that was out after the search.
    """
    rows = []
    for j, (name, winner) in enumerate(trained.winners.items()):
        unit, y = decided.library.description.unit(name), trained.certified[:, j]
        done = complete(trained.trials, name, list(trained.variants))
        spared: dict[str, Contender] = {}
        for kind, trial in sorted(done, key=lambda each: each[1].rmsecv):
            if kind not in winner.contenders and trial.selection is not None:
                spared.setdefault(kind, Contender(name, kind, trial.variant, trial.selection))
        for kind, contender in (winner.contenders | spared).items():
            out_of_fold = reported(contender.selection.out_of_fold, unit)
            errors = (out_of_fold - y).ravel()
            squares = per_standard(errors, np.tile(trained.standards, len(out_of_fold)))
            rmsecv, error = rmse_with_error(*squares)
            tried = trained.trials.get((name, kind), ())
            rows.append(
                {
                    "analyte": name,
                    "family": kind,
                    "variant": contender.variant,
                    "settings": json.dumps(plain(contender.selection.settings)),
                    "rmsecv": float(rmsecv),
                    "standard_error": float(error),
                    "repeats": len(out_of_fold),
                    "trials": len(tried),
                    "seconds": sum(trial.seconds for trial in tried),
                    "won": kind == winner.family,
                }
            )
    return pd.DataFrame(rows)


def _trials(trained: Trained) -> pd.DataFrame:
    """Tabulate every trial of the search, as it was judged: raw, on the first repeat."""
    return pd.DataFrame(
        {
            "analyte": analyte,
            "family": kind,
            "variant": trial.variant,
            "trial": trial.number,
            "settings": json.dumps(plain(trial.settings)),
            "rmsecv": trial.rmsecv,
            "standard_error": trial.standard_error,
            "state": trial.state,
            "seconds": trial.seconds,
            "reason": trial.reason,
        }
        for (analyte, kind), trials in trained.trials.items()
        for trial in trials
    )


def _who(decided: Plan, bursts: pd.DataFrame) -> pd.DataFrame:
    """Burst, standard, family, distance, time and use of each row."""
    table = bursts[["burst", "standard"]].reset_index(drop=True)
    table["family"] = decided.families(bursts)
    table["distance_m"] = bursts["distance_m"].to_numpy()
    table["acquired_at"] = bursts["acquired_at"].fillna("").to_numpy()
    table["use"] = np.where(bursts.index.isin(decided.held_out.index), "held-out", "calibration")
    return table


def _out_of_fold(decided: Plan, made: Outcome) -> pd.DataFrame:
    """Out-of-fold predictions of every repeat, with the error bars a new burst would get."""
    trained, tables = made.trained, []
    for repeat in range(len(trained.folds)):
        table = trained.bursts[["burst", "standard"]].reset_index(drop=True)
        table["repeat"] = repeat + 1
        for j, (name, winner) in enumerate(trained.winners.items()):
            unit = decided.library.description.unit(name)
            value = reported(winner.out_of_fold[repeat], unit)
            bars = made.assessed.analytes[name].bars
            error = bars.at(value, made.assessed.domains[winner.variant].unusual)
            half = bars.multiple(LEVEL) * error
            table[name] = value
            table[f"{name}_u"] = error
            table[f"{name}_low"] = reported(value - half, unit)
            table[f"{name}_high"] = value + half
            table[f"{name}_flags"] = ""
            table[f"{name}_certified"] = trained.certified[:, j]
        tables.append(table)
    return pd.concat(tables, ignore_index=True)


def predictions_table(bursts: pd.DataFrame, predictions: Predictions) -> pd.DataFrame:
    """Return a predictions table: burst, standard, then the columns of each analyte."""
    table = bursts[["burst", "standard"]].reset_index(drop=True)
    return pd.concat([table, pd.DataFrame(predictions.columns())], axis=1)


def _csv(table: pd.DataFrame, path: Path) -> None:
    table.to_csv(path, index=False, lineterminator="\n")


def _model(folder: Path, decided: Plan, made: Outcome, model: Model, found: dict[str, Any]) -> None:
    """Write manifest, arrays and golden spectra, as `calib.artifact.sealing.freeze` takes them."""
    folder.mkdir()
    manifest, arrays = model_parts(decided, made.trained, made.assessed)
    scores = ("rmsec", "rmsecv", "rmsep", "rmsep_low", "rmsep_high", "n_standards", "n_held_out")
    for name, entry in manifest["analytes"].items():
        entry |= {key: found["analytes"][name][key] for key in scores}
    manifest |= provenance(decided)
    manifest["held_out_standards"] = sorted(set(decided.held_out["standard"]))
    write_json(folder / "manifest.json", manifest)
    save_file(arrays, folder / "arrays.safetensors")
    save_file(_golden(decided, model), folder / "golden.safetensors")


def _golden(decided: Plan, model: Model) -> dict[str, np.ndarray]:
    """Take a few raw calibration bursts, first, middle and last, with their predictions."""
    bursts = decided.calibration
    picks = np.unique(np.linspace(0, len(bursts) - 1, GOLDEN).round().astype(int))
    darks = Darks(decided.library, decided.chain)
    out: dict[str, np.ndarray] = {}
    for i, row in enumerate(bursts.index[picks]):
        counts = np.ascontiguousarray(decided.library.counts(int(row)))
        dark = darks(int(row))
        out[f"{i}/counts"] = counts
        if dark is not None:
            out[f"{i}/dark"] = dark
        far = bursts["distance_m"].loc[[row]].to_numpy(float)
        if np.isfinite(far[0]):
            out[f"{i}/distance_m"] = far
        averaged = model.reduce(counts, dark).mean(axis=0, keepdims=True)
        predicted = model.predict_spectra(averaged, distance_m=far)
        out[f"{i}/predicted"] = np.stack(
            [predicted.value, predicted.uncertainty, predicted.low, predicted.high]
        )
        if predicted.reconciled is not None:
            closed = predicted.reconciled
            out[f"{i}/reconciled"] = np.stack([closed.value, closed.uncertainty])
    return out

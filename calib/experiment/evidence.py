"""What a run keeps for those who look at it, and what is made from it when they do.

``evidence.safetensors`` holds, in single precision, for each variant that a model shown needs
``variantI/axis`` (nm), ``variantI/mean`` and ``variantI/deviation`` of the preprocessed training
spectra, variant 0 the one that speaks for most analytes. For each analyte A that a linear model
predicts alone it holds ``A/coefficients``, else those of the PLS that the run would have taken, as
``A/pls_coefficients``; of PLS also ``A/vip``; and ``A/variant``, their I.

``domain.csv`` holds the statistics of every spectrum under variant 0, those of the training
spectra under the models of the other folds.
"""

from __future__ import annotations

import itertools
import tomllib
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from safetensors import SafetensorError
from safetensors.numpy import load_file, save_file

from calib.errors import DataError
from calib.experiment.outcome import Outcome, Trained, Winner
from calib.experiment.plan import Plan
from calib.experiment.prepare import acquisition
from calib.preprocess import Acquisition, Chain
from calib.regress.pls import PLS
from calib.report.evidence import Evidence, Stage

if TYPE_CHECKING:
    from calib.artifact.runtime import Model
    from calib.experiment.run import Run

FILE = "evidence.safetensors"


def write_evidence(folder: Path, decided: Plan, made: Outcome) -> None:
    """Write the arrays and the tables of a run."""
    arrays = {
        name: np.ascontiguousarray(value, dtype=np.float32)
        for name, value in _arrays(decided, made.trained).items()
    }
    save_file(arrays, folder / FILE)
    main = made.assessed.domains[made.trained.used[0]]
    parts = [(made.trained.bursts, "calibration", main.out_of_fold)]
    if made.unseen.statistics:
        parts.append((made.unseen.bursts, "held-out", made.unseen.statistics))
    tables = []
    for bursts, use, statistics in parts:
        table = bursts[["burst", "standard"]].reset_index(drop=True).assign(use=use)
        tables.append(table.assign(**statistics))
    whole = pd.concat(tables, ignore_index=True)
    whole.to_csv(folder / "domain.csv", index=False, lineterminator="\n")


def _arrays(decided: Plan, trained: Trained) -> dict[str, NDArray[np.floating]]:
    shot = acquisition(decided.library, trained.bursts)
    held = {
        name: _of(winner, trained, j) for j, (name, winner) in enumerate(trained.winners.items())
    }
    shown = list(dict.fromkeys([*trained.used, *(variant for variant, _ in held.values())]))
    out: dict[str, NDArray[np.floating]] = {}
    for i, name in enumerate(shown):
        variant = trained.variants[name]
        out[f"variant{i}/axis"] = variant.chain.axis(decided.library.wavelength, shot)
        out[f"variant{i}/mean"] = variant.problem.X.mean(axis=0)
        out[f"variant{i}/deviation"] = variant.problem.X.std(axis=0)
    for name, (where, arrays) in held.items():
        if arrays:
            out[f"{name}/variant"] = np.array([shown.index(where)], dtype=float)
            out |= {f"{name}/{key}": value for key, value in arrays.items()}
    return out


def _of(winner: Winner, trained: Trained, j: int) -> tuple[str, dict[str, NDArray[np.floating]]]:
    """Return the variant and the coefficients of a linear model of one analyte."""
    alone = winner.alone
    linear = None if alone is None else alone.fitted.arrays.get("coefficients")
    if alone is not None and alone.fitted.predictor == "affine" and linear is not None:
        out = {"coefficients": linear}
        if alone.family != "pls" or alone.settings["n_components"] == 0:
            return winner.variant, out
        return winner.variant, out | {
            "vip": _pls(trained, j, winner.variant, alone.settings).vip_[0]
        }
    rival = winner.contenders.get("pls")
    if rival is None or rival.selection.settings["n_components"] == 0:
        return winner.variant, {}
    model = _pls(trained, j, rival.variant, rival.selection.settings)
    return rival.variant, {"pls_coefficients": model.coef_[0], "vip": model.vip_[0]}


def _pls(trained: Trained, j: int, variant: str, settings: dict[str, Any]) -> PLS:
    """Fit PLS on every certified row."""
    known = np.isfinite(trained.certified[:, j])
    model = PLS(settings["n_components"], scale=settings["scale"])
    return model.fit(trained.variants[variant].problem.X[known], trained.certified[known, j])


def evidence_of(run: Run) -> Evidence:
    """Gather what the report of a run shows.

    Raises
    ------
    DataError
        If a file of the run cannot be read.
    """
    file = run.path / FILE
    try:
        arrays = load_file(file) if file.is_file() else {}
    except (OSError, SafetensorError) as error:
        raise DataError(f"{file}: {error}") from None
    return Evidence(run.table, arrays, stages(run.model), _experiment(run.path))


def _experiment(folder: Path) -> str:
    """Return the experiment file, a library's absolute path cut to its name."""
    file = folder / "experiment.toml"
    if not file.is_file():
        return ""
    text = file.read_text(encoding="utf-8")
    try:
        library = str(tomllib.loads(text).get("library", ""))
    except tomllib.TOMLDecodeError:
        return ""
    return text.replace(library, Path(library).name) if Path(library).is_absolute() else text


def stages(model: Model) -> list[Stage]:
    """Take the first raw burst kept with a model through its chain, step by step.

    Returns
    -------
    list of Stage
        The burst as it was read, then after each step; empty where none is kept.
    """
    file = None if model.path is None else model.path / "golden.safetensors"
    if file is None or not file.is_file():
        return []
    kept: dict[str, Any] = load_file(file)
    if "0/counts" not in kept:
        return []
    return burst_stages(
        model, kept["0/counts"], dark=kept.get("0/dark"), distance_m=kept.get("0/distance_m")
    )


def burst_stages(
    model: Model,
    counts: NDArray[np.generic],
    *,
    dark: NDArray[np.floating] | None = None,
    distance_m: NDArray[np.floating] | None = None,
) -> list[Stage]:
    """Take one raw burst, (shots, channels), through a model's first chain, step by step."""
    edges = np.cumsum([0, *(s["channels"] for s in model.manifest["spectrometers"])]).tolist()
    slices = tuple(slice(a, b) for a, b in itertools.pairwise(edges))
    rows: NDArray[np.floating] = np.asarray(counts, dtype=np.float64)
    axis = model.wavelength
    shot = Acquisition(slices, dark=dark)
    out = [Stage("as shot", axis, rows)]
    averaged = False
    for step in (*model.stem.steps, *model.branches[0].steps):
        if step.level == "spectrum" and not averaged:
            averaged = True
            rows = rows.mean(axis=0, keepdims=True)
            shot = Acquisition(slices, distance_m=distance_m)
        one = Chain((step,))
        rows = (
            one.burst(rows, axis, shot) if step.level == "shot" else one.spectra(rows, axis, shot)
        )
        axis, shot = one.after(axis, shot)
        out.append(Stage(step.name, axis, rows))
    return out

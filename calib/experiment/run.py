"""The run folder: what a training leaves behind.

    RUN/
      experiment.toml     as it was read
      results.json        scores of each analyte, and all that is needed to make them again
      contest.csv         the best of each family for each analyte, with its RMSECV
      trials.csv          every trial of the search, if there was one
      curves.csv          errors along the component counts of families that have them
      folds.csv           burst, standard, family, distance_m, acquired_at, use, fold in each repeat
      out_of_fold.csv     cross-validated predictions, in the columns of `calib predict`
      held_out.csv        the same for the held-out standards, with the final models
      domain.csv          burst, standard, use, the statistics of each spectrum
      evidence.safetensors  mean spectrum, coefficients: see `calib.experiment.evidence`
      library.txt         where the library lies, as seen from this folder
      model/              manifest.json, arrays.safetensors: what `calib freeze` freezes
      figures/            PNG
      search/             state of the search, for more trials (`calib.experiment.search_state`)

It is written to a hidden folder beside the target and renamed at the end.
"""

from __future__ import annotations

import json
import os
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from calib._show import scores_html
from calib.artifact.runtime import Model
from calib.errors import DataError

if TYPE_CHECKING:
    from calib.report.evidence import Evidence

SCHEMA = 1
"""Version of ``results.json``."""


@dataclass(frozen=True, repr=False)
class Run:
    """A finished training, opened from its folder.

    Attributes
    ----------
    path : Path
    results : dict
        ``results.json``.
    """

    path: Path
    results: dict[str, Any]

    @property
    def analytes(self) -> dict[str, dict[str, Any]]:
        """Scores by analyte."""
        scores: dict[str, dict[str, Any]] = self.results["analytes"]
        return scores

    @cached_property
    def model(self) -> Model:
        """The trained model, the same object that a frozen one loads as."""
        return Model.open(self.path / "model")

    def evidence(self) -> Evidence:
        """Gather what a report shows."""
        from calib.experiment.evidence import evidence_of

        return evidence_of(self)

    def table(self, name: str) -> pd.DataFrame:
        """Read one of the run's CSV tables.

        Parameters
        ----------
        name : str
            contest, trials, curves, folds, out_of_fold, held_out or domain.

        Raises
        ------
        DataError
            If the run has no such table.
        """
        path = self.path / f"{name}.csv"
        text = dict.fromkeys(("burst", "standard", "family", "use", "acquired_at"), str)
        flags = {f"{analyte}_flags": str for analyte in self.analytes}
        if not path.is_file():
            raise DataError(f"{path}: not found; a run with nothing held out has no such table")
        names = pd.read_csv(path, nrows=0).columns
        empty = {name: [""] for name in names if name not in text | flags}
        return pd.read_csv(path, dtype=text | flags, keep_default_na=False, na_values=empty)

    def _repr_html_(self) -> str:
        """Show the scores as a table in a notebook."""
        return scores_html(f"Run {self.path.name}", self.analytes)

    def __repr__(self) -> str:
        """List the analytes with their RMSEP."""
        lines = [f"Run {self.path}"]
        for name, entry in self.analytes.items():
            rmsep = entry["rmsep"]
            shown = "not held out" if rmsep is None else f"RMSEP {rmsep:.4g} {entry['unit']}"
            lines.append(f"  {name}: {shown}, RMSECV {entry['rmsecv']:.4g}")
        return "\n".join(lines)


def beside(run: Path) -> Path:
    """Return the folder that holds a search's state while its run is not whole."""
    return run.with_name(f".{run.name}.search")


def open_run(path: str | os.PathLike[str]) -> Run:
    """Open a run folder.

    Raises
    ------
    DataError
        If it is no run folder, or of an unknown schema.
    """
    folder = Path(path)
    file = folder / "results.json"
    try:
        results = json.loads(file.read_text(encoding="utf-8"))
    except (FileNotFoundError, NotADirectoryError):
        raise DataError(
            f"{file}: not found; make a run with 'calib train EXPERIMENT.toml'"
        ) from None
    except ValueError as error:
        raise DataError(f"{file}: not JSON: {error}") from None
    if not isinstance(results, dict) or results.get("schema") != SCHEMA:
        raise DataError(f"{file}: need schema {SCHEMA}")
    return Run(folder, results)

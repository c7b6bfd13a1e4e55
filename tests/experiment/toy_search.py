"""A small search to run in any process: ridge on invented spectra. As a script it runs one."""

from __future__ import annotations

import sys
import time
from pathlib import Path
from typing import Any

import numpy as np

from calib.experiment.search import Budget, Trial, Unit, run_units
from calib.experiment.workers import Engine
from calib.regress.family import Problem, Selection, Watch, cross_fit
from calib.regress.space import Choice, Real, Whole

ROWS, CHANNELS, ANALYTES = 60, 30, ("SiO2", "MgO")


class Toy:
    """Ridge in cross-validation, on memory-mapped spectra; `pause` seconds are added to each."""

    def __init__(self, folder: Path, pause: float = 0.0) -> None:
        self.folder, self.pause = folder, pause
        rng = np.random.default_rng(3)
        X = rng.normal(size=(ROWS, CHANNELS))
        self.Y = X[:, :2] @ rng.normal(size=(2, 2)) + 0.5 * rng.normal(size=(ROWS, 2))
        if not (folder / "X.npy").exists():
            np.save(folder / "X.npy", X)
        self.standards = np.repeat(np.arange(ROWS // 2), 2)
        self.folds = (self.standards % 6)[None]

    def __call__(
        self, unit: Unit, variant: str, settings: dict[str, Any], watch: Watch
    ) -> Selection:
        time.sleep(self.pause)
        if unit.family == "broken":
            raise np.linalg.LinAlgError("always\nso")
        X = np.load(self.folder / "X.npy", mmap_mode="r")
        X = X if variant == "as it is" else np.tanh(X)
        problem = Problem(X, self.Y, self.folds, self.standards, ANALYTES)
        strength = settings.get("strength", 1.0)
        keep = settings.get("channels", CHANNELS)

        def fit_predict(X: Any, y: Any, new: Any) -> Any:
            A = X[:, :keep]
            w = np.linalg.solve(A.T @ A + strength * np.eye(keep), A.T @ (y - y.mean()))
            return y.mean() + new[:, :keep] @ w

        column = ANALYTES.index(unit.analyte)
        out = cross_fit(problem, column, fit_predict, watch)
        return Selection({**settings, "variant": variant}, out, {"seen": [np.float64(1.5)]})

    def units(self, *families: str) -> list[Unit]:
        spaces: dict[str, dict[str, Any]] = {
            "ridge": {"strength": Real(1e-3, 1e3, log=True), "channels": Whole(1, CHANNELS)},
            "plain": {},
            "few": {"channels": Choice((2, 4))},
            "broken": {"strength": Real(0.0, 1.0)},
        }
        return [
            Unit(name, family, ("as it is", "bent"), spaces[family], self.Y[:, j], self.standards)
            for family in families or ("plain", "ridge")
            for j, name in enumerate(ANALYTES)
        ]


def told(found: dict[tuple[str, str], list[Trial]]) -> list[Any]:
    """All that a search found, but for the time it took, in a form that compares."""
    return [
        (key, t.number, t.variant, t.settings, repr(t.rmsecv), repr(t.standard_error), t.state,
         t.reason, t.selection and (t.selection.settings, t.selection.curve,
                                    t.selection.out_of_fold.tobytes()))
        for key, trials in found.items() for t in trials
    ]  # fmt: skip


if __name__ == "__main__":
    place = Path(sys.argv[1])
    toy = Toy(place, pause=float(sys.argv[3]))
    run_units(
        toy.units(), toy, where=place / "state", seed=5, budget=Budget(int(sys.argv[2])),
        engine=Engine("serial"), report=lambda label, done, total: print(done, flush=True),
    )  # fmt: skip

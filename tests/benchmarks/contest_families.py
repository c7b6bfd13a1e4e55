"""What one attempt of each family costs, and how it does beside plain PLS, on the demo library.

The calibration rows of the demo library alone (no held-out one is read), preprocessed by the
default chain and by the same chain with a square root after it; the first repeat of its folds. Each
family draws settings at random from its space, half of them on each chain; a family with nothing to
draw is tried once a chain. Printed: processor seconds of an attempt (median, most), the first one
apart, as it works out what later ones share; and the least RMSECV among the attempts over that of
plain PLS1 with the default chain, averaged over the analytes, with its range. That is the best of
so many attempts on the same folds: it flatters whoever draws more.

    OPENBLAS_NUM_THREADS=1 python tests/benchmarks/contest_families.py [--trials 10]
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from calib.experiment.plan import plan
from calib.experiment.prepare import acquisition, reduce_bursts
from calib.regress.family import FAMILIES, Problem, family
from calib.regress.space import Choice, Space, Whole
from calib.validate.scores import rmse

EXPERIMENT = Path(__file__).parents[2] / "experiments" / "quickstart.toml"


def problems() -> dict[str, Problem]:
    """Return the calibration rows under each chain."""
    decided = plan(EXPERIMENT)
    spectra = reduce_bursts(
        decided.library, decided.calibration, decided.chain, lambda *done: None, "bursts"
    )
    shot = acquisition(decided.library, spectra.bursts)
    X = decided.chain.spectra(spectra.counts, decided.library.wavelength, shot)
    rows = decided.calibration.index.get_indexer(spectra.bursts.index)
    base = Problem(
        X, decided.certified(spectra.bursts), decided.folds[:1, rows],
        spectra.bursts["standard"].to_numpy(dtype=str), decided.analytes,
    )  # fmt: skip
    return {"default": base, "root": replace(base, X=np.sqrt(np.maximum(X, 0)), memo={})}


def draw(space: Space, rng: np.random.Generator) -> dict[str, Any]:
    """Draw settings, all alike likely (on a logarithmic scale where the space says so)."""
    drawn: dict[str, Any] = {}
    for name, range_ in space.items():
        if isinstance(range_, Choice):
            drawn[name] = range_.values[rng.integers(len(range_.values))]
            continue
        low, high = (
            (np.log(range_.low), np.log(range_.high)) if range_.log else (range_.low, range_.high)
        )
        value = rng.uniform(low, high)
        value = float(np.exp(value)) if range_.log else float(value)
        drawn[name] = round(value) if isinstance(range_, Whole) else value
    return drawn


def measure(
    name: str, chains: Mapping[str, Problem], trials: int, plain: list[float]
) -> tuple[list[float], list[float], list[float]]:
    """Return seconds of first and later attempts, and each analyte's best ratio to plain PLS."""
    module = family(name)
    options = module.options({})
    space = module.space(options)
    first, later, ratios = [], [], []
    for column, reference in enumerate(plain):
        rng, best = np.random.default_rng(column), np.inf
        for problem in chains.values():
            y = problem.Y[:, column]
            for number in range(max(1, trials // len(chains)) if space else 1):
                began = time.process_time()
                found = module.attempt(problem, column, options, draw(space, rng))
                (later if number else first).append(time.process_time() - began)
                best = min(best, rmse(found.out_of_fold[0], y))
        ratios.append(best / reference)
    return first, later, ratios


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--trials", type=int, default=10, help="attempts an analyte and family")
    parser.add_argument("--families", nargs="+", default=list(FAMILIES))
    arguments = parser.parse_args()
    chains = problems()
    base = chains["default"]
    pls = family("pls")
    plain = []
    for problem in chains.values():
        problem.gram  # noqa: B018  (made here, so that no family pays for it)
    for column in range(base.Y.shape[1]):
        found = pls.attempt(base, column, pls.options({}), {})
        plain.append(rmse(found.out_of_fold[0], base.Y[:, column]))
    shown = ", ".join(f"{n} {r:.2f}" for n, r in zip(base.analytes, plain, strict=True))
    print(f"{base.X.shape[0]} rows × {base.X.shape[1]} channels; RMSECV of plain PLS, wt%: {shown}")
    print(f"{'family':24}{'first s':>8}{'later s':>8}{'most s':>8}   RMSECV / plain PLS")
    for name in arguments.families:
        first, later, ratios = measure(name, chains, arguments.trials, plain)
        usual = f"{np.median(later):8.2f}" if later else f"{'':8}"
        print(
            f"{name:24}{np.median(first):8.2f}{usual}{max(first + later):8.2f}   "
            f"{np.mean(ratios):.2f} ({min(ratios):.2f}–{max(ratios):.2f})",
            flush=True,
        )


if __name__ == "__main__":
    main()

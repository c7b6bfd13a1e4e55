"""Do the error bars hold? 1000 simulated standards that no training has seen.

Trains the experiment on the simulated library (or takes a run), then shoots standards of other
seeds at the same instrument, burst by burst in bounded memory, and prints for each analyte: RMSEP
there against RMSECV and nested RMSECV, coverage of the 90 % interval overall and in each third of
the range; then false alarms of T² and Q at 95 %, and how often a material unlike any standard is
caught. Nothing may be tuned on what it prints.

    python tests/benchmarks/validation_coverage.py [--run RUN] [--standards 1000] [--workers 2]
"""

from __future__ import annotations

import argparse
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from multiprocessing import get_context
from pathlib import Path

import numpy as np
import pandas as pd

from calib.artifact.runtime import Model
from calib.experiment.engine import train
from calib.experiment.run import open_run
from calib.library.tables import check_standards
from calib.simulate.campaign import Campaign
from calib.simulate.compositions import OXIDES, TRACES_PPM, Target, close
from calib.simulate.library import simulate_library
from calib.simulate.settings import SimulationSettings

CAMPAIGN = 120
BATCH = 64
TRAINING_SEED = 1
UNLIKE = {
    "rutile": {"TiO2": 100.0},
    "halite": {"Cl": 60.7, "Na2O": 53.0},
    "fluorite": {"F": 48.7, "CaO": 71.8},
    "barite": {"Ba": 58.8, "SO3": 34.3},
}
"""Materials that the demo library does not hold, wt%; ideal formulas."""


def unlike_targets() -> list[Target]:
    out = []
    for name, parts in UNLIKE.items():
        bulk = np.full(len(OXIDES), 1e-4)
        for component, share in parts.items():
            bulk[OXIDES.index(component)] = share
        out.append(Target(name, name, name, name, "pressed powder", close(bulk), 0.01, (0.0, 0.0)))
    return out


def shoot(model: Model, campaign: Campaign, plans: list) -> pd.DataFrame:
    """Shoot, reduce and predict, a batch of spectra in memory at a time."""
    darks = campaign.darks()
    tables = []
    for start in range(0, len(plans), BATCH):
        batch = plans[start : start + BATCH]
        rows = []
        for plan in batch:
            counts = campaign.shoot(plan).counts
            rows.append(model.reduce(counts, darks[plan.dark]).mean(axis=0))
        table = pd.DataFrame(model.predict_spectra(np.stack(rows)).columns())
        table.insert(0, "standard", [plan.target.standard for plan in batch])
        table.insert(1, "distance_m", [plan.distance_m for plan in batch])
        tables.append(table)
    return pd.concat(tables, ignore_index=True)


def campaign_of(seed: int, standards: int) -> Campaign:
    """Return the demo campaign of a seed, shot with the instrument the model was trained on."""
    campaign = Campaign(SimulationSettings(n_standards=standards, seed=seed, n_check_visits=0))
    trained_on = SimulationSettings(n_standards=5, seed=TRAINING_SEED, n_check_visits=0)
    campaign.instrument = Campaign(trained_on).instrument
    return campaign


def one_seed(folder: str, seed: int, standards: int, unlike: bool) -> pd.DataFrame:
    """Predict the first spot of every standard of one campaign at every distance."""
    model = Model.open(Path(folder))
    campaign = campaign_of(seed, standards)
    plans = [p for p in campaign.plans if p.spot == 1 and p.target.use != "check"]
    if unlike:
        hosts = [p for p in plans if p.number % 37 == 0]
        plans = [
            replace(host, target=target) for target in unlike_targets() for host in hosts
        ]  # fmt: skip
        found = shoot(model, campaign, plans)
        return found
    found = shoot(model, campaign, plans)
    units = dict.fromkeys(TRACES_PPM, "ppm")
    _, values, _ = check_standards(campaign.standards, units, where=f"seed {seed}")
    for name in model.analytes:
        found[f"{name}_certified"] = values[name].reindex(found["standard"]).to_numpy()
    found["standard"] = found["standard"] + f"/{seed}"
    return found


def within_ranges(table: pd.DataFrame, analytes: dict) -> np.ndarray:
    """Say of which standards every certified value lies within the range trained on."""
    inside = np.ones(len(table), dtype=bool)
    for name, entry in analytes.items():
        truth = table[f"{name}_certified"].to_numpy()
        low, high = entry["range"]
        inside &= ~((truth < low) | (truth > high))
    return inside


def error_bars(table: pd.DataFrame, analytes: dict) -> None:
    """Print a line an analyte."""
    print(f"{table['standard'].nunique()} standards, {len(table)} spectra")
    print(
        "analyte  RMSECV  nested   RMSEP  RMSEP/nested  coverage  low third  middle    high  "
        "bias/SEP  below LOD"
    )
    for name, entry in analytes.items():
        known = table[table[f"{name}_certified"].notna()]
        truth = known[f"{name}_certified"].to_numpy()
        error = known[name].to_numpy() - truth
        inside = ((known[f"{name}_low"] <= truth) & (truth <= known[f"{name}_high"])).to_numpy()
        third = np.searchsorted(np.quantile(truth, [1 / 3, 2 / 3]), truth)
        rmsep = float(np.sqrt(np.mean(error**2)))
        nested = entry["rmsecv_nested"] or float("nan")
        parts = " ".join(f"{inside[third == k].mean():8.3f}" for k in range(3))
        below = known[f"{name}_flags"].str.contains("below-lod").mean()
        print(
            f"{name:7} {entry['rmsecv']:7.3f} {nested:7.3f} {rmsep:7.3f} {rmsep / nested:13.2f} "
            f"{inside.mean():9.3f}  {parts}  {error.mean() / error.std():8.2f} {below:10.3f}"
        )


def alarms(table: pd.DataFrame, analyte: str, what: str) -> None:
    """Print how many spectra each statistic flags."""
    words = table[f"{analyte}_flags"].str.split(";")
    for word in ("high-t2", "high-q", "high-leverage", "no-neighbour"):
        found = words.map(lambda w, word=word: word in w)
        by = found.groupby(table["distance_m"]).mean().round(3).to_dict()
        print(f"{what}, {word:13}: {found.mean():.3f} of spectra; at each distance {by}")


def report(run_path: Path, table: pd.DataFrame, unlike: pd.DataFrame | None) -> None:
    run = open_run(run_path)
    first = run.model.analytes[0]
    inside = within_ranges(table, run.analytes)
    print("\nall standards")
    error_bars(table, run.analytes)
    alarms(table, first, "all")
    print("\nstandards whose certified values all lie within the ranges trained on")
    error_bars(table[inside], run.analytes)
    alarms(table[inside], first, "in range")
    if unlike is not None:
        caught = unlike[f"{first}_flags"].str.contains("high-t2|high-q")
        for name, share in caught.groupby(unlike["standard"]).mean().items():
            n = int((unlike["standard"] == name).sum())
            print(f"unlike any standard, {name}: {share:.3f} of {n} bursts caught by T² or Q")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--run", type=Path, help="a finished run; default: simulate and train")
    parser.add_argument("--standards", type=int, default=1000)
    parser.add_argument("--first-seed", type=int, default=2)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--keep", type=Path, help="write the predictions to this CSV")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        run_path = asked.run
        if run_path is None:
            simulate_library(Path(scratch) / "library", workers=asked.workers)
            experiment = Path(scratch) / "experiment.toml"
            experiment.write_text(
                'library = "library"\nanalytes = ["SiO2", "TiO2", "Al2O3", "FeOT", "MgO", "CaO", '
                '"Na2O", "K2O"]\n'
            )
            started = time.perf_counter()
            run_path = train(experiment, Path(scratch) / "run").path
            print(f"trained in {time.perf_counter() - started:.0f} s")
        left, jobs, seed = asked.standards, [], asked.first_seed
        while left > 0:
            jobs.append((seed, min(CAMPAIGN, left), False))
            left, seed = left - CAMPAIGN, seed + 1
        jobs.append((seed, CAMPAIGN, True))
        folder = str(run_path / "model")
        with ProcessPoolExecutor(asked.workers, get_context("spawn")) as pool:
            waiting = [pool.submit(one_seed, folder, *job) for job in jobs]
            *seen, unlike = [each.result() for each in waiting]
        table = pd.concat(seen, ignore_index=True)
        if asked.keep:
            table.to_csv(asked.keep, index=False)
        report(run_path, table, unlike)


if __name__ == "__main__":
    main()

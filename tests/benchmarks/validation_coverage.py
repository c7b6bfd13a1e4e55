"""Do the error bars hold? 1000 simulated standards that no training has seen.

Three trainings meet the same new standards: (a) one library of the demo's size; (b) several of
that size, mean and scatter over them; (c) one of a few hundred standards. Each line says what was
found of the 90 % interval (overall, in each third of the range, of spectra that T² or Q flag), of
RMSEP against nested RMSECV (all spectra, those within the range trained on, those that T² and Q do
not flag; `promised`: RMSEP lies in the 95 % interval of RMSECV), of false alarms of T² and Q at
95 %, and of materials unlike any standard.

Beside it stands what chance alone would give. The coverage of a conformal interval made from m
standards is itself a draw: Beta(k, m + 1 - k), k = ceil(0.9 (m + 1)) (Vovk 2012, Conditional
validity of inductive conformal predictors, Proc. Mach. Learn. Res. 25:475; Angelopoulos & Bates
2023, Found. Trends Mach. Learn. 16:494, doi 10.1561/2200000101); counted on N new standards it is
beta-binomial. Standards, not spectra, are counted as pieces of evidence; doping series make them
fewer. Nothing may be tuned on what this prints.

    python tests/benchmarks/validation_coverage.py [--cache DIR] [--first-seed 20] [--workers 2]
"""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path

import numpy as np
import pandas as pd
from scipy import stats
from unseen_standards import library, unlike, unseen

from calib.artifact.runtime import Model
from calib.experiment.engine import train
from calib.experiment.run import Run

LEVEL = 0.90
CAMPAIGN = 120
SEEDS = (1, 101, 102, 103, 104)
"""Training libraries of (b); the first is (a)."""

LARGE_SEED = 201
MAJORS = ("SiO2", "TiO2", "Al2O3", "FeOT", "MgO", "CaO", "Na2O", "K2O")
WITHIN = 0.03
WITHIN_THIRD = 0.06
"""How far coverage may be from the level, of all spectra and of those in a third of the range."""

THIRDS = ["low", "middle", "high"]


def trained(cache: Path, seed: int, standards: int, families: list[str], workers: int) -> Run:
    where = library(cache / f"library-{seed}-{standards}", seed, standards, workers)
    experiment = cache / f"experiment-{seed}-{standards}.toml"
    listed = ", ".join(f'"{name}"' for name in MAJORS)
    chosen = ", ".join(f'"{name}"' for name in families)
    experiment.write_text(
        f'library = "{where.name}"\nanalytes = [{listed}]\n[models]\nfamilies = [{chosen}]\n'
    )
    with tempfile.TemporaryDirectory(dir=cache) as scratch:
        run = train(experiment, Path(scratch) / "run")
        run.results, run.model  # noqa: B018  read before the folder goes
    return run


def predictions(model: Model, spectra: pd.DataFrame) -> pd.DataFrame:
    """Predict in blocks, and keep all but the spectra."""
    found = []
    for start in range(0, len(spectra), 500):
        part = spectra.iloc[start : start + 500]
        far = part["distance_m"].to_numpy(float)
        rows = np.stack(part["spectrum"].to_list())
        found.append(pd.DataFrame(model.predict_spectra(rows, distance_m=far).columns()))
    rest = spectra.drop(columns="spectrum").reset_index(drop=True)
    return pd.concat([rest, pd.concat(found, ignore_index=True)], axis=1)


def rms(errors: np.ndarray) -> float:
    return float(np.sqrt(np.mean(errors**2))) if errors.size else float("nan")


def measured(run: Run, table: pd.DataFrame) -> pd.DataFrame:
    """Return what was found, a row an analyte."""
    rows = {}
    for name, entry in run.analytes.items():
        known = table[table[f"{name}_certified"].notna()]
        truth = known[f"{name}_certified"].to_numpy()
        error = known[name].to_numpy() - truth
        held = ((known[f"{name}_low"] <= truth) & (truth <= known[f"{name}_high"])).to_numpy()
        third = np.searchsorted(np.quantile(truth, [1 / 3, 2 / 3]), truth)
        low, high = entry["range"]
        inside = (truth >= low) & (truth <= high)
        nested = entry["rmsecv_nested"] or float("nan")
        usual = ~known[f"{name}_flags"].str.contains("high-t2|high-q").to_numpy()
        rows[name] = {
            "coverage": held.mean(),
            **{word: held[third == k].mean() for k, word in enumerate(THIRDS)},
            "in range": held[inside].mean(),
            "flagged": held[~usual].mean(),
            "RMSECV": entry["rmsecv"],
            "nested": nested,
            "RMSEP": rms(error),
            "inside": rms(error[inside]),
            "beyond": rms(error[~inside]),
            "out": (~inside).mean(),
            "ratio": rms(error) / nested,
            "ratio inside": rms(error[inside]) / nested,
            "ratio usual": rms(error[usual]) / nested,
            "promised": entry["rmsecv_low"] <= rms(error) <= entry["rmsecv_high"],
        }
    return pd.DataFrame.from_dict(rows, orient="index")


def alarms(run: Run, table: pd.DataFrame) -> pd.DataFrame:
    """Return shares of spectra that each statistic flags: all, each distance, in the domain."""
    inside = np.ones(len(table), dtype=bool)
    for name, entry in run.analytes.items():
        truth = table[f"{name}_certified"].to_numpy()
        inside &= ~((truth < entry["range"][0]) | (truth > entry["range"][1]))
    rows = {}
    for word in ("high-t2", "high-q", "high-leverage", "no-neighbour"):
        found = table[f"{run.model.analytes[0]}_flags"].str.contains(word).to_numpy()
        rows[word] = {
            "all": found.mean(),
            "in range": found[inside].mean(),
            **{f"{d:g} m": found[table["distance_m"] == d].mean()
               for d in np.unique(table["distance_m"])},
        }  # fmt: skip
    return pd.DataFrame.from_dict(rows, orient="index")


def chance(pieces: int, new: int, level: float = LEVEL) -> stats.rv_discrete:
    """Return the law of how many of `new` standards an interval made from `pieces` holds."""
    k = int(np.ceil((pieces + 1) * level))
    return stats.betabinom(new, k, pieces + 1 - k)


def within(law: stats.rv_discrete, new: int, low: float, high: float) -> float:
    return float(law.cdf(np.floor(high * new)) - law.cdf(np.ceil(low * new) - 1))


def expected(pieces: int, new: int) -> None:
    """Print what chance allows."""
    whole, third = chance(pieces, new), chance(pieces // 3, new // 3)
    one = within(whole, new, LEVEL - WITHIN, LEVEL + WITHIN)
    part = within(third, new // 3, LEVEL - WITHIN_THIRD, LEVEL + WITHIN_THIRD)
    print(
        f"chance, {pieces} calibration and {new} new standards: coverage {whole.mean() / new:.3f} "
        f"± {whole.std() / new:.3f}, within ± {WITHIN} in {one:.0%} of libraries for one analyte, "
        f"in {one ** len(MAJORS):.0%} for all {len(MAJORS)} were they independent; a third, as if "
        f"alone, ± {third.std() / (new // 3):.3f}, within ± {WITHIN_THIRD} in {part:.0%}"
    )
    limit = chance(pieces, new, 0.95)
    print(
        f"        alarms at 95 %: {1 - limit.mean() / new:.3f} ± {limit.std() / new:.3f}, within "
        f"0.03 to 0.08 in {within(limit, new, 0.92, 0.97):.0%}"
    )


def show(found: pd.DataFrame, flags: pd.DataFrame) -> None:
    short = dict.fromkeys(("nested", "RMSECV", "RMSEP", "inside", "beyond"), "{:.3g}".format)
    print(found.to_string(formatters=short, float_format="%.3f", line_width=200))
    print(flags.to_string(float_format="%.3f"))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--standards", type=int, default=1000, help="new ones")
    parser.add_argument("--first-seed", type=int, default=20, help="of the new standards")
    parser.add_argument("--libraries", type=int, default=len(SEEDS), choices=range(1, 6))
    parser.add_argument("--large", type=int, default=400, help="standards in (c); 0 leaves it out")
    parser.add_argument("--families", nargs="+", default=["pls"])
    parser.add_argument("--cache", type=Path, help="keep what is simulated here")
    parser.add_argument("--workers", type=int, default=2)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        cache = asked.cache or Path(scratch)
        cache.mkdir(parents=True, exist_ok=True)
        whole = [(seed, CAMPAIGN) for seed in SEEDS[: asked.libraries]]
        trainings = whole + ([(LARGE_SEED, asked.large)] if asked.large else [])
        new = odd = None
        found, flags = [], []
        for number, (seed, standards) in enumerate(trainings):
            run = trained(cache, seed, standards, asked.families, asked.workers)
            if new is None:
                parts = [
                    unseen(cache, run.model, asked.first_seed + i,
                           min(CAMPAIGN, asked.standards - start), asked.workers)
                    for i, start in enumerate(range(0, asked.standards, CAMPAIGN))
                ]  # fmt: skip
                new = pd.concat(parts, ignore_index=True)
                odd = unlike(run.model, asked.first_seed + len(parts), CAMPAIGN)
            table = predictions(run.model, new)
            found.append(measured(run, table))
            flags.append(alarms(run, table))
            pieces = int(run.analytes[MAJORS[0]]["n_standards"])
            count = table["standard"].nunique()
            which = "a" if number == 0 else "c" if standards != CAMPAIGN else "b"
            print(f"\n({which}) library of seed {seed}, {standards} standards")
            expected(pieces, count)
            show(found[-1], flags[-1])
            caught = predictions(run.model, odd)[f"{MAJORS[0]}_flags"].str.contains(
                "high-t2|high-q"
            )
            by = caught.groupby(odd["standard"]).sum()
            listed = ", ".join(f"{name} {number}" for name, number in by.items())
            print(f"unlike any standard: T² or Q catch {caught.sum()} of {len(caught)}: {listed}")
        if len(whole) > 1:
            print(f"\n(b) mean over {len(whole)} libraries of {CAMPAIGN} standards")
            several = pd.concat(found[: len(whole)], keys=range(len(whole)))
            several = several.astype(float).groupby(level=1, sort=False)
            show(several.mean(), sum(flags[: len(whole)]) / len(whole))
            print("scatter (standard deviation) over them")
            wanted = ["coverage", *THIRDS, "flagged", "ratio", "ratio inside", "ratio usual"]
            print(several.std()[wanted].to_string(float_format="%.3f"))


if __name__ == "__main__":
    main()

"""How much each effect of the simulated plasma costs a plain PLS model, and what helps.

    python tests/benchmarks/simulated_effects.py [--seeds 1 2 3] [--figure reports/effects.png]

For each seed a campaign is simulated with everything on, then with one effect off at a time. A
PLS model of SiO2 is trained on the calibration standards, its component count chosen by
5-fold cross-validation over families, and tested once on the held-out standards; each distance
is a row. Preprocessing is deliberately plain: dark subtracted, all shots averaged (dusty ones
too), no wavelength registration; each spectrometer is divided by its sum or, in a second column,
by its median (the continuum). Regressors are scikit-learn's, so that nothing here depends on
calib's own.

``--unclipped`` looks at self-absorption alone: light before the detector (no noise, no clipping),
one distance, divided by the sum, the median and nothing; with the other effects on and off.

The numbers are reported as they come out; the simulator's parameters are not tuned on them.
"""

from __future__ import annotations

import argparse
import time

import numpy as np
from sklearn.cross_decomposition import PLSRegression
from sklearn.kernel_ridge import KernelRidge
from sklearn.metrics.pairwise import euclidean_distances
from sklearn.model_selection import GroupKFold

from calib.simulate import Campaign, SimulationSettings
from calib.simulate.compositions import OXIDES
from calib.simulate.instrument import slices

EFFECTS = ("matrix_effect", "self_absorption", "distance", "drift", "dust")
MAX_COMPONENTS = 30
LARGE = {"n_standards": 120, "spots": 1, "shots": 10, "n_check_visits": 0}


def spectra(settings: SimulationSettings) -> dict[str, np.ndarray]:
    """Simulate a campaign and average it: one row for each standard and distance."""
    campaign = Campaign(settings)
    darks = campaign.darks()
    by_name = {t.standard: t for t in campaign.targets}
    rows, truth, family, held, distance = [], [], [], [], []
    for burst in campaign.bursts(workers=2):
        target = by_name[str(burst.facts["standard"])]
        if target.use == "check":
            continue
        light = burst.counts.astype(np.float64).mean(0) - darks[burst.facts["dark"]]
        rows.append(light)
        truth.append(target.bulk)
        family.append(target.family)
        held.append(target.use == "held-out")
        distance.append(burst.facts["distance_m"])
    return {
        "light": np.array(rows), "Y": np.array(truth), "family": np.array(family),
        "held": np.array(held), "distance": np.array(distance),
    }  # fmt: skip


def normalise(light: np.ndarray, by: str) -> np.ndarray:
    """Divide each spectrometer of each row by its sum or its median."""
    X = light.copy()
    for part in slices():
        block = X[:, part]
        scale = block.mean(axis=1) if by == "sum" else np.median(block, axis=1)
        X[:, part] = block / np.maximum(scale, 1e-6 * block.max())[:, None]
    return X


def folds(family: np.ndarray) -> list[tuple[np.ndarray, np.ndarray]]:
    """Split by family, as calib always does."""
    return list(GroupKFold(5).split(family, groups=family))


def rmse(error: np.ndarray) -> float:
    """Root mean square."""
    return float(np.sqrt(np.mean(error**2)))


def pls_path(X: np.ndarray, y: np.ndarray, X_new: np.ndarray) -> np.ndarray:
    """Predictions for 1 … MAX_COMPONENTS components, (components, rows)."""
    model = PLSRegression(MAX_COMPONENTS, scale=False).fit(X, y)
    rotations, loadings = model.x_rotations_, model.y_loadings_
    scores = (X_new - X.mean(0)) @ rotations
    return y.mean() + np.cumsum(scores * loadings[0], axis=1).T


def choose_components(X: np.ndarray, y: np.ndarray, family: np.ndarray) -> int:
    """Fewest components within a standard error of the best cross-validated RMSE."""
    squares = np.empty((MAX_COMPONENTS, y.size))
    for train, test in folds(family):
        squares[:, test] = (pls_path(X[train], y[train], X[test]) - y[test]) ** 2
    mean = squares.mean(axis=1)
    best = int(np.argmin(mean))
    limit = mean[best] + squares[best].std() / np.sqrt(y.size)
    return int(np.argmax(mean <= limit)) + 1


def rmsep_pls(data: dict[str, np.ndarray], analyte: str = "SiO2") -> tuple[float, int]:
    """RMSEP on held-out standards, and the component count."""
    y = data["Y"][:, OXIDES.index(analyte)]
    X, held = data["X"], data["held"]
    n = choose_components(X[~held], y[~held], data["family"][~held])
    error = pls_path(X[~held], y[~held], X[held])[n - 1] - y[held]
    return rmse(error), n


def rmsep_submodels(data: dict[str, np.ndarray], analyte: str = "SiO2") -> float:
    """Blend three PLS models of overlapping ranges by the full model's prediction."""
    y = data["Y"][:, OXIDES.index(analyte)]
    X, held, family = data["X"], data["held"], data["family"]
    train_X, train_y, train_f = X[~held], y[~held], family[~held]
    n = choose_components(train_X, train_y, train_f)
    guide = pls_path(train_X, train_y, X[held])[n - 1]
    low, high = np.quantile(train_y, [0.33, 0.67])
    pad = 0.15 * np.ptp(train_y)
    bounds = [(-np.inf, low + pad), (low - pad, high + pad), (high - pad, np.inf)]
    parts = []
    for first, last in bounds:
        inside = (train_y >= first) & (train_y <= last)
        k = choose_components(train_X[inside], train_y[inside], train_f[inside])
        parts.append(pls_path(train_X[inside], train_y[inside], X[held])[k - 1])
    knots = [low - pad, low + pad, high - pad, high + pad]
    up = np.clip((guide - knots[0]) / (knots[1] - knots[0]), 0, 1)
    top = np.clip((guide - knots[2]) / (knots[3] - knots[2]), 0, 1)
    blended = (1 - up) * parts[0] + (up - top) * parts[1] + top * parts[2]
    return rmse(blended - y[held])


def rmsep_kernel(data: dict[str, np.ndarray], analyte: str = "SiO2") -> float:
    """Kernel ridge regression on square-root spectra, width and ridge chosen by the folds."""
    y = data["Y"][:, OXIDES.index(analyte)]
    X, held, family = np.sqrt(np.maximum(data["X"], 0)), data["held"], data["family"]
    square = euclidean_distances(X, X[~held], squared=True)
    square /= np.median(square)
    train_y, trained = y[~held], square[~held]
    best: tuple[float, float, float] = (np.inf, 1.0, 1e-3)
    for scale in (0.3, 1.0, 3.0, 10.0):
        kernel = np.exp(-trained / scale)
        for alpha in (1e-5, 1e-4, 1e-3, 1e-2):
            predicted = np.empty_like(train_y)
            for train, test in folds(family[~held]):
                predicted[test] = _ridge(kernel, train_y, train, alpha)[test]
            best = min(best, (rmse(predicted - train_y), scale, alpha))
    _, scale, alpha = best
    everything = np.arange(train_y.size)
    fitted = _ridge(
        np.exp(-trained / scale), train_y, everything, alpha, np.exp(-square[held] / scale)
    )
    return rmse(fitted - y[held])


def _ridge(
    kernel: np.ndarray,
    y: np.ndarray,
    train: np.ndarray,
    alpha: float,
    new: np.ndarray | None = None,
) -> np.ndarray:
    """Predictions of kernel ridge regression for the rows of `new` (default: of `kernel`)."""
    mean = y[train].mean()
    model = KernelRidge(alpha=alpha, kernel="precomputed")
    model.fit(kernel[np.ix_(train, train)], y[train] - mean)
    return model.predict((kernel if new is None else new)[:, train]) + mean


def draw(tables: dict[str, dict[str, list[float]]], path: str) -> None:
    """Draw the RMSEP with each effect off, every seed a point."""
    import matplotlib

    matplotlib.use("Agg")
    import matplotlib.pyplot as plt

    figure, panels = plt.subplots(1, 2, figsize=(10, 3.6), layout="constrained", sharey=True)
    for axes, (by, table) in zip(panels, tables.items(), strict=True):
        for row, values in enumerate(table.values()):
            axes.barh(row, np.mean(values), color="C0" if row else "0.5", alpha=0.7)
            axes.plot(values, [row] * len(values), "k.", ms=5)
        axes.set_yticks(range(len(table)), [name.replace("_", " ") for name in table])
        axes.set_xlabel("RMSEP of SiO₂ on held-out standards, wt%")
        axes.set_title(f"each spectrometer divided by its {by}")
    panels[0].invert_yaxis()
    figure.suptitle("Plain PLS on simulated spectra, one effect off at a time")
    figure.savefig(path, dpi=150)


def unclipped(settings: SimulationSettings) -> dict[str, np.ndarray]:
    """Mean light on the channels before the detector, one row for each standard."""
    campaign = Campaign(settings)
    plans = [p for p in campaign.plans if p.target.use != "check"]
    rows = []
    for plan in plans:
        shots = campaign._draw_shots(plan, campaign._rng(7, plan.number))
        light = campaign.shot_radiance(plan, shots) * campaign.instrument.response
        rows.append((light * np.exp(shots.log_light)[:, None]).mean(axis=0))
    return {
        "light": np.array(rows), "Y": np.array([p.target.bulk for p in plans]),
        "family": np.array([p.target.family for p in plans]),
        "held": np.array([p.target.use == "held-out" for p in plans]),
    }  # fmt: skip


def compare_unclipped(seeds: list[int]) -> None:
    """Print the RMSEP with and without self-absorption, divided by the sum and not."""
    print("light before the detector, 3 m: RMSEP of SiO2 (components)")
    others = {"matrix_effect": False, "drift": False, "dust": False}
    for seed in seeds:
        for rest in ({}, others):
            for on in (True, False):
                settings = SimulationSettings(
                    **LARGE, distances_m=(3.0,), seed=seed, self_absorption=on, **rest
                )
                data = unclipped(settings)
                text = f"self-absorption {'on ' if on else 'off'} "
                text += f"others {'off' if rest else 'on '} seed {seed}"
                for by in ("sum", "median", "nothing"):
                    light = data["light"]
                    X = light / light.mean() if by == "nothing" else normalise(light, by)
                    value, n = rmsep_pls(data | {"X": X})
                    text += f"   by {by} {value:6.2f} ({n:2d})"
                print(text, flush=True)


def main() -> None:
    """Run the comparison and print it."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", type=int, nargs="+", default=[1])
    parser.add_argument("--figure")
    parser.add_argument("--unclipped", action="store_true")
    arguments = parser.parse_args()
    if arguments.unclipped:
        compare_unclipped(arguments.seeds)
        return
    names = ["all effects", *(f"{e} off" for e in EFFECTS), "all five off"]
    tables = {by: {name: [] for name in names} for by in ("sum", "median")}
    print(f"{'RMSEP of SiO2, wt%':22s} seed  normalised by sum (components)  by median     s")
    for seed in arguments.seeds:
        for name in names:
            off = {name.removesuffix(" off"): False} if name.endswith(" off") else {}
            off = dict.fromkeys(EFFECTS, False) if name == "all five off" else off
            begin = time.perf_counter()
            data = spectra(SimulationSettings(**LARGE, seed=seed, **off))
            text = f"{name:22s} {seed:4d}"
            for by, table in tables.items():
                data["X"] = normalise(data["light"], by)
                value, n = rmsep_pls(data)
                table[name].append(value)
                text += f"{value:14.2f} ({n:2d})"
            print(f"{text} {time.perf_counter() - begin:15.0f}", flush=True)
            if name == "all effects":
                data["X"] = normalise(data["light"], "sum")
                print(f"{'  sub-models':22s} {seed:4d}{rmsep_submodels(data):14.2f}")
                print(f"{'  kernel ridge':22s} {seed:4d}{rmsep_kernel(data):14.2f}", flush=True)
        if arguments.figure:
            draw(tables, arguments.figure)
    for by, table in tables.items():
        full = np.array(table["all effects"])
        print(f"\nnormalised by {by}: mean over seeds; lower than with all effects in")
        for name, values in table.items():
            lower = int((np.array(values) < full).sum())
            print(f"{name:22s} {np.mean(values):6.2f}   {lower}/{full.size}")


if __name__ == "__main__":
    main()

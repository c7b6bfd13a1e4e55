"""How plain PLS, blended sub-models and a non-linear model compare on simulated spectra.

    python tests/benchmarks/simulated_models.py [--seeds 1 2] [--standards 300]

SiO2, trained on the calibration standards of a campaign with all effects on, hyperparameters by
5-fold cross-validation over families, tested once on the held-out standards; two distances, each
a row. Plain preprocessing: dark subtracted, all shots averaged, each spectrometer divided by its
sum. Regressors are scikit-learn's, so that nothing here depends on calib's own.
"""

from __future__ import annotations

import argparse

import numpy as np
from sklearn.cross_decomposition import PLSRegression
from sklearn.kernel_ridge import KernelRidge
from sklearn.metrics.pairwise import euclidean_distances
from sklearn.model_selection import GroupKFold

from calib.simulate import Campaign, SimulationSettings
from calib.simulate.compositions import OXIDES
from calib.simulate.instrument import slices

MAX_COMPONENTS = 30


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


def normalise(light: np.ndarray) -> np.ndarray:
    """Divide each spectrometer of each row by its mean."""
    X = light.copy()
    for part in slices():
        X[:, part] /= X[:, part].mean(axis=1, keepdims=True)
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


def main() -> None:
    """Run the comparison and print it."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", type=int, nargs="+", default=[1])
    parser.add_argument("--standards", type=int, default=300)
    arguments = parser.parse_args()
    for seed in arguments.seeds:
        data = spectra(
            SimulationSettings(
                n_standards=arguments.standards, distances_m=(1.5, 7.5), spots=1, shots=10,
                n_check_visits=0, seed=seed,
            )
        )  # fmt: skip
        data["X"] = normalise(data["light"])
        held = np.unique(data["family"][data["held"]]).size
        pls, n = rmsep_pls(data)
        print(f"seed {seed}, {held} held-out families; RMSEP of SiO2, wt%: PLS {pls:.2f} ({n} "
              f"components), sub-models {rmsep_submodels(data):.2f}, "
              f"kernel ridge {rmsep_kernel(data):.2f}", flush=True)  # fmt: skip


if __name__ == "__main__":
    main()

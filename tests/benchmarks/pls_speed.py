"""Time cross-validated PLS1 beside what a person would otherwise run.

    python tests/benchmarks/pls_speed.py                  ratios, then how the cost grows
    python tests/benchmarks/pls_speed.py --only wide      one part of it
    python tests/benchmarks/pls_speed.py --cpu            processor seconds of one thread,
                                                          for a machine that is not idle

Ratios are taken within one run, best of several.  A reference that would take minutes is
timed on some folds and analytes and multiplied; its row says ``extrapolated``.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import tempfile
import time
import warnings
from collections.abc import Callable
from pathlib import Path

import numpy as np
from sklearn.cross_decomposition import PLSRegression
from threadpoolctl import threadpool_info, threadpool_limits

from calib.regress.pls import cross_validate, gram_matrix, permutation_test

PARTS = ("wide", "large", "tall", "permutation", "growth")


# Elapsed time, or with --cpu the processor time of this process.
clock = time.perf_counter


def spectra(n: int, p: int, m: int, folds: int, seed: int = 0) -> tuple[np.ndarray, ...]:
    """Return invented spectra, values, fold labels and standards (4 spectra each)."""
    generator = np.random.default_rng(seed)
    standard = np.arange(n) // 4
    count = standard[-1] + 1
    parts = 12
    amount = generator.gamma(1.0, 1.0, (count, parts))
    lines = generator.random((parts, p)) ** 8
    x = amount[standard] * (1 + 0.1 * generator.standard_normal((n, parts)))
    X = x @ lines + 0.05 * generator.standard_normal((n, p)) + 0.3
    Y = amount @ generator.random((parts, m)) + 0.1 * generator.standard_normal((count, m))
    return X, Y[standard], generator.permutation(count)[standard] % folds, standard


def best(run: Callable[[], object], repeats: int) -> float:
    """Return the shortest time of several runs, in seconds."""
    times = []
    for _ in range(repeats):
        start = clock()
        run()
        times.append(clock() - start)
    return min(times)


def scikit_learn(X, Y, folds, components, fits: int) -> tuple[float, str]:
    """Return the time of one refit for each fold and analyte."""
    cases = [(k, j) for k in np.unique(folds) for j in range(Y.shape[1])]
    used = cases[:: max(1, len(cases) // fits)]
    start = clock()
    for k, j in used:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            model = PLSRegression(components, scale=False).fit(X[folds != k], Y[folds != k, j])
        model.predict(X[folds == k])
    spent = clock() - start
    whole = len(used) == len(cases)
    return spent * len(cases) / len(used), "measured" if whole else "extrapolated"


def ikpls(X, Y, folds, components, algorithm: int, jobs: int, analytes: int) -> tuple[float, str]:
    """Return the time of ikpls's fast cross-validation, one analyte at a time."""
    from ikpls.fast_cross_validation.numpy import PLS

    def squared(value, prediction):
        return ((value - prediction) ** 2).sum(axis=(1, 2))

    start = clock()
    for j in range(analytes):
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            PLS(algorithm, scale_X=False, scale_Y=False).cross_validate(
                X, Y[:, [j]], components, folds, squared, n_jobs=jobs, verbose=0
            )
    spent = clock() - start
    whole = analytes == Y.shape[1]
    return spent * Y.shape[1] / analytes, "measured" if whole else "extrapolated"


R_SCRIPT = """
suppressMessages(library(pls))
a <- commandArgs(TRUE); n <- as.integer(a[2]); p <- as.integer(a[3]); k <- as.integer(a[4])
f <- file(a[1], "rb"); v <- readBin(f, "double", n * (p + 2)); close(f)
X <- matrix(v[1:(n * p)], n); y <- v[n * p + 1:n]; fold <- v[n * (p + 1) + 1:n]
spent <- system.time(for (g in unique(fold)) {
  fit <- kernelpls.fit(X[fold != g, ], y[fold != g], k, stripped = TRUE)
  out <- scale(X[fold == g, ], fit$Xmeans, FALSE) %*% matrix(fit$coefficients, p)
})[[a[5]]]
cat(spent, "\n"); cat(extSoftVersion()[["BLAS"]], "\n")
"""


def r_kernelpls(X, Y, folds, components) -> tuple[float, str, str] | None:
    """Return the time of R's kernelpls refitted for each fold, one analyte times all."""
    if shutil.which("Rscript") is None:
        return None
    with tempfile.TemporaryDirectory() as folder:
        data, script = Path(folder, "data"), Path(folder, "time.R")
        np.concatenate([X.T.ravel(), Y[:, 0], folds.astype(float)]).tofile(data)
        script.write_text(R_SCRIPT)
        arguments = [str(data), str(X.shape[0]), str(X.shape[1]), str(components)]
        arguments.append("elapsed" if clock is time.perf_counter else "user.self")
        done = subprocess.run(
            ["Rscript", str(script), *arguments], capture_output=True, text=True, check=False
        )
    if done.returncode:
        print("R with its package pls did not run:", done.stderr.strip().splitlines()[-1])
        return None
    spent, blas = done.stdout.split("\n")[:2]
    return float(spent) * Y.shape[1], "extrapolated", Path(blas.strip()).name


def report(name: str, seconds: float, ours: float, how: str) -> None:
    """Print one line of a comparison."""
    print(f"  {name:<44}{seconds * 1e3:>12.1f} ms{seconds / ours:>10.1f} ×   {how}", flush=True)


def compare(n: int, p: int, args: argparse.Namespace, fits: int, wide: bool) -> None:
    """Print this package's time and the references' for one size."""
    X, Y, folds, _ = spectra(n, p, args.analytes, args.folds)
    repeats = args.repeats if n <= 1000 else 3

    def run() -> None:
        cross_validate(X, Y, folds, args.components)

    print(f"n = {n}, p = {p}, {args.analytes} analytes, {args.folds} folds, "
          f"{args.components} components; ratio to cross_validate")  # fmt: skip
    run()
    ours = product = float("inf")
    for _ in range(2):  # by turns, so that a busy machine slows both
        ours = min(ours, best(run, repeats))
        if wide:
            product = min(product, best(lambda: X @ X.T, repeats))
        else:
            product = min(product, best(lambda: X.T @ X, repeats))
    report("cross_validate", ours, ours, "measured")
    report("one product " + ("X @ X.T" if wide else "X.T @ X"), product, ours, "measured")
    print(f"    cross_validate is {ours / product:.2f} × that product")
    if wide:
        gram = gram_matrix(X)
        rest = best(lambda: cross_validate(X, Y, folds, args.components, gram=gram), repeats)
        report("cross_validate with the Gram matrix at hand", rest, ours, "measured")
        scaled = best(lambda: cross_validate(X, Y, folds, args.components, True), 1)
        report("cross_validate, scaled", scaled, ours, "measured")
    spent, how = scikit_learn(X, Y, folds, args.components, fits)
    report("scikit-learn PLSRegression, refitted", spent, ours, how)
    for algorithm in (1, 2):
        if algorithm == 2 and p > 2000 and not args.slow:
            print("  ikpls fast, algorithm 2: left out (p × p matrices); --slow runs it")
            continue
        for jobs in (1,) if args.cpu else (1, 2):
            spent, how = ikpls(X, Y, folds, args.components, algorithm, jobs, 1 + (n <= 500))
            report(f"ikpls fast, algorithm {algorithm}, {jobs} job(s)", spent, ours, how)
    found = r_kernelpls(X, Y, folds, args.components) if n * p < 2e7 else None
    if found:
        report(f"R pls kernelpls, refitted ({found[2]})", found[0], ours, found[1])


def permutations(args: argparse.Namespace) -> None:
    """Print the time of a permutation test."""
    X, Y, folds, standard = spectra(500, 6144, args.analytes, args.folds)
    start = clock()
    permutation_test(X, Y, folds, args.components, standard, n_permutations=args.permutations)
    spent = clock() - start
    print(f"permutation test, {args.permutations} shuffles of {args.analytes} analytes, n = 500: "
          f"{spent:.1f} s measured, {spent * 1000 / args.permutations:.1f} s for 1000")  # fmt: skip


def growth(args: argparse.Namespace) -> None:
    """Print how the time grows with each size."""
    base = {"n": 500, "p": 6144, "folds": 10, "components": 30}
    print("how the cost grows, from n = 500, p = 6144, 10 folds, 30 components, "
          f"{args.analytes} analytes")  # fmt: skip
    print(f"  {'n':>7}{'p':>7}{'folds':>7}{'components':>12}{'ms':>11}   how")
    changes = [
        {},
        *({"n": n} for n in (125, 250, 1000, 2000)),
        *({"p": p} for p in (512, 1536, 12288)),
        *({"folds": f} for f in (5, 20, 125)),
        *({"components": a} for a in (5, 10, 20)),
        *({"n": n, "p": 512} for n in (1000, 5000, 20000)),
    ]
    for change in changes:
        size = base | change
        X, Y, folds, _ = spectra(size["n"], size["p"], args.analytes, size["folds"])
        repeats = 5 if size["n"] <= 1000 else 2
        spent = best(lambda: cross_validate(X, Y, folds, size["components"]), repeats)  # noqa: B023
        print(f"  {size['n']:>7}{size['p']:>7}{size['folds']:>7}{size['components']:>12}"
              f"{spent * 1e3:>11.1f}   measured", flush=True)  # fmt: skip


def main() -> None:
    """Run the parts asked for."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--only", choices=PARTS, action="append")
    parser.add_argument("--analytes", type=int, default=8)
    parser.add_argument("--folds", type=int, default=10)
    parser.add_argument("--components", type=int, default=30)
    parser.add_argument("--repeats", type=int, default=9)
    parser.add_argument("--permutations", type=int, default=1000)
    parser.add_argument("--fits", type=int, default=20, help="refits of scikit-learn timed")
    parser.add_argument("--slow", action="store_true", help="also run the slowest references")
    parser.add_argument("--cpu", action="store_true", help="processor time of one thread")
    args = parser.parse_args()
    if args.cpu:
        global clock
        clock = time.process_time
        threadpool_limits(1)
    parts = args.only or PARTS
    blas = {(i["internal_api"], i.get("architecture"), i["num_threads"]) for i in threadpool_info()}
    print(f"{os.cpu_count()} cores; BLAS {sorted(map(str, blas))}; "
          f"OPENBLAS_CORETYPE {os.environ.get('OPENBLAS_CORETYPE', 'unset')}; "
          f"{'processor' if args.cpu else 'elapsed'} time")  # fmt: skip
    if "wide" in parts:
        compare(500, 6144, args, fits=80 if args.slow else args.fits, wide=True)
    if "large" in parts:
        compare(2000, 6144, args, fits=min(4, args.fits), wide=True)
    if "tall" in parts:
        compare(20000, 512, args, fits=min(8, args.fits), wide=False)
    if "permutation" in parts:
        permutations(args)
    if "growth" in parts:
        growth(args)


if __name__ == "__main__":
    main()

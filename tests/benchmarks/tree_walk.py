"""How fast frozen trees predict, as a ratio to scikit-learn's own forest on the same numbers.

python tests/benchmarks/tree_walk.py [--rows 1 400 10000] [--repeats 5]
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable

import numpy as np
from sklearn.ensemble import RandomForestRegressor

from calib.regress import predictors
from calib.regress.random_forest import RandomForest

CHANNELS, TRAIN, TREES = 384, 400, 60


def fastest(work: Callable[[], object], repeats: int) -> float:
    """Return the least of several times, s."""
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return min(times)


def main() -> None:
    """Print one line for each number of rows."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rows", type=int, nargs="+", default=[1, 400, 10000])
    parser.add_argument("--repeats", type=int, default=5)
    given = parser.parse_args()
    generator = np.random.default_rng(0)
    X = generator.standard_normal((TRAIN, CHANNELS))
    y = X[:, :40].sum(axis=1)
    model = RandomForest(on="channels", n_trees=TREES, n_tried=20, min_samples_leaf=1).fit(X, y)
    plain = RandomForestRegressor(TREES, max_features=20, random_state=0).fit(X, y)
    print(f"{TREES} trees, {model.arrays_['feature'].size} nodes, {CHANNELS} channels")
    print("    rows   ours, s   scikit-learn, s   ratio")
    for rows in given.rows:
        new = generator.standard_normal((rows, CHANNELS))
        ours = fastest(lambda new=new: predictors.trees(new, **model.arrays_), given.repeats)
        theirs = fastest(lambda new=new: plain.predict(new), given.repeats)
        print(f"{rows:8d}  {ours:8.4f}  {theirs:16.4f}  {ours / theirs:6.2f}")


if __name__ == "__main__":
    main()

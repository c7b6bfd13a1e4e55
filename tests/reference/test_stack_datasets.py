"""The stack against its own members on three open data sets.

Sources: ``gasoline`` and ``yarn`` of R's ``pls`` (``data/README.md``; their own test rows), and
scikit-learn's ``load_diabetes`` (Efron et al. 2004, Ann. Stat. 32:407,
doi 10.1214/009053604000000067).
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from sklearn.datasets import load_diabetes

from calib.regress import predictors
from calib.regress.family import Problem, family
from calib.regress.stack import stack
from calib.validate.scores import rmse

DATA = Path(__file__).parent / "data"

MEMBERS = {
    "pls": {},
    "independent_components": {"kind": "pls", "n_components": 6},
    "extra_trees": {"on": "scores", "kind": "pls", "n_components": 5},
    "gradient_boosting": {"on": "scores", "kind": "pca", "n_components": 5, "min_samples_leaf": 3},
}
SETS = ["gasoline", "yarn", "diabetes"]


def data(name: str):
    """Return X, y and which rows are for testing."""
    if name == "diabetes":
        X, y = load_diabetes(return_X_y=True)
        return X, y, np.arange(len(y)) % 4 == 3
    table = pd.read_csv(DATA / f"{name}.csv")
    y = table["octane" if name == "gasoline" else "density"].to_numpy()
    X = table.drop(columns=["standard", "use", "octane", "density"], errors="ignore")
    return X.to_numpy(float), y, (table["use"] != "calibration").to_numpy()


@cache
def contest(name: str):
    """Cross-validate the members on the training rows, and predict the test rows."""
    X, y, held = data(name)
    X_new, y_new, X, y = X[held], y[held], X[~held], y[~held]
    n = len(y)
    generator = np.random.default_rng(0)
    folds = np.stack([generator.permutation(np.arange(n) % 10) for _ in range(3)])
    problem = Problem(X, y[:, None], folds, np.arange(n), (name,))
    out_of_fold, tested = [], []
    for member, settings in MEMBERS.items():
        module = family(member)
        options = module.options({"max_components": 8})
        selection = module.attempt(problem, 0, options, settings)
        fitted = module.fit(X, y, selection.settings)
        out_of_fold.append(selection.out_of_fold)
        tested.append(predictors.predict(fitted.predictor, X_new, fitted.arrays))
    return np.stack(out_of_fold), y, folds, np.stack(tested), y_new


def standard_error(predicted, y):
    """Of a root mean square error, from the spread of squared errors between samples."""
    squares = np.atleast_2d((predicted - y) ** 2).mean(axis=0)
    return squares.std(ddof=1) / np.sqrt(len(squares)) / (2 * np.sqrt(squares.mean()))


@pytest.mark.parametrize("by_range", [False, True])
@pytest.mark.parametrize("name", SETS)
def test_stack_is_never_worse_than_its_best_member_by_more_than_its_standard_error(name, by_range):
    members, y, folds, tested, y_new = contest(name)
    made = stack(members, y, folds, np.arange(len(y)), by_range=by_range)
    errors = [rmse(each, y) for each in members]
    best = int(np.argmin(errors))
    assert rmse(made.out_of_fold, y) <= errors[best] + standard_error(members[best], y)
    new = predictors.combine(made.combine, tested[list(made.members)], made.arrays)
    # of new rows: the member that cross-validation would have taken
    limit = rmse(tested[best], y_new) + standard_error(tested[best], y_new)
    assert rmse(new, y_new) <= limit

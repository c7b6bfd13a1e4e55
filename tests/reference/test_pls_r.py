"""PLS against R's package pls, and against a table printed in its paper.

Source: Mevik & Wehrens (2007), The pls Package, J. Stat. Softw. 18(2),
doi:10.18637/jss.v018.i02; data and numbers of the package's version 2.8.1, written by
``data/pls_export.R`` (see ``data/README.md``).
"""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from calib.regress.pls import (
    PLS,
    choose_components,
    cross_validate,
    cross_validated_mean,
    randomisation_test,
)

DATA = Path(__file__).parent / "data"

# The numbers are written with 13 digits; R deflates X, so its own rounding comes on top.
AGREEMENT = 1e-8

# Mevik & Wehrens (2007), section 3: RMSEP of the gasoline data by leave-one-out on rows
# 1–50 and on rows 51–60, for 0 … 10 components, as printed.
PRINTED_RMSECV = "1.545 1.357 0.2966 0.2524 0.2476 0.2398 0.2319 0.2386 0.2316 0.2449 0.2673"
PRINTED_RMSEP = "1.5369 1.1696 0.2445 0.2341 0.3287 0.2780 0.2703 0.3301 0.3571 0.4090 0.6116"


@pytest.fixture(scope="module")
def r_values() -> pd.DataFrame:
    return pd.read_csv(DATA / "pls_r_values.csv")


def gasoline() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    table = pd.read_csv(DATA / "gasoline.csv")
    training = (table["use"] == "calibration").to_numpy()
    return table.iloc[:, 3:].to_numpy(), table["octane"].to_numpy(), training


def data_set(name: str, analyte: str) -> tuple[np.ndarray, np.ndarray]:
    """Return the training rows."""
    if name == "gasoline":
        X, y, training = gasoline()
        return X[training], y[training]
    table = pd.read_csv(DATA / f"{name}.csv")
    if name == "yarn":
        table = table[table["use"] == "calibration"]
        return table.iloc[:, 2:].to_numpy(), table["density"].to_numpy()
    chemical = table[["Acidity", "Peroxide", "K232", "K270", "DK"]]
    return chemical.to_numpy(), table[analyte].to_numpy()


CASES = [
    ("gasoline", "octane", False),
    ("yarn", "density", False),
    *(
        ("oliveoil", name, True)
        for name in ("yellow", "green", "brown", "glossy", "transp", "syrup")
    ),
]


def table_of(r_values: pd.DataFrame, name: str, quantity: str, analyte: str) -> np.ndarray:
    """Return R's numbers (components, index), or one row where not by component."""
    rows = r_values[
        (r_values["set"] == name)
        & (r_values["quantity"] == quantity)
        & (r_values["analyte"] == analyte)
    ]
    assert len(rows)
    return rows.pivot(index="components", columns="index", values="value").to_numpy()


def root_mean_square(error: np.ndarray) -> np.ndarray:
    return np.sqrt((error**2).mean(axis=-1))


def test_gasoline_cross_validation_meets_the_printed_table():
    X, y, training = gasoline()
    X, y = X[training], y[training]
    one_out = np.arange(len(y))
    path = np.concatenate(
        [cross_validated_mean(y, one_out)[None], cross_validate(X, y, one_out, 10)]
    )[:, :, 0]
    assert [f"{e:.4g}" for e in root_mean_square(path - y)] == PRINTED_RMSECV.split()


def test_gasoline_held_out_rows_meet_the_printed_table():
    X, y, training = gasoline()
    model = PLS(10).fit(X[training], y[training])
    path = [np.full(10, y[training].mean())]
    path += [model.predict(X[~training], a) for a in range(1, 11)]
    found = root_mean_square(np.array(path) - y[~training])
    assert [f"{e:.4f}" for e in found] == PRINTED_RMSEP.split()


@pytest.mark.parametrize(("name", "analyte", "scale"), CASES)
def test_leave_one_out_predictions_equal_those_of_r(r_values, name, analyte, scale):
    X, y = data_set(name, analyte)
    expected = table_of(r_values, name, "loo_prediction", analyte)
    got = cross_validate(X, y, np.arange(len(y)), len(expected), scale)[:, :, 0]
    assert np.abs(got - expected).max() <= AGREEMENT * np.ptp(y)


@pytest.mark.parametrize(("name", "analyte", "scale"), CASES)
def test_model_parts_equal_those_of_r(r_values, name, analyte, scale):
    X, y = data_set(name, analyte)
    expected = table_of(r_values, name, "coefficient", analyte)
    count = len(expected)
    model = PLS(count, scale=scale).fit(X, y)
    # R gives coefficients of scaled channels.
    got = model.coef_path_[:, 0, :] * model.x_scale_[0]
    limit = AGREEMENT * np.abs(expected).max(axis=1, keepdims=True)
    assert (np.abs(got - expected) <= limit).all()
    for quantity, ours in {
        "weight": model.x_weights_[0].T,
        "score": model.x_scores_[0].T,
        "loading": model.x_loadings_[0].T,
    }.items():
        theirs = table_of(r_values, name, quantity, analyte)
        scale_of = np.abs(theirs).max(axis=1, keepdims=True)
        sign = np.sign((ours * theirs).sum(axis=1, keepdims=True))
        assert (np.abs(ours * sign - theirs) <= AGREEMENT * scale_of).all(), quantity
    explained = table_of(r_values, name, "x_explained", analyte)[0]
    np.testing.assert_allclose(model.x_explained_variance_ratio_[0], explained, atol=AGREEMENT)


def test_error_per_component_equals_that_of_r(r_values):
    X, y = data_set("yarn", "density")
    one_out = np.arange(len(y))
    path = cross_validate(X, y, one_out, 6)[:, :, 0]
    choice = choose_components(path, y, one_out, baseline=cross_validated_mean(y, one_out)[:, 0])
    expected = table_of(r_values, "yarn", "rmsecv", "density")[0]
    np.testing.assert_allclose(choice.rmsecv, expected, rtol=AGREEMENT)


def test_randomisation_p_values_equal_those_of_r(r_values):
    X, y = data_set("gasoline", "octane")
    one_out = np.arange(len(y))
    path = cross_validate(X, y, one_out, 10)[:, :, 0] - y
    best = int(np.argmin(root_mean_square(path)))
    expected = table_of(r_values, "gasoline", "randomisation_p", "octane")[0]
    got = [
        randomisation_test(path[a], path[best], one_out, n_draws=20_000, seed=a)
        for a in range(best)
    ]
    # Both are shares of random draws (20 000 here, 99 999 in R): four standard errors.
    spread = 4 * np.sqrt(expected * (1 - expected) * (1 / 20_000 + 1 / 99_999)) + 1e-4
    assert (np.abs(np.array(got) - expected) <= spread).all()

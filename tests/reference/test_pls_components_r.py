"""Component counts against ``selectNcomp`` of R's package pls, on the data it brings.

Source: package version 2.8.1, numbers written by ``data/pls_select_export.R`` (see
``data/README.md``). Both rules of `choose_components` are also rules of ``selectNcomp``:

- *randomization* is the same test (van der Voet 1994). R adds 0.5 to the count of extreme
  permutations, we count the observed signs as one: no count here depends on it.
- *onesigma* is not the same. R takes the fewest components whose RMSECV, less the standard
  deviation of its own residuals over √n, is below the least RMSECV. Ours (Breiman et al. 1984)
  compares mean squares, and takes the standard error, over standards, of the squared errors of
  the best count. So the test recomputes R's rule from our predictions, which must agree, and
  holds our own choice to within one component of R's.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from calib.regress.pls import choose_components, cross_validate, cross_validated_mean

DATA = Path(__file__).parent / "data"

# R deflates X, and writes 13 digits.
AGREEMENT = 1e-8

CASES = [
    (name, validation)
    for name in ("gasoline", "yarn")
    for validation in ("leave-one-out", "10 interleaved")
]


@pytest.fixture(scope="module")
def selected() -> pd.Series:
    table = pd.read_csv(DATA / "pls_selected.csv")
    return table.groupby(["set", "validation", "quantity"])["value"].apply(np.array)


def path_of(name: str, validation: str, most: int) -> tuple[np.ndarray, np.ndarray]:
    """Return out-of-fold predictions from 0 to `most` components, and the certified values."""
    table = pd.read_csv(DATA / f"{name}.csv")
    table = table[table["use"] == "calibration"].drop(columns=["use", "standard"], errors="ignore")
    y, X = table.iloc[:, 0].to_numpy(), table.iloc[:, 1:].to_numpy()
    one_out = np.arange(len(y))
    folds = one_out if validation == "leave-one-out" else one_out % 10
    # R predicts without a component by the mean of all other rows, whatever the segments are
    start = cross_validated_mean(y, one_out)[None, :, 0]
    return np.concatenate([start, cross_validate(X, y, folds, most)[:, :, 0]]), y


@pytest.mark.parametrize(("name", "validation"), CASES)
def test_counts_equal_those_of_r(selected, name, validation):
    theirs = selected[name, validation]
    path, y = path_of(name, validation, len(theirs["rmsecv"]) - 1)
    rows = np.arange(len(y))

    def chosen(rule: str) -> int:
        found = choose_components(path[1:], y, rows, rule, baseline=path[0], n_draws=9999)
        np.testing.assert_allclose(found.rmsecv, theirs["rmsecv"], rtol=AGREEMENT)
        return found.n_components

    assert chosen("minimum") == theirs["selected_minimum"][0]
    assert chosen("randomisation") == theirs["selected_randomization"][0]
    one_sigma = theirs["selected_onesigma"][0]
    residuals = path - y
    rmsecv = np.sqrt(np.mean(residuals**2, axis=1))
    below = rmsecv - residuals.std(axis=1, ddof=1) / np.sqrt(len(y)) < rmsecv.min()
    assert np.argmax(below) == one_sigma
    assert abs(chosen("one-standard-error") - one_sigma) <= 1

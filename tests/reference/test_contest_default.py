"""The contest with nothing set but the library, against real data and R's PLS.

Gasoline: Kalivas 1997, Chemom. Intell. Lab. Syst. 37:255; the mean alone gives an RMSEP of 1.54 and
the published PLS table 0.23 to 0.33 at 2 to 6 components (``test_gasoline.py``). Yarn: Swierenga et
al. 1999, Chemom. Intell. Lab. Syst. 49:1; R's ``plsr`` with the component count of least
leave-one-out RMSECV, ``data/pls_selected.csv``. Both with the training and test rows of R's package
``pls`` (``data/README.md``).
"""

from __future__ import annotations

from pathlib import Path

import pandas as pd

import calib as package

DATA = Path(__file__).parent / "data"

GASOLINE = 0.25
"""Octane numbers: what a PLS of few components reaches in the published table, rounded up."""


def searched(calib, folder: Path, table: Path, analyte: str, unit: str) -> package.Run:
    """Import a table, train on it with every default, and return the run."""
    status, _, err = calib(
        "library", "import", table, folder / "library", "--analytes", analyte,
        "--unit", f"{analyte}={unit}", "--signal", "absorption",
    )  # fmt: skip
    assert status == 0, err
    (folder / "plain.toml").write_text('library = "library"\n')
    status, _, err = calib("train", folder / "plain.toml", "--out", folder / "run")
    assert status == 0, err
    return package.open_run(folder / "run")


def test_default_search_predicts_octane_as_well_as_the_published_pls(calib, tmp_path):
    run = searched(calib, tmp_path, DATA / "gasoline.csv", "octane", "RON")
    assert "step left out: dark: no darks" in run.results["notes"]
    assert "no emission lines" in " ".join(run.results["notes"])
    assert run.analytes["octane"]["n_held_out"] == 10
    assert run.analytes["octane"]["rmsep"] <= GASOLINE


def test_default_search_predicts_yarn_no_worse_than_pls_of_r(calib, tmp_path):
    table = pd.read_csv(DATA / "yarn.csv")
    # the channels have no wavelengths there: any axis serves
    channels = {f"x{i}": str(1000 + i) for i in range(1, 269)}
    names = pd.Series([f"y{i:02d}" for i in range(len(table))], name="standard")
    pd.concat([names, table.rename(columns=channels)], axis=1).to_csv(
        tmp_path / "yarn.csv", index=False
    )
    run = searched(calib, tmp_path, tmp_path / "yarn.csv", "density", "g")
    theirs = pd.read_csv(DATA / "pls_selected.csv")
    theirs = theirs[(theirs["set"] == "yarn") & (theirs["validation"] == "leave-one-out")]
    limit = theirs.loc[theirs["quantity"] == "rmsep_at_minimum", "value"].item()
    assert run.analytes["density"]["n_held_out"] == 7
    assert run.analytes["density"]["rmsep"] <= limit

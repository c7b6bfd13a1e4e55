"""Write ``tests/reference/data/igneous.csv``: volcanic analyses that ``pyrolite`` carries.

    python tests/reference/export_igneous.py

The 551 analyses are the test set of Verma S.P., Torres-Alvarado I.S., Velasco-Tapia F. 2003
(Schweiz. Mineral. Petrogr. Mitt. 83, 197), in the package ``pyrolite`` (MIT). Total iron is
FeOT where given, else Fe2O3T, else the sum of both oxides, as FeO; rows without SiO2 above
35 wt% (carbonatites, melilitites) or with a total above 105 wt% (a typing error) are left out.
"""

from __future__ import annotations

import importlib.util
from pathlib import Path

import pandas as pd

OXIDES = ["SiO2", "TiO2", "Al2O3", "FeOT", "MnO", "MgO", "CaO", "Na2O", "K2O", "P2O5"]
FE2O3_TO_FEO = 0.89981  # 2 M(FeO) / M(Fe2O3)


def main() -> None:
    """Write the table."""
    folder = Path(importlib.util.find_spec("pyrolite").submodule_search_locations[0])
    raw = pd.read_csv(folder / "data" / "testing" / "CIPW_Verma_Test.csv")
    table = raw[[o.upper() for o in OXIDES]].apply(pd.to_numeric, errors="coerce")
    table.columns = OXIDES
    given = raw[["FE2O3T", "FEO", "FE2O3"]].apply(pd.to_numeric, errors="coerce").fillna(0.0)
    parts = given["FEO"] + FE2O3_TO_FEO * given["FE2O3"]
    iron = table["FeOT"].fillna(0.0)
    iron = iron.where(iron > 0, FE2O3_TO_FEO * given["FE2O3T"])
    table["FeOT"] = iron.where(iron > 0, parts)
    keep = (table["SiO2"] > 35) & (table.sum(axis=1) < 105)
    path = Path(__file__).parent / "data" / "igneous.csv"
    table[keep].round(3).to_csv(path, index=False, lineterminator="\n")


if __name__ == "__main__":
    main()

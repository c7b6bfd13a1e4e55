"""The gasoline data through the public commands, against the published table.

Data: Kalivas 1997, Chemom. Intell. Lab. Syst. 37:255, as carried by R's ``pls`` package (how it was
exported: ``data/README.md``). Table: Mevik & Wehrens 2007, J. Stat. Softw. 18(2), section 3,
doi 10.18637/jss.v018.i02.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

DATA = Path(__file__).parent / "data" / "gasoline.csv"

# As printed there; every digit must be met.
PUBLISHED_CV = [
    "1.545",
    "1.357",
    "0.2966",
    "0.2524",
    "0.2476",
    "0.2398",
    "0.2319",
    "0.2386",
    "0.2316",
    "0.2449",
    "0.2673",
]
PUBLISHED_TEST = [
    "1.5369",
    "1.1696",
    "0.2445",
    "0.2341",
    "0.3287",
    "0.2780",
    "0.2703",
    "0.3301",
    "0.3571",
    "0.4090",
    "0.6116",
]

EXPERIMENT = """
library = "fuel"
[preprocess]
steps = []
[folds]
count = "leave-one-out"
[models]
families = ["pls"]
[models.pls]
max_components = 10
"""


def as_printed(value: float, printed: str) -> str:
    return f"{value:.{len(printed.partition('.')[2])}f}"


@pytest.fixture
def fuel(tmp_path: Path, calib: Callable[..., tuple[int, str, str]]) -> Path:
    status, out, _ = calib(
        "library", "import", DATA, tmp_path / "fuel", "--analytes", "octane", "--unit", "octane=RON"
    )
    assert status == 0
    assert "50 calibration, 10 held-out" in out
    return tmp_path


def test_published_table_is_met_to_every_digit(fuel, calib):
    import calib as package

    (fuel / "fuel.toml").write_text(EXPERIMENT)
    status, out, _ = calib("train", fuel / "fuel.toml", "--out", fuel / "run", "--components")
    assert status == 0
    curve = package.open_run(fuel / "run").table("curves")
    assert curve["n_components"].tolist() == list(range(11))
    found_cv = [as_printed(*pair) for pair in zip(curve["rmsecv"], PUBLISHED_CV, strict=True)]
    found_test = [as_printed(*pair) for pair in zip(curve["rmsep"], PUBLISHED_TEST, strict=True)]
    assert found_cv == PUBLISHED_CV
    assert found_test == PUBLISHED_TEST
    for printed in PUBLISHED_TEST:
        assert printed in out

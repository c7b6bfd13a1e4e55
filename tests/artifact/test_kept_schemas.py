"""A frozen model of every schema loads and predicts the same numbers for ever.

The expected numbers are those of the code that first wrote the schema (`keep_schema`).
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from safetensors.numpy import load_file

import calib
from calib.artifact import check

DATA = Path(__file__).parent / "data"
KEPT = sorted(path.name for path in DATA.glob("schema*") if path.is_dir())


@pytest.mark.parametrize("name", KEPT)
def test_it_loads_and_predicts_the_same(name):
    model = calib.load(DATA / name)
    expected = load_file(DATA / f"{name}.safetensors")
    found = model.predict_arrays(
        list(expected["counts"]), model.wavelength, dark=expected["dark"]
    )  # fmt: skip
    for key in ("value", "uncertainty", "low", "high"):
        np.testing.assert_allclose(getattr(found, key), expected[key], rtol=1e-9, err_msg=key)
    assert found.flags.tolist() == json.loads((DATA / f"{name}.json").read_text())


@pytest.mark.parametrize("name", KEPT)
def test_it_passes_its_check(name):
    _, verdicts = check.check_artifact(str(DATA / name))
    assert [verdict.passed for verdict in verdicts] == [True, True]

"""A frozen model of every schema loads and predicts the same numbers for ever.

The expected numbers are those of the code that first wrote the schema (`keep_schema`).
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
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


@pytest.mark.parametrize("name", KEPT)
def test_it_passes_its_check_with_the_arithmetic_of_an_older_processor(name):
    """No vector instructions that numpy chooses at run time, another kernel of its BLAS."""
    features = " ".join(np._core._multiarray_umath.__cpu_dispatch__)
    env = os.environ | {"NPY_DISABLE_CPU_FEATURES": features, "OPENBLAS_CORETYPE": "Nehalem"}
    code = "import sys; from calib.artifact import check; found = check.check_artifact(sys.argv[1])"
    code += "[1]; print([v.passed for v in found], found[1].detail)"
    done = subprocess.run(
        [sys.executable, "-W", "ignore", "-c", code, str(DATA / name)],
        capture_output=True, text=True, check=True, env=env, cwd=Path(__file__).parents[2],
    )  # fmt: skip
    assert done.stdout.startswith("[True, True] 3 bursts")

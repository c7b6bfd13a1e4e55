"""A few of the fuzzer's cases; `fuzz_loader` runs as many as wanted."""

from __future__ import annotations

import tempfile
import warnings
from pathlib import Path

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from safetensors.numpy import load, save_file

import calib as package
from calib.errors import ArtifactError
from calib.regress.predictors import PREDICTORS
from tests.artifact.conftest import reseal
from tests.artifact.fuzz_loader import case, judge, models

KEPT = models()


@given(st.integers(0, 2**32))
@settings(max_examples=200, deadline=None)
def test_a_changed_model_is_refused_or_predicts(number):
    try:
        made = case(number, KEPT, 0)
    except (UnicodeEncodeError, ValueError, KeyError, IndexError):
        assume(False)  # the case itself cannot be written
    with tempfile.TemporaryDirectory() as folder, warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # numbers made odd may overflow
        assert judge(made, Path(folder)) in ("predicted", "refused")


def test_the_fuzzer_starts_from_sound_models_of_every_predictor():
    with tempfile.TemporaryDirectory() as folder:
        assert [judge(files, Path(folder)) for files in KEPT] == ["predicted"] * 3
    for kind in PREDICTORS:
        assert f'"predictor": "{kind}"'.encode() in KEPT[-1]["manifest.json"]


@pytest.mark.parametrize(
    ("key", "value", "message"),
    [
        ("SiO2/member4/children", np.array([[1, 2], [0, 0], [2, 2]]), "leads back"),
        ("SiO2/member4/children", np.array([[1, 2], [-1, 1], [2, 2]]), "leads back"),
        ("SiO2/member4/children", np.array([1, 2, 2]), "leads back"),
        ("SiO2/member3/components", np.array([10**9]), "more components than"),
    ],
)
def test_predictors_that_would_never_end_are_refused(tmp_path, key, value, message):
    for name, data in KEPT[-1].items():
        (tmp_path / name).write_bytes(data)
    arrays = load((tmp_path / "arrays.safetensors").read_bytes())
    assert key in arrays
    save_file(arrays | {key: value}, tmp_path / "arrays.safetensors")
    reseal(tmp_path)
    with pytest.raises(ArtifactError, match=message):
        package.load(tmp_path)

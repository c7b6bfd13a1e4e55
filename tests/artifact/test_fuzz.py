"""A few of the fuzzer's cases; `fuzz_loader` runs as many as wanted."""

from __future__ import annotations

import tempfile
import warnings
from pathlib import Path

from hypothesis import assume, given, settings
from hypothesis import strategies as st

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

"""Correction of p values for their number, against statsmodels."""

from __future__ import annotations

import numpy as np
import pytest
from statsmodels.stats.multitest import multipletests

from calib.validate.comparison import holm


@pytest.mark.parametrize("seed", range(5))
def test_holm_equals_statsmodels(seed):
    """Source: PyPI ``statsmodels``, ``multipletests(method="holm")``."""
    p = np.random.default_rng(seed).uniform(0, 0.2, 7)
    theirs = multipletests(p, method="holm")[1]
    np.testing.assert_allclose(holm(p.tolist()), theirs, rtol=1e-12)

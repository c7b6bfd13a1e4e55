"""LASSO: least squares with a penalty on the absolute values, which leaves few channels.

Tibshirani (1996), J. R. Stat. Soc. B 58:267, doi 10.1111/j.2517-6161.1996.tb02080.x: the elastic
net whose penalty has no part on squares. Options under ``[models.lasso]`` as those of
`calib.regress.elastic_net`.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calib.regress import elastic_net
from calib.regress.elastic_net import complexity, fit
from calib.regress.family import Problem, Selection, Watch, unwatched
from calib.regress.space import Space

__all__ = ["attempt", "complexity", "fit", "options", "space"]

Floats = NDArray[np.floating]

ORDER = 30


def options(given: Mapping[str, Any]) -> dict[str, Any]:
    """Check the options of ``[models.lasso]`` and fill the defaults."""
    return elastic_net.checked("lasso", given)


def space(options: Mapping[str, Any]) -> Space:
    """Return nothing: an attempt tries every penalty."""
    return {}


def attempt(
    problem: Problem,
    column: int,
    options: Mapping[str, Any],
    settings: Mapping[str, Any],
    watch: Watch = unwatched,
) -> Selection:
    """Cross-validate every penalty of one analyte; the watch sees the best so far."""
    return elastic_net.attempt(problem, column, options, {"l1_share": 1.0}, watch)

"""Small invented spectra for the steps: lines on a continuum, three spectrometers."""

from __future__ import annotations

import numpy as np
import pytest

from calib.preprocess import Acquisition
from calib.preprocess.register import LINES_NM

N = 1024
PARTS = (slice(0, N), slice(N, 2 * N), slice(2 * N, 3 * N))
AXIS = np.concatenate(
    [np.linspace(228, 332, N), np.linspace(372, 492, N), np.linspace(560, 880, N)]
)
WIDTH = 1.5
"""Standard deviation of the lines, channels."""


def lines(drift: float = 0.0, stretch: float = 0.0) -> np.ndarray:
    """One spectrum without noise, its lines moved by `drift` channels, more along the axis."""
    out = np.empty(AXIS.size)
    for part in PARTS:
        axis, channel = AXIS[part], np.arange(N)
        row = 100 + 40 * np.sin(axis / 25)
        for i, line in enumerate(LINES_NM):
            if axis[0] < line < axis[-1]:
                at = np.interp(line, axis, channel)
                at += drift + stretch * at / (N - 1)
                row += 3000 / (1 + i % 4) * np.exp(-0.5 * ((channel - at) / WIDTH) ** 2)
        out[part] = row
    return out


@pytest.fixture
def axis() -> np.ndarray:
    return AXIS


@pytest.fixture
def shot() -> Acquisition:
    return Acquisition(
        PARTS,
        dark=np.full(AXIS.size, 20.0),
        distance_m=np.tile([1.5, 3.0, 5.0, 7.5], 5),
        standards=np.repeat(["a", "b", "c", "d", "e"], 4),
    )


@pytest.fixture
def counts() -> np.ndarray:
    """Twenty spectra of five standards at four distances, with noise."""
    rng = np.random.default_rng(11)
    light = rng.uniform(0.5, 2, (20, 1))
    shape = np.repeat(rng.uniform(0.8, 1.2, (5, AXIS.size)), 4, axis=0)
    clean = light * shape * lines()
    return clean + np.sqrt(clean) * rng.standard_normal(clean.shape)

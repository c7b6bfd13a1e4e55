"""Slit, drift, noise and converter of the invented instrument."""

from functools import cache

import numpy as np
import pytest

from calib.simulate import instrument as heron
from calib.simulate.instrument import Instrument, collected_light, wavelength_axis


@cache
def instrument() -> Instrument:
    return Instrument(np.random.default_rng(0))


def test_axis_is_that_of_the_design() -> None:
    axis = wavelength_axis()
    assert axis.size == 6144
    for part, each in zip(heron.slices(), heron.SPECTROMETERS, strict=True):
        assert axis[part][0] == pytest.approx(each.first_nm)
        assert axis[part][-1] == pytest.approx(each.last_nm)
        assert (np.diff(axis[part]) > 0).all()


def line_image(shift: float) -> np.ndarray:
    """Image of a narrow line at the middle of the first spectrometer."""
    grid = instrument().model.grid
    centre = wavelength_axis()[1024]
    light = np.exp(-0.5 * ((grid - centre) / 0.02) ** 2)[:, None].astype(np.float32)
    zero = np.array([0.0])
    return instrument().radiance_on_channels(light, zero, np.full(3, shift))[0, :2048]


def test_flat_light_stays_flat() -> None:
    light = np.ones((instrument().model.grid.size, 1), dtype=np.float32)
    out = instrument().radiance_on_channels(light, np.array([0.0]), np.array([0.0, 0.3, -0.7]))
    np.testing.assert_allclose(out, 1.0, rtol=1e-5)


@pytest.mark.parametrize("shift", [-1.0, -0.33, 0.0, 0.21, 0.5, 1.17])
def test_drift_moves_a_line_by_its_channels(shift: float) -> None:
    image = line_image(shift)
    place = float(image @ np.arange(2048) / image.sum())
    assert place == pytest.approx(1024 + shift, abs=0.02)


def test_image_has_the_width_of_the_slit() -> None:
    image = line_image(0.0)
    channel = np.arange(2048)
    mean = image @ channel / image.sum()
    sigma = np.sqrt(image @ (channel - mean) ** 2 / image.sum())
    source = 0.02 / float(np.gradient(wavelength_axis()[:2048])[1024])
    assert sigma == pytest.approx(np.hypot(2.2 / 2.35482, source), rel=0.02)


def expose(level: float, shots: int = 400, **options: bool) -> np.ndarray:
    light = np.full((shots, heron.CHANNELS), level, dtype=np.float32)
    return instrument().expose(
        light, collection=np.ones(shots), detector_c=20.0, years=0.0,
        rng=np.random.default_rng(3), **options,
    )  # fmt: skip


def test_photon_noise_follows_the_light() -> None:
    level = 3e3
    counts = expose(level)[:, 800]  # cosmic hits are rare enough to use a robust spread
    expected = level * heron.COUNTS_PER_RADIANCE * instrument().response[800]
    spread = np.subtract(*np.quantile(counts.astype(float), [0.75, 0.25])) / 1.349
    assert spread**2 == pytest.approx(
        heron.READ_NOISE**2 + expected / heron.ELECTRONS_PER_COUNT, rel=0.25
    )


def test_converter_saturates() -> None:
    assert expose(1e9, shots=1).max() == heron.FULL_SCALE


def test_dead_channels_see_no_light() -> None:
    dead = np.flatnonzero(instrument().response == 0)
    assert dead.size == 9
    counts = expose(1e5, shots=1, noise=False)[0]
    dark = np.rint(instrument().dark(20.0))
    assert (np.abs(counts[dead] - dark[dead]) <= 1).all()


def test_dark_current_doubles_in_seven_kelvin() -> None:
    rise = instrument().dark(27.0) - instrument().dark(20.0)
    np.testing.assert_allclose(rise, instrument().dark_current)


def test_light_falls_with_distance_squared() -> None:
    assert collected_light(6.0) / collected_light(3.0) == pytest.approx(0.25)

"""The invented head Heron: optics, three spectrometers, detectors and their drift and noise.

Numbers are of the order of small crossed Czerny–Turner spectrometers with linear array
detectors (common practice, no source).
"""

from __future__ import annotations

from functools import lru_cache
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from calib.library import Spectrometer
from calib.simulate.ablation import REFERENCE_DISTANCE_M
from calib.simulate.radiation import SlabModel, continuum_emission

SPECTROMETERS = (
    Spectrometer("U", 228.0, 332.0, 2048),
    Spectrometer("B", 372.0, 492.0, 2048),
    Spectrometer("R", 495.0, 880.0, 2048),
)
CHANNELS = sum(each.channels for each in SPECTROMETERS)
SUBSAMPLES = (5, 5, 8)
"""Base grid points per channel of each spectrometer, before line cores are added."""
MARGIN_NM = 2.5
SLIT_FWHM = (2.2, 2.1, 2.4)
"""Instrument profile, full width at half maximum in channels (Gaussian)."""
CURVATURE = 0.01
"""Departure of each axis from a straight line at its middle, quarter of its range."""
SHIFT_PER_K = (0.035, -0.022, 0.014)
"""Wavelength drift, channels per kelvin of detector temperature away from 20 °C."""
SHIFT_PER_YEAR = (0.15, 0.10, -0.12)
GAIN_PER_K = (-0.0040, -0.0025, 0.0015)
GAIN_PER_YEAR = (-0.12, -0.06, -0.03)
"""Relative change of throughput, for example by deposits on the window."""
SHIFT_STEP = 0.05
"""Channels between prepared slit matrices; between two the spectrum is interpolated linearly."""
ELECTRONS_PER_COUNT = 12.0
READ_NOISE = 1.6  # counts
FULL_SCALE = 16383  # 14-bit converter
DARK_COUNTS = (310.0, 295.0, 330.0)
DARK_CURRENT = 25.0  # counts at 20 °C
DARK_DOUBLING_K = 7.0
COSMIC_PER_SHOT = 0.4
DARK_FRAMES = 50  # averaged into one dark
THROUGHPUT = (0.25, 0.45, 1.0)
"""Peak throughput of each spectrometer; the widest slit collects most."""
COUNTS_PER_RADIANCE = 0.35
"""Counts per W m⁻² sr⁻¹ nm⁻¹ on a channel of unit response at 3 m."""
EARLY_K, EARLY_DENSITY, EARLY_WEIGHT = 16000.0, 4e23, 1.5
"""The hot early plasma, whose continuum the ungated detectors collect as well."""


def wavelength_axis() -> NDArray[np.float64]:
    """Nominal air wavelength of each channel, nm."""
    pieces = []
    for each in SPECTROMETERS:
        u = np.linspace(0, 1, each.channels)
        span = each.last_nm - each.first_nm
        pieces.append(each.first_nm + span * (u + CURVATURE * u * (1 - u)))
    return np.concatenate(pieces)


def slices() -> tuple[slice, ...]:
    """Channels of each spectrometer."""
    edges = np.cumsum([0, *(each.channels for each in SPECTROMETERS)])
    return tuple(slice(int(a), int(b)) for a, b in pairwise(edges))


class Instrument:
    """Turns radiance on the fine grid into counts.

    Parameters
    ----------
    rng : Generator
        Draws fixed pattern, dead channels and dark pattern: the instrument's individuality.

    Attributes
    ----------
    model : SlabModel
        Line-by-line model on the instrument's fine grid.
    wavelength : ndarray of shape (channels,)
        Nominal axis, nm in air.
    response : ndarray of shape (channels,)
        Relative throughput at 20 °C, fixed pattern included; zero where dead.
    """

    def __init__(self, rng: np.random.Generator) -> None:
        self.wavelength = wavelength_axis()
        self.slices = slices()
        ranges = [
            (s.first_nm - MARGIN_NM, s.last_nm + MARGIN_NM, (s.last_nm - s.first_nm) / 2048 / n)
            for s, n in zip(SPECTROMETERS, SUBSAMPLES, strict=True)
        ]
        self.model = SlabModel(ranges)
        self.response = _response(self.wavelength, self.slices)
        self.response *= 1 + 0.006 * rng.standard_normal(CHANNELS)
        dead = rng.choice(CHANNELS, size=9, replace=False)
        self.response[dead] = 0.0
        self.dark_pattern = 3.0 * rng.standard_normal(CHANNELS)
        self.dark_current = DARK_CURRENT * rng.lognormal(0.0, 0.15, CHANNELS)
        hot = rng.choice(CHANNELS, size=6, replace=False)
        self.dark_current[hot] *= rng.uniform(10, 40, hot.size)
        grid = self.model.grid
        early = continuum_emission(grid, EARLY_K, EARLY_DENSITY) * EARLY_WEIGHT
        self._early = early.astype(np.float32)
        self._slit = lru_cache(maxsize=256)(self._build_slit)

    def radiance_on_channels(
        self,
        radiance: NDArray[np.float32],
        length_m: NDArray[np.float64],
        shift: NDArray[np.float64],
    ) -> NDArray[np.float32]:
        """Pass radiance through the slit, with the axis shifted.

        Parameters
        ----------
        radiance : ndarray of shape (points, states)
            On the fine grid, one column a state.
        length_m : ndarray of shape (states,)
            Path through the early plasma of each state, m.
        shift : ndarray of shape (spectrometers,)
            Channels by which the spectrum lies further right.

        Returns
        -------
        ndarray of shape (states, channels)
        """
        total = radiance + self._early[:, None] * length_m.astype(np.float32)
        pieces = []
        for number, move in enumerate(shift):
            step, part = divmod(float(move) / SHIFT_STEP, 1.0)
            low = self._slit(number, int(step)) @ total
            high = self._slit(number, int(step) + 1) @ total if part else low
            pieces.append(np.float32(1 - part) * low + np.float32(part) * high)
        return np.concatenate(pieces).T

    def _build_slit(self, number: int, step: int) -> sparse.csr_array:
        """Rows: channels of one spectrometer moved by `step` steps; columns: grid points."""
        grid = self.model.grid
        axis = self.wavelength[self.slices[number]]
        spacing = np.gradient(axis)
        centre = axis - step * SHIFT_STEP * spacing
        sigma = SLIT_FWHM[number] * spacing / 2.35482
        start = np.searchsorted(grid, centre - 3.5 * sigma)
        stop = np.searchsorted(grid, centre + 3.5 * sigma)
        count = stop - start
        row = np.repeat(np.arange(axis.size), count)
        ends = np.cumsum(count)
        column = np.arange(ends[-1]) - np.repeat(ends - count, count) + np.repeat(start, count)
        # Trapezium rule on the uneven grid, then each row scaled to unit sum.
        weight = np.gradient(grid)[column]
        weight *= np.exp(-0.5 * ((grid[column] - centre[row]) / sigma[row]) ** 2)
        weight /= np.bincount(row, weight)[row]
        pointer = np.concatenate([[0], ends])
        return sparse.csr_array(
            (weight.astype(np.float32), column, pointer), shape=(axis.size, grid.size)
        )

    def shift(self, detector_c: float, years: float) -> NDArray[np.float64]:
        """Wavelength drift of each spectrometer in channels, at a temperature and age."""
        per_k, per_year = np.array(SHIFT_PER_K), np.array(SHIFT_PER_YEAR)
        return per_k * (detector_c - 20.0) + per_year * years

    def gain(self, detector_c: float, years: float) -> NDArray[np.float64]:
        """Throughput relative to 20 °C and a new instrument, per channel."""
        per_k, per_year = np.array(GAIN_PER_K), np.array(GAIN_PER_YEAR)
        change = np.exp(per_k * (detector_c - 20.0) + per_year * years)
        return np.repeat(change, [each.channels for each in SPECTROMETERS])

    def dark(self, detector_c: float) -> NDArray[np.float64]:
        """Return the expected counts without light, per channel."""
        offset = np.repeat(DARK_COUNTS, [each.channels for each in SPECTROMETERS])
        current = self.dark_current * 2.0 ** ((detector_c - 20.0) / DARK_DOUBLING_K)
        value: NDArray[np.float64] = offset + self.dark_pattern + current
        return value

    def dark_frame(
        self, detector_c: float, rng: np.random.Generator, *, noise: bool = True
    ) -> NDArray[np.float32]:
        """Average of `DARK_FRAMES` exposures without light, counts."""
        expected = self.dark(detector_c)
        if noise:
            scatter = self._noise_sigma(np.zeros(CHANNELS, dtype=np.float32)) / np.sqrt(DARK_FRAMES)
            expected = expected + scatter * rng.standard_normal(CHANNELS)
        return expected.astype(np.float32)

    def _noise_sigma(self, light_counts: NDArray[np.float32]) -> NDArray[np.float32]:
        sigma: NDArray[np.float32] = np.sqrt(
            READ_NOISE**2 + np.maximum(light_counts, 0) / ELECTRONS_PER_COUNT
        )
        return sigma

    def expose(
        self,
        radiance: NDArray[np.float32],
        *,
        collection: NDArray[np.float64],
        detector_c: float,
        years: float,
        rng: np.random.Generator,
        noise: bool = True,
    ) -> NDArray[np.uint16]:
        """Turn radiance on channels into counts.

        Parameters
        ----------
        radiance : ndarray of shape (shots, channels)
            W m⁻² sr⁻¹ nm⁻¹.
        collection : ndarray of shape (shots,)
            Light collected, relative to a steady shot at 3 m.
        detector_c : float
            Detector temperature, °C.
        years : float
            Since the instrument was new.
        rng : Generator
        noise : bool, default True

        Returns
        -------
        ndarray of shape (shots, channels), uint16
            Clipped at the converter's full scale.

        Notes
        -----
        Photon noise is Gaussian with the variance of the expected light: at ten electrons it
        differs from Poisson by less than the read noise.
        """
        throughput = COUNTS_PER_RADIANCE * self.response * self.gain(detector_c, years)
        light = radiance * throughput.astype(np.float32) * collection[:, None].astype(np.float32)
        counts = light + self.dark(detector_c).astype(np.float32)
        if noise:
            scatter = rng.standard_normal(light.shape, dtype=np.float32)
            counts += self._noise_sigma(light) * scatter
            self._add_cosmics(counts, rng)
        return np.clip(np.rint(counts), 0, FULL_SCALE).astype(np.uint16)

    def _add_cosmics(self, counts: NDArray[np.float32], rng: np.random.Generator) -> None:
        hits = rng.poisson(COSMIC_PER_SHOT * len(counts))
        rows = rng.integers(0, len(counts), hits)
        columns = rng.integers(0, CHANNELS - 1, hits)
        height = 200.0 + rng.exponential(900.0, hits)
        spill = rng.uniform(0, 0.5, hits)
        np.add.at(counts, (rows, columns), height * (1 - spill))
        np.add.at(counts, (rows, columns + 1), height * spill)


def collected_light(distance_m: float) -> float:
    """Light collected relative to that at 3 m: the solid angle of the telescope, d⁻²."""
    return (REFERENCE_DISTANCE_M / distance_m) ** 2


def _response(wavelength: NDArray[np.float64], parts: tuple[slice, ...]) -> NDArray[np.float64]:
    """Smooth relative throughput: blaze of each grating, telescope, fall towards the edges."""
    response = np.empty_like(wavelength)
    for part, peak in zip(parts, THROUGHPUT, strict=True):
        u = np.linspace(-1, 1, part.stop - part.start)
        blaze = np.exp(-(((u + 0.1) / 1.1) ** 2))
        ripple = 1 + 0.04 * np.sin(7 * u + peak) + 0.02 * np.sin(19 * u)
        edge = 1 / (1 + np.exp((np.abs(u) - 0.985) / 0.012))
        response[part] = peak * blaze * ripple * (0.15 + 0.85 * edge)
    coating = 1 - np.exp(-((wavelength - 205.0) / 45.0))  # optics absorb in the far ultraviolet
    value: NDArray[np.float64] = response * coating
    return value

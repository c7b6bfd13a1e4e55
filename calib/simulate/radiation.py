"""Light of a homogeneous slab of plasma, line by line, on a grid that resolves the lines.

Spectral radiance follows from Kirchhoff's law: ``I = B (1 − exp(−κ l))`` with the Planck
function B, path length l, and κ the sum of all lines and the continuum, so that a strong line
absorbs itself and saturates. Line profiles are Voigt functions of Doppler and Stark width in
the pseudo-Voigt form of Thompson, Cox and Hastings [1]_ (error below 1.5 % of the peak:
``tests/simulate/test_radiation.py``). Stark widths scale with electron density; for lines
other than hydrogen's the classical n*⁵ scaling of Cowley [2]_ is multiplied by a factor that
brings Si I 288.16 nm and Al I 394.40 nm near the widths of Griem's tables [3]_ (from memory;
right within a factor of about two for single lines, which a demonstration can bear). Stark
shifts, reabsorption in a cooler rim and molecular bands are left out.

References
----------
.. [1] Thompson P., Cox D.E., Hastings J.B. 1987, J. Appl. Cryst. 20, 79,
   doi 10.1107/S0021889887087090.
.. [2] Cowley C.R. 1971, The Observatory 91, 139.
.. [3] Griem H.R. 1974, Spectral Line Broadening by Plasmas, Academic Press, appendix IV.
.. [4] Gigosos M.A., González M.Á., Cardeñoso V. 2003, Spectrochim. Acta B 58, 1489,
   doi 10.1016/S0584-8547(03)00097-1 (hydrogen, from memory).
.. [5] Thorne A., Litzén U., Johansson S. 1999, Spectrophysics, Springer (continuum,
   line absorption).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calib.lines import load_lines
from calib.simulate.plasma import HC_K, KB, Atoms, C, H, load_atoms, solve_electrons

STARK_RATE = 7e-14  # rad/s per m⁻³ at n* = 1; Cowley's 1e-14 times 7, see above
RYDBERG_CM = 109737.316  # cm⁻¹
HYDROGEN_WIDTH = {656.279: (0.549, 0.680), 486.135: (4.8, 0.681)}  # nm at 1e23 m⁻³, power [4]
HYDROGEN_OTHER = (5.5, 0.68)  # the higher members, of Hβ's order (from memory)
CONTINUUM = 1.632e-43  # J m⁴ K^½ s⁻¹ sr⁻¹, hydrogenic, from memory of [5]
FREE_BOUND, FREE_FREE = 1.0, 1.2
"""Biberman factor ξ and Gaunt factor G of the continuum (order of one, from memory)."""
CORE = np.array([0.0, 0.5, 1.0, 1.7, 2.6, 4.0, 6.0, 9.0, 13.0, 20.0, 30.0])
"""Grid points on either side of a line's centre, in units of 0.003 nm at 300 nm."""
REACH_NM = (0.15, 3.0)
"""Least and greatest distance from its centre at which a line is still counted."""


@dataclass(frozen=True)
class PlasmaState:
    """A homogeneous slab: K, heavy particles in m⁻³, shares (elements,), path length in m."""

    temperature_k: float
    heavy_density_m3: float
    fractions: NDArray[np.float64]
    length_m: float


def planck(wavelength_nm: NDArray[np.float64], temperature_k: float) -> NDArray[np.float64]:
    """Planck's spectral radiance, W m⁻² sr⁻¹ nm⁻¹."""
    inverse = 1e9 / wavelength_nm  # m⁻¹
    square = inverse * inverse
    x = (H * C / (KB * temperature_k)) * inverse
    value: NDArray[np.float64] = (2e-9 * H * C**2) * square * square * inverse / np.expm1(x)
    return value


def pseudo_voigt_parameters(
    gauss_fwhm: NDArray[np.float64], lorentz_fwhm: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Width and Lorentz share of the pseudo-Voigt profile [1]_, from both full widths."""
    g, w = gauss_fwhm, lorentz_fwhm
    # Thompson, Cox and Hastings 1987, equations 10 (η) and the fifth-power sum for Γ.
    powers = (
        g**5 + 2.69269 * g**4 * w + 2.42843 * g**3 * w**2 + 4.47163 * g**2 * w**3
        + 0.07842 * g * w**4 + w**5
    )  # fmt: skip
    width = powers**0.2
    r = w / width
    return width, 1.36603 * r - 0.47719 * r**2 + 0.11116 * r**3


class SlabModel:
    """Radiance of slabs on one fixed grid; holds all that does not depend on the state.

    Parameters
    ----------
    ranges_nm : sequence of (float, float, float)
        First and last wavelength in air and base spacing of each piece of the grid, nm.
    lines : structured ndarray, optional
        Rows of `calib.lines.load_lines`; all by default.

    Attributes
    ----------
    grid : ndarray of shape (points,)
        Air wavelengths, nm: the base spacing, and more points at each line's core.
    """

    def __init__(
        self, ranges_nm: Sequence[tuple[float, float, float]], lines: NDArray[Any] | None = None
    ) -> None:
        self.atoms: Atoms = load_atoms()
        table = load_lines() if lines is None else lines
        centre = table["wavelength_air_nm"]
        inside = np.zeros(len(table), dtype=bool)
        for first, last, _ in ranges_nm:
            inside |= (centre > first - 1.0) & (centre < last + 1.0)
        self.lines = table[inside]
        self.grid = _grid(ranges_nm, self.lines["wavelength_air_nm"])
        metres = self.grid * 1e-9
        self._exponent = (-H * C / (metres * KB)).astype(np.float32)  # −hc/λk, K
        self._planck = (2e-9 * H * C**2 / metres**5).astype(np.float32)
        self._inverse_square = (1 / metres**2).astype(np.float32)
        self._element = np.array([self.atoms.index(e) for e in self.lines["element"]])
        self._stage = self.lines["stage"] - 1
        self._prepare_strength()
        self._prepare_windows()

    def _prepare_strength(self) -> None:
        lines = self.lines
        metres = lines["wavelength_air_nm"] * 1e-9
        # λ⁴/(8πc) A g_k, in m³ once divided by U and multiplied by exp(−E_i/kT)
        self._absorption = metres**4 / (8 * np.pi * C) * lines["A_ki"] * lines["g_k"]
        self._doppler = (
            lines["wavelength_air_nm"] * 7.162e-7 / np.sqrt(self.atoms.mass[self._element])
        )
        limit_cm = self.atoms.ionisation_ev[self._stage, self._element] * 8065.544
        below = np.maximum(limit_cm - lines["E_k"], RYDBERG_CM / 36.0)
        n_star = np.minimum(lines["stage"] * np.sqrt(RYDBERG_CM / below), 6.0)
        rate = STARK_RATE * n_star**5 / lines["stage"] ** 2  # rad s⁻¹ per m⁻³
        stark = metres**2 * rate / (2 * np.pi * C) * 1e9 * 1e23  # nm at 1e23 m⁻³
        power = np.ones(len(lines))
        for row in np.flatnonzero(lines["element"] == "H"):
            key = float(lines["wavelength_air_nm"][row])
            stark[row], power[row] = HYDROGEN_WIDTH.get(key, HYDROGEN_OTHER)
        self._stark, self._stark_power = stark, power

    def _prepare_windows(self) -> None:
        """Choose how far each line reaches, and list the grid points it touches."""
        # A generous reference: every element at a twentieth of the particles, 1e23 m⁻³.
        share = np.full(len(self.atoms.symbols), 1.0 / 20)
        reference = PlasmaState(10000.0, 1e23, share / share.sum(), 2e-3)
        strength, _, lorentz, _ = self._line_terms(reference)
        depth = strength * reference.length_m * lorentz / (2 * np.pi)  # τ at 1 nm in the wing
        reach = np.clip(np.sqrt(depth / 1e-4), *REACH_NM)
        reach = np.where(self.lines["element"] == "H", 20.0, reach)
        centre = self.lines["wavelength_air_nm"]
        start = np.searchsorted(self.grid, centre - reach)
        stop = np.searchsorted(self.grid, centre + reach)
        count = stop - start
        line = np.repeat(np.arange(len(centre)), count)
        offset = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
        point = np.repeat(start, count) + offset
        order = np.argsort(point, kind="stable")  # so that a point's lines follow one another
        self._line, point = line[order].astype(np.int32), point[order]
        self._touched, self._first = np.unique(point, return_index=True)
        distance = self.grid[point] - centre[self._line]
        self._square = (distance**2).astype(np.float32)
        taper = (1.0 - np.minimum((distance / reach[self._line]) ** 2, 1.0)) ** 2
        self._taper = taper.astype(np.float32)

    def _line_terms(
        self, state: PlasmaState
    ) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64], float]:
        """Absorption of each line integrated over wavelength (nm/m), widths (nm), n_e."""
        t = state.temperature_k
        electrons, densities = solve_electrons(
            self.atoms, t, state.heavy_density_m3, state.fractions
        )
        u = self.atoms.partition_functions(t)[self._stage, self._element]
        lower = densities[self._stage, self._element] / u * np.exp(-self.lines["E_i"] * HC_K / t)
        gap = (self.lines["E_k"] - self.lines["E_i"]) * HC_K / t
        strength = self._absorption * lower * -np.expm1(-gap) * 1e9
        lorentz = self._stark * (electrons / 1e23) ** self._stark_power
        return strength, self._doppler * np.sqrt(t), lorentz, electrons

    def absorption(self, state: PlasmaState) -> tuple[NDArray[np.float32], float]:
        """Absorption coefficient of the lines on the grid, m⁻¹, and electron density, m⁻³."""
        strength, doppler, lorentz, electrons = self._line_terms(state)
        width, share = pseudo_voigt_parameters(doppler, lorentz)
        # η (2/πΓ)/(1 + 4x²/Γ²) + (1 − η) (2/Γ)√(ln2/π) exp(−4 ln2 x²/Γ²)
        inverse = (4 / width**2).astype(np.float32)
        lorentz_peak = (strength * share * 2 / (np.pi * width)).astype(np.float32)
        gauss_peak = strength * (1 - share) * 2 / width * np.sqrt(np.log(2) / np.pi)
        y = self._square * inverse[self._line]
        profile = lorentz_peak[self._line] / (1 + y)
        near = np.flatnonzero(y < 25.0)
        which = self._line[near]
        gauss = np.exp(-np.float32(np.log(2)) * y[near])
        profile[near] += gauss_peak.astype(np.float32)[which] * gauss
        kappa = np.zeros(self.grid.size, dtype=np.float32)
        kappa[self._touched] = np.add.reduceat(profile * self._taper, self._first)
        return kappa, electrons

    def radiance(self, state: PlasmaState, *, thin: bool = False) -> NDArray[np.float32]:
        """Spectral radiance of the slab on the grid, W m⁻² sr⁻¹ nm⁻¹ (single precision).

        Parameters
        ----------
        state : PlasmaState
        thin : bool, default False
            Leave out self-absorption: ``I = B κ l``.
        """
        kappa, electrons = self.absorption(state)
        t = state.temperature_k
        boltzmann = np.exp(self._exponent * np.float32(1 / t))
        source = self._planck * (boltzmann / (1 - boltzmann))
        bound_free = FREE_BOUND + (FREE_FREE - FREE_BOUND) * boltzmann
        emission = np.float32(CONTINUUM * electrons**2 / np.sqrt(t) * 1e-9) * bound_free
        depth = (kappa + emission * self._inverse_square / source) * np.float32(state.length_m)
        filled = depth if thin else -np.expm1(-depth)
        value: NDArray[np.float32] = source * filled
        return value


def continuum_emission(
    wavelength_nm: NDArray[np.float64], temperature_k: float, electrons_m3: float
) -> NDArray[np.float64]:
    """Emission of free–free and free–bound transitions, W m⁻³ sr⁻¹ nm⁻¹ [5]_.

    ``ε = C n_e² / (λ² √T) [ξ (1 − exp(−hc/λkT)) + G exp(−hc/λkT)]`` with ions of charge one.
    """
    metres = wavelength_nm * 1e-9
    boltzmann = np.exp(-H * C / (metres * KB * temperature_k))
    factor = FREE_BOUND * (1 - boltzmann) + FREE_FREE * boltzmann
    scale = CONTINUUM * electrons_m3**2 / np.sqrt(temperature_k) * 1e-9
    value: NDArray[np.float64] = scale * factor / metres**2
    return value


def _grid(
    ranges_nm: Sequence[tuple[float, float, float]], centre: NDArray[np.float64]
) -> NDArray[np.float64]:
    offsets = np.concatenate([-CORE[:0:-1], CORE]) * 0.003 / 300.0
    cores = (centre[:, None] * (1.0 + offsets)).ravel()
    pieces = []
    for first, last, spacing in ranges_nm:
        base = np.linspace(first, last, round((last - first) / spacing) + 1)
        inside = cores[(cores > first) & (cores < last)]
        pieces.append(np.unique(np.round(np.concatenate([base, inside]), 5)))
    return np.concatenate(pieces)

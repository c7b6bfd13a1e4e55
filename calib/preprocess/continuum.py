"""Removing the plasma's continuum from under the lines."""

from __future__ import annotations

import inspect
import itertools
from dataclasses import dataclass, field
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from calib.errors import DataError, SettingsError
from calib.preprocess.despike import noise_level
from calib.preprocess.step import Acquisition, Floats, Need, Step, is_number, require

OWN = ("opening", "hull", "wavelet")
PYBASELINES = (
    # Whittaker smoothing
    "asls", "iasls", "airpls", "arpls", "drpls", "iarpls", "aspls", "psalsa", "derpsalsa",
    # splines
    "mixture_model", "irsqr", "corner_cutting", "pspline_asls", "pspline_airpls", "pspline_arpls",
    # morphology
    "mpls", "mor", "imor", "mormol", "amormol", "rolling_ball", "mwmv", "tophat", "mpspline",
    "jbcd",
    # smoothing
    "noise_median", "snip", "swima", "ipsa", "ria",
    # polynomials
    "poly", "modpoly", "imodpoly", "penalized_poly", "loess", "quant_reg",
    # classification, and others
    "dietrich", "golotvin", "std_distribution", "fastchrom", "cwt_br", "fabc", "beads",
)  # fmt: skip
"""Methods of `pybaselines.Baseline` that a chain may name."""


MOST = 10_000
"""Largest whole number among the options: iterations, widths, knots. A frozen model that says more
is not to keep a pipeline busy for ever. A smoothness ``lam`` may be larger."""

BLOCK = 16
"""Channels of which the least is a first guess at a corner of the hull."""


@dataclass(frozen=True)
class Continuum(Step):
    """Subtract the continuum, each spectrometer alone.

    Methods of our own:

    ``hull``
        The lower convex hull: no window to choose, and cautious: of a continuum that bulges
        upwards only what lies under the chord goes. One channel that is wrongly low pulls it
        down, so keep `despike` before it.
    ``opening``
        Erosion then dilation follow a spectrum from below and pass under everything narrower
        than the window (Perez-Pueyo et al. 2010, Appl. Spectrosc. 64:595,
        doi 10.1366/000370210791414281); a mean over the same window smooths the steps, and the
        lower of the two is kept.
    ``wavelet``
        A cubic spline through minima of the spectrum smoothed by an undecimated (à trous)
        B-spline wavelet (Starck & Murtagh 2006, Astronomical Image and Data Analysis, §2.3) to
        the scale of the window: one minimum each window, none above the noise around the
        opening.

    Any other method is that of `pybaselines.Baseline` with its `options`, one row at a time.

    Parameters
    ----------
    method : str, default "hull"
    window_nm : float, default 30
        For ``opening`` and ``wavelet``: wider than any line with its wings and any cluster of
        lines, narrower than the continuum's own bends.
    options : dict
        Keyword arguments of the pybaselines method.
    """

    name: ClassVar[str] = "continuum"
    needs: ClassVar[frozenset[Need]] = frozenset({"lines"})
    method: str = "hull"
    window_nm: float = 30.0
    options: dict[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        need = f"one of {', '.join(OWN + PYBASELINES)}"
        require(self, "method", self.method in OWN + PYBASELINES, need)
        require(self, "window_nm", is_number(self.window_nm, 0), "a number above 0")
        plain = isinstance(self.options, dict) and not (self.options and self.method in OWN)
        require(self, "options", plain, "a table of a pybaselines method's arguments")
        for key, value in self.options.items():
            small = type(value) is not int or key.startswith("lam") or abs(value) <= MOST
            require(self, "options", small, f"whole numbers of at most {MOST}, as for {key}")

    def apply(
        self, counts: Floats, wavelength: NDArray[np.float64], shot: Acquisition | None = None
    ) -> Floats:
        """Return what stands above the continuum."""
        out = np.empty_like(counts)
        for part in (shot or Acquisition()).parts(counts.shape[1]):
            rows = counts[:, part]
            out[:, part] = rows - self.continuum(rows, wavelength[part])
        return out

    def continuum(self, rows: Floats, axis: NDArray[np.float64]) -> Floats:
        """Return the continuum under the rows of one spectrometer.

        Parameters
        ----------
        rows : ndarray of shape (rows, channels)
        axis : ndarray of shape (channels,)
            nm.

        Raises
        ------
        SettingsError
            If a pybaselines method does not take the options.
        DataError
            If it fails on a row.
        """
        spacing = float(np.median(np.diff(axis))) if axis.size > 1 else 1.0
        width = min(2 * max(1, round(self.window_nm / spacing / 2)) + 1, 2 * axis.size - 1)
        if self.method == "opening":
            return opening(rows, width)
        if self.method == "hull":
            return np.stack([lower_hull(row, axis) for row in rows]) if len(rows) else rows.copy()
        if self.method == "wavelet":
            return wavelet_minima(rows, width)
        return self._pybaselines(rows, axis)

    def _pybaselines(self, rows: Floats, axis: NDArray[np.float64]) -> Floats:
        from pybaselines import Baseline

        fit = getattr(Baseline(x_data=axis), self.method)
        known = [key for key in inspect.signature(fit).parameters if key not in ("data", "kwargs")]
        for key in self.options:
            if key not in known:
                raise SettingsError(
                    f"preprocess step 'continuum': options of {self.method}: unknown key {key!r}, "
                    f"need one of {', '.join(known)}"
                )
        out = np.empty_like(rows)
        for i, row in enumerate(rows):
            try:
                out[i] = fit(row, **self.options)[0]
            except TypeError as error:
                raise SettingsError(
                    f"preprocess step 'continuum': options of {self.method}: {error}"
                ) from None
            except (ValueError, np.linalg.LinAlgError) as error:
                raise DataError(
                    f"preprocess step 'continuum': row {i}: {self.method}: {error}"
                ) from None
        return out


def opening(rows: Floats, width: int) -> Floats:
    """Continuum by a morphological opening over `width` channels (odd), smoothed."""
    from scipy import ndimage  # here, so that loading a model does not wait for it

    eroded = ndimage.minimum_filter1d(rows, width, axis=1, mode="nearest")
    opened = ndimage.maximum_filter1d(eroded, width, axis=1, mode="nearest")
    smooth = ndimage.uniform_filter1d(opened, width, axis=1, mode="nearest")
    lower: Floats = np.minimum(opened, smooth)
    return lower


def lower_hull(row: Floats, axis: NDArray[np.float64]) -> Floats:
    """Lower convex hull of one spectrum, straight between its corners.

    Found from the least channels of blocks by Andrew's monotone chain (1979, Inf. Process. Lett.
    9:216, doi 10.1016/0020-0190(79)90072-3); channels that lie below are added until there are
    none, so that the result is the hull of all channels.
    """
    y = row.astype(np.float64)
    whole = y.size // BLOCK * BLOCK
    least = y[:whole].reshape(-1, BLOCK).argmin(axis=1) + np.arange(0, whole, BLOCK)
    at = np.concatenate([[0], least, np.arange(whole, y.size), [y.size - 1]])
    rounding = 1e-12 * float(np.abs(y).max(initial=0.0))
    while True:
        at = np.unique(at)
        corners = _chain(axis[at].tolist(), y[at].tolist())
        at = at[corners]
        line: Floats = np.interp(axis, axis[at], y[at])
        below = np.flatnonzero(y < line - rounding)
        if not below.size:
            return line
        at = np.concatenate([at, below])


def _chain(x: list[float], y: list[float]) -> list[int]:
    """Return the corners of the lower hull of points of increasing x."""
    corners: list[int] = []
    for i, (xi, yi) in enumerate(zip(x, y, strict=True)):
        while len(corners) > 1:
            a, b = corners[-2], corners[-1]
            if (x[b] - x[a]) * (yi - y[a]) > (y[b] - y[a]) * (xi - x[a]):
                break
            corners.pop()
        corners.append(i)
    return corners


def wavelet_minima(rows: Floats, width: int) -> Floats:
    """Continuum by a cubic spline through minima of the smoothed spectrum.

    Parameters
    ----------
    rows : ndarray of shape (rows, channels)
    width : int
        Channels of the window in which one minimum is taken.
    """
    from scipy import ndimage
    from scipy.interpolate import CubicSpline

    channels = rows.shape[1]
    smooth = rows
    for level in range(max(1, int(np.log2(max(2, width // 8))))):
        kernel = np.zeros(4 * 2**level + 1)
        kernel[:: 2**level] = np.array([1, 4, 6, 4, 1]) / 16
        smooth = ndimage.convolve1d(smooth, kernel, axis=1, mode="reflect")
    floor = opening(rows, width)
    noise = noise_level(rows)
    knots = max(2, round(channels / width))
    edges = np.linspace(0, channels, knots + 1).round().astype(int)
    out = np.empty_like(rows)
    for i, row in enumerate(smooth):
        at = [a + int(row[a:b].argmin()) for a, b in itertools.pairwise(edges)]
        at = sorted({0, *at, channels - 1})
        value = np.minimum(row[at], floor[i, at] + 3 * noise[i])
        keep = np.r_[True, np.diff(at) > 1]
        found: Floats = CubicSpline(np.array(at)[keep], value[keep])(np.arange(channels))
        low, high = floor[i].min(), row.max()
        out[i] = np.clip(found, low - 3 * noise[i], high)
    return out

"""Wavelength registration: moving every spectrum onto the library's axis."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import ClassVar, Literal, Self, cast

import numpy as np
from numpy.typing import NDArray

from calib.preprocess.despike import noise_level
from calib.preprocess.step import (
    LEARNED,
    Acquisition,
    Flags,
    Floats,
    Need,
    Step,
    is_count,
    is_number,
    require,
)

LINES_NM: tuple[float, ...] = (
    # Si I, Mg II, Mg I, Si I, Al I, Ca II: present in nearly every rock
    250.690, 251.611, 252.851, 279.553, 280.270, 285.213, 288.158, 308.215, 309.271,
    315.887, 317.933,
    # Ca II, Al I, Ca I
    373.690, 393.366, 394.401, 396.152, 396.847, 422.673, 430.253, 443.496, 445.478,
    # Na I, Ca I, K I, Na I, Ca II
    588.995, 589.592, 612.222, 616.217, 643.907, 646.257, 766.490, 769.896, 818.326, 819.482,
    849.802, 854.209, 866.214,
)  # fmt: skip
"""Strong lines of rock-forming elements, nm in air, those of ``calib/data/lines.csv`` (which names
a source for each); no broad hydrogen line and no triplet that spectrometers blend."""

AGREE = 0.5
"""Channels within which lines must agree on the drift (chosen here, no source)."""

CAP = 50.0
"""Height over noise from which lines weigh alike: photon noise no longer limits their place."""

EDGE = 3
"""Channels beyond the limit in which a line's own background is sought."""


@dataclass(frozen=True)
class Register(Step):
    """Find how far each spectrometer has drifted in each spectrum, and move it back.

    Drift is found below a channel: against known lines (the peak of a parabola through the
    logarithms around each maximum, the mean over the lines that agree, which must be the most of
    them), or against a reference spectrum (the shift of greatest correlation, refined by
    Gauss–Newton steps on shift, height and offset).
    Rows are moved by cubic B-spline interpolation. What cannot be found, or lies beyond `limit`,
    is left as it is and flagged ``unregistered``, never guessed.

    Parameters
    ----------
    by : {"lines", "reference"}, default "lines"
        ``reference`` learns the mean of the training spectra.
    model : {"shift", "stretch"}, default "shift"
        One shift a spectrometer, or a shift and a stretch.
    limit : float, default 2
        Channels.
    lines_nm : tuple of float
        Lines to look for, on the library's axis (air or vacuum as it is). Those that another one
        may come near (`limit` and a window) are not used; a spectrometer too coarse to tell
        `min_lines` of them apart is left as it is.
    min_lines : int, default 3
        Lines that must be found in a spectrometer (one more for a stretch).
    snr : float, default 8
        Height over noise that a line needs.
    """

    name: ClassVar[str] = "register"
    needs: ClassVar[frozenset[Need]] = frozenset({"lines"})
    by: Literal["lines", "reference"] = "lines"
    model: Literal["shift", "stretch"] = "shift"
    limit: float = 2.0
    lines_nm: tuple[float, ...] = LINES_NM
    min_lines: int = 3
    snr: float = 8.0
    reference: NDArray[np.float64] | None = field(
        default=None, repr=False, compare=False, metadata=LEARNED
    )

    def __post_init__(self) -> None:
        require(self, "by", self.by in ("lines", "reference"), "'lines' or 'reference'")
        require(self, "model", self.model in ("shift", "stretch"), "'shift' or 'stretch'")
        require(self, "limit", is_number(self.limit, 0), "channels, a number above 0")
        good = all(is_number(line, 0) for line in self.lines_nm)
        require(self, "lines_nm", good, "wavelengths in nm")
        require(self, "min_lines", is_count(self.min_lines, 1), "a whole number ≥ 1")
        require(self, "snr", is_number(self.snr, 0), "a number above 0")

    @property
    def learns(self) -> bool:
        """Whether there is a reference spectrum to learn."""
        return self.by == "reference"

    def fit(
        self, counts: Floats, wavelength: NDArray[np.float64], shot: Acquisition | None = None
    ) -> Self:
        """Learn the reference: the mean of the rows, each over its own mean."""
        if not self.learns:
            return self
        level = counts.mean(axis=1, keepdims=True)
        scaled = counts / np.where(level > 0, level, 1)
        return replace(self, reference=scaled.mean(axis=0).astype(np.float64))

    def apply(
        self, counts: Floats, wavelength: NDArray[np.float64], shot: Acquisition | None = None
    ) -> Floats:
        """Return the rows on the library's axis."""
        return self.apply_flagged(counts, wavelength, shot)[0]

    def apply_flagged(
        self, counts: Floats, wavelength: NDArray[np.float64], shot: Acquisition | None = None
    ) -> tuple[Floats, Flags]:
        """Return the rows on the library's axis, and which could not be moved."""
        out = np.empty_like(counts)
        lost = np.zeros(len(counts), dtype=bool)
        for part in (shot or Acquisition()).parts(counts.shape[1]):
            rows = counts[:, part]
            drift, sought = self._drift(rows, wavelength[part], part)
            known = np.isfinite(drift).all(axis=1)
            known &= (np.abs(drift) <= self.limit).all(axis=1)
            out[:, part] = rows
            if known.any():
                out[known, part] = moved(rows[known], drift[known])
            if sought:
                lost |= ~known
        return out, np.where(lost, "unregistered", "").astype(object)

    def drift(
        self, counts: Floats, wavelength: NDArray[np.float64], shot: Acquisition | None = None
    ) -> Floats:
        """Return the drift found, in channels, NaN where it could not be found.

        Returns
        -------
        ndarray of shape (rows, spectrometers, 2)
            At the first and the last channel of each spectrometer; positive means that the
            spectrum lies at higher channels than the axis says.
        """
        parts = (shot or Acquisition()).parts(counts.shape[1])
        return np.stack([self._drift(counts[:, p], wavelength[p], p)[0] for p in parts], axis=1)

    def _drift(self, rows: Floats, axis: NDArray[np.float64], part: slice) -> tuple[Floats, bool]:
        """Drift at both ends, (rows, 2), and whether there was anything to look for."""
        if self.by == "reference":
            whole = cast("NDArray[np.float64]", self.fitted(self.reference))
            return against_reference(rows, whole[part], self.limit, self.model), True
        inside = self._searchable(axis)
        if inside.size < self.min_lines:
            return np.full((len(rows), 2), np.nan), False
        offsets, height = line_offsets(rows, inside, self.limit, self.snr)
        return self._from_lines(offsets, height, inside, axis.size), True

    def _searchable(self, axis: NDArray[np.float64]) -> NDArray[np.float64]:
        """Channels, with fractions, of the lines that cannot be mistaken for one another."""
        at = np.interp(np.sort(self.lines_nm), axis, np.arange(axis.size), np.nan, np.nan)
        at = at[np.isfinite(at)]
        margin = int(np.ceil(self.limit)) + EDGE
        apart = np.diff(at, prepend=-np.inf, append=np.inf) > margin + self.limit
        good = apart[:-1] & apart[1:] & (at >= margin) & (at <= axis.size - 1 - margin)
        found: NDArray[np.float64] = at[good]
        return found

    def _from_lines(self, offsets: Floats, height: Floats, at: Floats, channels: int) -> Floats:
        """Combine the offsets of the lines found: the weighted mean of those that agree."""
        need = self.min_lines + (self.model == "stretch")
        drift = np.full((len(offsets), 2), np.nan)
        for row in np.flatnonzero(np.isfinite(offsets).sum(axis=1) >= need):
            found = np.isfinite(offsets[row])
            value, where = offsets[row, found], at[found]
            slope = _slope(value, where, channels) if self.model == "stretch" else 0.0
            rest = value - slope * where
            agree = np.abs(rest - np.median(rest)) <= AGREE
            if agree.sum() < need or 2 * agree.sum() < agree.size:
                continue
            weight = np.minimum(height[row, found][agree], CAP)
            start = np.average(rest[agree], weights=weight**2)
            if self.model == "stretch":
                slope, start = np.polyfit(where[agree], value[agree], 1, w=weight)
            drift[row] = start, start + slope * (channels - 1)
        return drift


def _slope(value: Floats, where: Floats, channels: int) -> float:
    """Theil–Sen: the median slope of all pairs of lines well apart; 0 where there are none."""
    gap = where[:, None] - where[None, :]
    far = gap > channels / 10
    rise = value[:, None] - value[None, :]
    return float(np.median(rise[far] / gap[far])) if far.any() else 0.0


def line_offsets(rows: Floats, at: Floats, limit: float, snr: float) -> tuple[Floats, Floats]:
    """Measure where lines stand against where they should.

    Parameters
    ----------
    rows : ndarray of shape (rows, channels)
        One spectrometer.
    at : ndarray of shape (lines,)
        Channels, with fractions, where the lines should be.
    limit : float
        Channels around `at` that are searched.
    snr : float
        Height over the noise below which a line is not taken.

    Returns
    -------
    offsets : ndarray of shape (rows, lines)
        Channels; NaN where there is no line. Each peak is the vertex of the parabola through the
        logarithms of the maximum and its neighbours above the least channel nearby, exact for
        a Gaussian line, after smoothing by (1 4 6 4 1)/16.
    height : ndarray of shape (rows, lines)
        Over the noise; the error of an offset is as its inverse.
    """
    reach = int(np.ceil(limit))
    half = reach + EDGE
    noise = noise_level(rows)[:, 0]
    index = np.arange(len(rows))
    out = np.full((len(rows), at.size), np.nan)
    height = np.zeros_like(out)
    for j, position in enumerate(at):
        centre = round(float(position))
        window = rows[:, centre - half : centre + half + 1]
        smooth = window.copy()
        for _ in range(2):
            smooth[:, 1:-1] = (smooth[:, :-2] + 2 * smooth[:, 1:-1] + smooth[:, 2:]) / 4
        base = smooth.min(axis=1)
        search = smooth[:, half - reach : half + reach + 1]
        peak = search.argmax(axis=1) + half - reach
        heights = [smooth[index, peak + step] - base for step in (-1, 0, 1)]
        good = (heights[1] > snr * noise) & (heights[0] > 0) & (heights[2] > 0)
        good &= (heights[1] >= heights[0]) & (heights[1] >= heights[2])
        left, top, right = (np.log(np.where(good, h, 1.0)) for h in heights)
        bend = left - 2 * top + right
        good &= bend < 0
        vertex = 0.5 * (left - right) / np.where(good, bend, -1.0)
        out[:, j] = np.where(good, centre - half + peak + vertex - position, np.nan)
        height[:, j] = heights[1] / np.where(noise > 0, noise, 1.0)
    return out, height


def against_reference(
    rows: Floats, reference: Floats, limit: float, model: Literal["shift", "stretch"] = "shift"
) -> Floats:
    """Measure the drift of rows against a reference spectrum of the same channels.

    Parameters
    ----------
    rows : ndarray of shape (rows, channels)
    reference : ndarray of shape (channels,)
    limit : float
        Channels searched on both sides.
    model : {"shift", "stretch"}

    Returns
    -------
    ndarray of shape (rows, 2)
        Drift at the first and the last channel; NaN where a row does not resemble the reference.

    Notes
    -----
    A row x is modelled as ``a r(i − d) + b`` with drift d. From the whole channel of greatest
    correlation on, r is expanded to first order in what remains of d, and a, b and the remainder
    are solved by least squares, four times.
    """
    channels = reference.size
    reach = int(np.ceil(limit)) + 1
    drift = np.full((len(rows), 2), np.nan)
    if channels < 4 * reach or not reference.any():
        return drift
    inner = slice(reach, channels - reach)
    slope = np.gradient(reference)
    steep = slope[inner] - slope[inner].mean()
    lags = np.arange(-reach, reach + 1)
    bent = np.gradient(rows, axis=1)
    shifted = [bent[:, reach + k : channels - reach + k] for k in lags]
    match = np.stack([np.einsum("ij,j->i", each, steep) for each in shifted], axis=1)
    start = lags[match.argmax(axis=1)].astype(float)
    drift[:] = start[:, None]
    ramp = np.linspace(0.0, 1.0, channels)
    moves = [slope] if model == "shift" else [slope * (1 - ramp), slope * ramp]
    design = np.stack([reference, np.ones(channels), *moves], axis=1)[inner]
    solve = np.linalg.pinv(design)
    for _ in range(4):
        parts = np.einsum("ij,kj->ik", moved(rows, drift)[:, inner], solve)
        height = parts[:, :1]
        change = -parts[:, 2:] / np.where(height > 0, height, np.nan)
        drift = drift + np.clip(change, -1.0, 1.0)
        drift = np.where(np.abs(drift) <= reach, drift, np.nan)
    return drift


def moved(rows: Floats, drift: Floats) -> Floats:
    """Interpolate rows at their own drifted channels.

    Parameters
    ----------
    rows : ndarray of shape (rows, channels)
    drift : ndarray of shape (rows, 2)
        Channels at the first and the last channel, straight in between; NaN counts as 0.

    Returns
    -------
    ndarray of shape (rows, channels)
        Cubic B-spline values at channel + drift; beyond the ends the row is mirrored.
    """
    channels = rows.shape[1]
    if channels < 4:
        return rows.copy()
    known = np.nan_to_num(drift)
    from scipy import ndimage  # here, so that loading a model does not wait for it

    weights = ndimage.spline_filter1d(rows, order=3, axis=1, mode="mirror", output=np.float64)
    if (known[:, 0] == known[:, 1]).all():
        return _shifted(weights, known[:, 0]).astype(rows.dtype, copy=False)
    ramp = np.linspace(0.0, 1.0, channels)
    at = np.arange(channels) + known[:, :1] + (known[:, 1:] - known[:, :1]) * ramp
    whole = np.floor(at).astype(np.intp)
    out = np.zeros(rows.shape)
    for k, basis in enumerate(_cubic(at - whole), start=-1):
        column = whole + k
        column = np.where(column < 0, -column, column)
        column = np.where(column > channels - 1, 2 * (channels - 1) - column, column)
        out += basis * np.take_along_axis(weights, column, axis=1)
    return out.astype(rows.dtype, copy=False)


def _shifted(weights: Floats, drift: Floats) -> Floats:
    """Evaluate a spline of each row at channel + drift, one drift a row."""
    rows, channels = weights.shape
    reach = min(int(np.ceil(np.abs(drift).max(initial=0.0))) + 2, channels - 1)
    padded = np.pad(weights, ((0, 0), (reach, reach)), mode="reflect")
    whole = np.floor(drift).astype(np.intp)
    out = np.empty((rows, channels))
    for row, (first, part) in enumerate(zip(whole + reach, drift - whole, strict=True)):
        line = padded[row]
        w0, w1, w2, w3 = _cubic(part)
        out[row] = w0 * line[first - 1 : first - 1 + channels]
        out[row] += w1 * line[first : first + channels]
        out[row] += w2 * line[first + 1 : first + 1 + channels]
        out[row] += w3 * line[first + 2 : first + 2 + channels]
    return out


def _cubic(f: Floats | float) -> tuple[Floats | float, ...]:
    """Return the four cubic B-spline weights at a fraction f between two channels."""
    g = 1.0 - f
    return (
        g**3 / 6.0,
        (4.0 - 6.0 * f**2 + 3.0 * f**3) / 6.0,
        (4.0 - 6.0 * g**2 + 3.0 * g**3) / 6.0,
        f**3 / 6.0,
    )

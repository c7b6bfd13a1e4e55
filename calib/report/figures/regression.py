"""Whether a model looks at the lines of its analyte."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from calib.errors import DataError
from calib.lines import strong_lines
from calib.report.figures.canvas import BLUE, COLUMN_INCHES, GREY, ORANGE, axes_of, legend, text

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Floats = NDArray[np.floating]

HALF_WIDTH_NM = 0.1
"""Half width of the window around a line, or a channel and a half where channels are wider."""


class LineShare(NamedTuple):
    """How much of a model's pull lies within the lines of one element.

    Attributes
    ----------
    element : str
    share : float
        Of Σ |coefficient × signal|, in the windows.
    channels : float
        Share of the channels that the windows hold: what a model that looks nowhere would have.
    """

    element: str
    share: float
    channels: float


def line_windows(wavelength: Floats, element: str) -> NDArray[np.bool_]:
    """Say which channels lie within the strong lines of an element.

    Parameters
    ----------
    wavelength : ndarray of shape (channels,)
        nm, in air.
    element : str

    Returns
    -------
    ndarray of bool, shape (channels,)
        Within `HALF_WIDTH_NM` of a line, or one and a half channels; all false where the line
        table has no such element.
    """
    inside = np.zeros(wavelength.size, dtype=bool)
    try:
        lines = strong_lines(element, (float(wavelength[0]), float(wavelength[-1])))
    except DataError:
        return inside
    step = np.gradient(wavelength) if wavelength.size > 1 else np.ones(1)
    for line in lines["wavelength_air_nm"]:
        half = np.maximum(HALF_WIDTH_NM, 1.5 * np.minimum(step, 1.0))
        inside |= np.abs(wavelength - line) <= half
    return inside


def line_share(
    wavelength: Floats, coefficients: Floats, signal: Floats, element: str
) -> LineShare | None:
    """Return the share of |coefficient × signal| within the lines of an element.

    Parameters
    ----------
    wavelength : ndarray of shape (channels,)
        nm, in air.
    coefficients : ndarray of shape (channels,)
        Unit of the analyte per unit of the spectra.
    signal : ndarray of shape (channels,)
        What each coefficient is multiplied by: the standard deviation of the training spectra says
        how much a channel really moves a prediction.
    element : str

    Returns
    -------
    LineShare or None
        None where the line table has no line of the element on the axis, or nothing pulls.
    """
    inside = line_windows(wavelength, element)
    pull = np.abs(coefficients * signal)
    total = float(pull.sum())
    if not inside.any() or total == 0:
        return None
    return LineShare(element, float(pull[inside].sum()) / total, float(inside.mean()))


def with_gaps(wavelength: Floats, values: Floats) -> tuple[Floats, Floats]:
    """Break a line where the axis has a gap: between spectrometers, or where it was masked."""
    step = np.diff(wavelength)
    at = np.flatnonzero(step > 5 * np.median(step)) + 1 if step.size else np.empty(0, int)
    return np.insert(wavelength, at, np.nan), np.insert(values, at, np.nan)


def _mark_lines(ax: Axes, wavelength: Floats, elements: Sequence[str]) -> None:
    """Mark the lines of each element as a row of ticks under the axes' upper edge."""
    styles = [BLUE, ORANGE, "0.45", "0.45"]
    reach = float(wavelength[-1] - wavelength[0])
    ax.set_xlim(wavelength[0] - 0.05 * reach, wavelength[-1] + 0.01 * reach)
    for row, element in enumerate(elements):
        try:
            lines = strong_lines(element, (float(wavelength[0]), float(wavelength[-1])))
        except DataError:
            continue
        top = 0.985 - 0.07 * row
        x = lines["wavelength_air_nm"]
        near = np.min(np.abs(wavelength - x[:, None]), axis=1) < 1 if x.size else np.ones(0, bool)
        ax.vlines(
            x[near], top - 0.05, top, transform=ax.get_xaxis_transform(), lw=0.8,
            color=styles[min(row, len(styles) - 1)],
        )  # fmt: skip
        ax.annotate(
            element, (0.008, top + 0.01), xycoords="axes fraction", ha="left", va="top", fontsize=7,
            color=styles[min(row, len(styles) - 1)],
        )  # fmt: skip


def regression_vector(
    wavelength: Floats,
    coefficients: Floats,
    signal: Floats,
    analyte: str,
    unit: str,
    *,
    elements: Sequence[str] = (),
    n: int | None = None,
    ax: Axes | None = None,
) -> Axes:
    """Show which channels move the prediction, and whose lines they are.

    Parameters
    ----------
    wavelength, coefficients, signal
        As `line_share` takes them.
    analyte, unit : str
    elements : sequence of str
        The analyte's own element first, then those that may interfere; their lines are marked.
    n : int, optional
        Spectra behind the signal.
    ax : Axes, optional
        Default: an axes two journal columns wide.

    Returns
    -------
    Axes
        Coefficient times signal: the change of the prediction for a usual change of the channel.
    """
    ax = axes_of(ax, width=2 * COLUMN_INCHES)
    pull = coefficients * signal
    counted = "" if n is None else f", n = {n} spectra"
    ax.plot(*with_gaps(wavelength, pull), "-", color="k", lw=0.5,
            label=f"coefficient × standard deviation{counted}")  # fmt: skip
    ax.axhline(0, color=GREY, lw=0.5, zorder=0)
    high = float(np.abs(pull).max()) or 1.0
    ax.set_ylim(-1.1 * high, (1.2 + 0.2 * len(elements)) * high)
    _mark_lines(ax, wavelength, elements)
    ax.set_xlabel("wavelength (nm)")
    ax.set_ylabel(text(f"pull on {analyte} ({unit})"))
    legend(ax, loc="lower right")
    return ax


def importance(
    wavelength: Floats,
    vip: Floats,
    analyte: str,
    *,
    elements: Sequence[str] = (),
    ax: Axes | None = None,
) -> Axes:
    """Show the variable importance in projection of each channel, and whose lines they are.

    Parameters
    ----------
    wavelength : ndarray of shape (channels,)
        nm, in air.
    vip : ndarray of shape (channels,)
        Mean square 1; above 1 a channel matters more than the average one.
    analyte : str
    elements : sequence of str
        Elements whose lines are marked.
    ax : Axes, optional
        Default: an axes two journal columns wide.

    Returns
    -------
    Axes
    """
    ax = axes_of(ax, width=2 * COLUMN_INCHES)
    ax.plot(*with_gaps(wavelength, vip), "-", color="k", lw=0.5)
    ax.axhline(1, color=GREY, lw=0.8, ls="--", zorder=0)
    ax.set_ylim(0, (1.1 + 0.1 * len(elements)) * (float(vip.max()) or 1.0))
    _mark_lines(ax, wavelength, elements)
    ax.set_xlabel("wavelength (nm)")
    ax.set_ylabel(text(f"VIP, {analyte} ({wavelength.size} channels)"))
    return ax

"""What spectra look like, and what each step does to them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from calib.errors import DataError
from calib.lines import strength, strong_lines
from calib.report.figures.canvas import BLUE, COLUMN_INCHES, GREY, axes_of, new_figure, text
from calib.report.figures.regression import with_gaps

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Floats = NDArray[np.floating]

NEAR_NM = 0.15
"""A peak is taken for a line this near, or one and a half channels."""

LABELS = 40
"""Peaks tried for a label, the highest first."""

APART_NM = 12.0
"""Least distance of two labels of one element."""

CUT = 98.0
"""Percentile at which the picture of a step is cut, so that the continuum shows."""


class Stage(NamedTuple):
    """Spectra after a preprocess step.

    Attributes
    ----------
    name : str
        The step's.
    wavelength : ndarray of shape (channels,)
        nm.
    rows : ndarray of shape (rows, channels)
        The shots of a burst, or one spectrum.
    """

    name: str
    wavelength: Floats
    rows: Floats


def spectrum(
    wavelength: Floats,
    intensity: Floats,
    *,
    abundance: Mapping[str, float] | None = None,
    label: str = "intensity",
    n: int | None = None,
    ax: Axes | None = None,
) -> Axes:
    """Show a spectrum with the elements of its peaks; no label covers another.

    Parameters
    ----------
    wavelength : ndarray of shape (channels,)
        nm, in air.
    intensity : ndarray of shape (channels,)
    abundance : mapping of str to float, optional
        Elements looked for, with their weight: of several lines near a peak that of the largest
        weight × relative strength names it. Default: no labels.
    label : str
        Of the vertical axis, with its unit.
    n : int, optional
        Spectra averaged.
    ax : Axes, optional
        Default: an axes two journal columns wide.

    Returns
    -------
    Axes
    """
    ax = axes_of(ax, width=2 * COLUMN_INCHES)
    ax.plot(*with_gaps(wavelength, intensity), "-", color="k", lw=0.5)
    counted = "" if n is None else f", mean of n = {n} spectra"
    ax.set_xlabel(f"wavelength (nm){counted}")
    ax.set_ylabel(text(label))
    low, high = float(intensity.min()), float(intensity.max())
    reach = (high - low) or 1.0
    ax.set_ylim(low - 0.03 * reach, high + 0.16 * reach)
    ax.set_xlim(wavelength[0], wavelength[-1])
    if abundance:
        _label_peaks(ax, wavelength, intensity, _named_peaks(wavelength, intensity, abundance))
    return ax


def _named_peaks(
    wavelength: Floats, intensity: Floats, abundance: Mapping[str, float]
) -> list[tuple[int, str]]:
    """Return (channel, element) of the highest peaks that a line explains, highest first."""
    lines: list[tuple[float, float, str]] = []
    for element, share in abundance.items():
        try:
            mine = strong_lines(element, (float(wavelength[0]), float(wavelength[-1])))
        except DataError:
            continue
        lines += [
            (float(at), share * float(s), element)
            for at, s in zip(mine["wavelength_air_nm"], strength(mine), strict=True)
        ]
    if not lines:
        return []
    at = np.array([line[0] for line in lines])
    weight = np.array([line[1] for line in lines])
    inner = intensity[1:-1]
    peaks = np.flatnonzero((inner > intensity[:-2]) & (inner >= intensity[2:])) + 1
    step = np.minimum(np.gradient(wavelength), 1.0)
    named = []
    for channel in peaks[np.argsort(intensity[peaks])[::-1]][:LABELS]:
        near = np.abs(at - wavelength[channel]) <= max(NEAR_NM, 1.5 * float(step[channel]))
        if near.any():
            best = int(np.flatnonzero(near)[np.argmax(weight[near])])
            named.append((int(channel), lines[best][2]))
    return named


def _label_peaks(
    ax: Axes, wavelength: Floats, intensity: Floats, peaks: Sequence[tuple[int, str]]
) -> None:
    """Write the names over the peaks, leaving out those that would cover another."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    figure = ax.get_figure(root=True)
    if figure is None:
        return
    canvas = figure.canvas
    agg = canvas if isinstance(canvas, FigureCanvasAgg) else FigureCanvasAgg(figure)
    renderer = agg.get_renderer()  # type: ignore[no-untyped-call]
    placed: list[Any] = []
    last: dict[str, list[float]] = {}
    for channel, element in peaks:
        where = float(wavelength[channel])
        if any(abs(where - other) < APART_NM for other in last.get(element, [])):
            continue
        label = ax.annotate(
            element, (where, float(intensity[channel])), xytext=(0, 2),
            textcoords="offset points", ha="center", va="bottom", fontsize=7, color=BLUE,
        )  # fmt: skip
        box = label.get_window_extent(renderer).expanded(1.05, 1.05)
        if any(box.overlaps(other) for other in placed):
            label.remove()
        else:
            placed.append(box)
            last.setdefault(element, []).append(where)


def preprocess_step(stage: Stage, *, ax: Axes | None = None) -> Axes:
    """Show spectra after one step: each row in grey, their mean in black.

    Parameters
    ----------
    stage : Stage
    ax : Axes, optional
        Default: an axes two journal columns wide.

    Returns
    -------
    Axes
    """
    ax = axes_of(ax, width=2 * COLUMN_INCHES)
    rows = stage.rows
    if len(rows) > 1:
        x, least = with_gaps(stage.wavelength, rows.min(axis=0))
        greatest = with_gaps(stage.wavelength, rows.max(axis=0))[1]
        ax.fill_between(x, least, greatest, color=GREY, lw=0)
    ax.plot(*with_gaps(stage.wavelength, rows.mean(axis=0)), "-", color="k", lw=0.5)
    shots = "1 spectrum" if len(rows) == 1 else f"n = {len(rows)} shots, least to greatest in grey"
    ax.set_title(text(f"{stage.name}: {shots}"), fontsize=7, loc="left", pad=2)
    ax.set_xlabel("wavelength (nm)")
    return ax


def preprocess_steps(stages: Sequence[Stage]) -> list[Axes]:
    """Show what each step does to one burst: the whole axis, cut at the top, and one line.

    Parameters
    ----------
    stages : sequence of Stage
        The burst as it came, then after each step.

    Returns
    -------
    list of Axes
        Of one figure two journal columns wide, for each stage the whole and the highest line.
    """
    width, height = 2 * COLUMN_INCHES, 0.72 * len(stages) + 0.35
    figure = new_figure(width, height)
    grid = figure.subplots(
        len(stages), 2, squeeze=False, sharex="col",
        gridspec_kw={
            "width_ratios": (3, 1), "left": 0.09, "right": 0.985, "bottom": 0.42 / height,
            "top": 1 - 0.2 / height, "hspace": 0.5, "wspace": 0.16,
        },
    )  # fmt: skip
    last = stages[-1]
    peak = float(last.wavelength[int(np.argmax(last.rows.mean(axis=0)))])
    drawn: list[Axes] = []
    for stage, (whole, near) in zip(stages, grid, strict=True):
        for ax in (whole, near):
            preprocess_step(stage, ax=ax)
            ax.tick_params(labelsize=6, labelbottom=stage is last)
            ax.set_xlabel("wavelength (nm)" if stage is last else "")
            ax.locator_params(axis="y", nbins=3)
            drawn.append(ax)
        top = float(np.percentile(stage.rows, CUT))
        foot = float(stage.rows.min())
        whole.set_ylim(foot - 0.05 * (top - foot), top + 0.05 * (top - foot))
        near.set_xlim(peak - 1.5, peak + 1.5)
        near.set_title("", loc="left")
    figure.supylabel("intensity (counts, until a step scales them)", fontsize=7, x=0.01)
    return drawn

"""What every figure stands on: sizes, colours, axes outside pyplot."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

COLUMN_INCHES = 3.35
"""Width of one column of a journal page, 85 mm."""

BLUE, ORANGE, GREY = "#0072B2", "#D55E00", "0.6"
"""Blue and vermilion of Okabe & Ito's palette for colour-blind readers (jfly.uni-koeln.de/color,
from memory), and a grey; markers and line styles tell them apart in greyscale."""

POINTS = 8
"""Size of axis labels; ticks and legends are a point smaller."""

DPI = 200
"""Dots per inch of pictures in a page."""


def new_figure(width: float = COLUMN_INCHES, height: float = COLUMN_INCHES * 0.8) -> Figure:
    """Make a figure outside pyplot, so that no display or global state is touched.

    Parameters
    ----------
    width, height : float
        Inches.
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width, height), dpi=DPI)
    FigureCanvasAgg(figure)
    return figure


def page_figure(rows: int, columns: int, *, height: float = 2.6) -> tuple[Figure, list[Axes]]:
    """Make a grid of axes two journal columns wide, each row of `height` inches."""
    width = 2 * COLUMN_INCHES
    figure = new_figure(width, rows * height)
    edge = 0.55 / width, 0.45 / (rows * height)
    grid = figure.subplots(
        rows, columns, squeeze=False,
        gridspec_kw={
            "left": edge[0], "right": 1 - 0.1 / width, "bottom": edge[1],
            "top": 1 - 0.12 / (rows * height), "wspace": 0.36, "hspace": 0.32,
        },
    )  # fmt: skip
    every = [axes_of(ax) for ax in grid.ravel()]
    return figure, every


def axes_of(ax: Axes | None, *, width: float = COLUMN_INCHES, names: bool = False) -> Axes:
    """Return the axes to draw on, a new one where there is none: `names` leaves room for words."""
    if ax is None:
        height = COLUMN_INCHES * 0.8
        left = 1.4 if names else 0.55
        edges = (left / width, 0.45 / height, 1 - (left + 0.12) / width, 1 - 0.6 / height)
        ax = new_figure(width, height).add_axes(edges)
    ax.tick_params(labelsize=POINTS - 1)
    ax.xaxis.label.set_fontsize(POINTS)
    ax.yaxis.label.set_fontsize(POINTS)
    ax.xaxis.get_offset_text().set_fontsize(POINTS - 1)
    ax.yaxis.get_offset_text().set_fontsize(POINTS - 1)
    return ax


def text(words: str) -> str:
    """Let names from data be text: a dollar sign would begin a formula."""
    return words.replace("$", r"\$")


def legend(ax: Axes, **more: object) -> None:
    """Place a small legend without a frame."""
    from typing import Any

    options: dict[str, Any] = {"fontsize": POINTS - 1, "frameon": False, "handlelength": 1.5}
    ax.legend(**(options | more))

"""What compositions a model was trained on, and whether the held-out ones lie among them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from calib.report.figures.canvas import BLUE, COLUMN_INCHES, GREY, POINTS, axes_of, new_figure, text

if TYPE_CHECKING:
    from matplotlib.axes import Axes

BINS = 15


def composition_pair(
    values: pd.DataFrame,
    held_out: pd.Series,
    x: str,
    y: str,
    units: Mapping[str, str],
    *,
    ax: Axes | None = None,
) -> Axes:
    """Show certified values of one analyte against another, or their histogram where x is y.

    Parameters
    ----------
    values : DataFrame
        Certified values, one row a standard, one column an analyte; NaN where not certified.
    held_out : Series of bool
        Whether a standard is held out, indexed as `values`.
    x, y : str
        Analytes.
    units : mapping of str to str
    ax : Axes, optional

    Returns
    -------
    Axes
    """
    ax = axes_of(ax)
    ax.set_xlabel(text(f"{x} ({units[x]})"))
    if x == y:
        known = values[x].dropna()
        edges = list(np.histogram_bin_edges(known, BINS)) if len(known) else BINS
        ax.hist(values.loc[~held_out, x].dropna(), bins=edges, color="0.8")
        ax.hist(values.loc[held_out, x].dropna(), bins=edges, histtype="step", color=BLUE, lw=1.2)
        ax.set_ylabel("standards")
        return ax
    for name, mask, marker, colour, face in (
        ("calibration", ~held_out, ".", GREY, GREY),
        ("held out", held_out, "o", BLUE, "white"),
    ):
        shown = values.loc[mask, [x, y]].dropna()
        ax.plot(
            shown[x], shown[y], marker, ms=3, color=colour, mfc=face, mew=0.8,
            label=f"{name}, n = {len(shown)}",
        )  # fmt: skip
    ax.set_ylabel(text(f"{y} ({units[y]})"))
    return ax


def pair_plot(
    values: pd.DataFrame,
    held_out: pd.Series,
    analytes: Sequence[str],
    units: Mapping[str, str],
) -> list[Axes]:
    """Show which compositions the standards cover: histograms on the diagonal, pairs below it.

    Parameters
    ----------
    values, held_out, units
        As `composition_pair` takes them.
    analytes : sequence of str
        In the order of rows and columns; six fit a page.

    Returns
    -------
    list of Axes
        Of one figure two journal columns wide, row by row.
    """
    count = len(analytes)
    width = min(2 * COLUMN_INCHES, max(COLUMN_INCHES, 1.5 * count))
    figure = new_figure(width, width * 0.95)
    drawn = []
    for i, y in enumerate(analytes):
        for j, x in enumerate(analytes[: i + 1]):
            ax = figure.add_subplot(count, count, i * count + j + 1)
            composition_pair(values, held_out, x, y, units, ax=ax)
            ax.tick_params(labelsize=6)
            ax.locator_params(nbins=4)
            if i < count - 1:
                ax.set_xlabel("")
                ax.tick_params(labelbottom=False)
            if j > 0 or i == 0:
                ax.set_ylabel("standards" if i == j == 0 else "")
                ax.tick_params(labelleft=i == j)
            if i == j and i:
                ax.yaxis.tick_right()
            drawn.append(ax)
    top = 1 - (0.12 if count > 1 else 0.3) / width
    figure.subplots_adjust(
        left=0.6 / width, right=1 - 0.3 / width, bottom=0.5 / width, top=top,
        wspace=0.12, hspace=0.1,
    )  # fmt: skip
    counts = {"calibration": int((~held_out).sum()), "held out": int(held_out.sum())}
    names = [f"{name}, n = {n} standards" for name, n in counts.items()]
    counted = [f"{name}, n = {n}" for name, n in counts.items()]
    if count > 1:
        handles, _ = drawn[1].get_legend_handles_labels()
        figure.legend(
            handles, names, loc="upper right", fontsize=POINTS, frameon=False,
            bbox_to_anchor=(0.95, 0.98),
        )  # fmt: skip
    else:
        drawn[0].set_title("; ".join(counted), fontsize=POINTS - 1)
        drawn[0].tick_params(labelsize=POINTS - 1)
    return drawn

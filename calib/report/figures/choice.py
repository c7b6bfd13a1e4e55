"""How settings and family were chosen, and whether it was a close call."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from calib.report.figures.canvas import BLUE, GREY, ORANGE, axes_of, legend, text

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def error_against_setting(
    curve: pd.DataFrame,
    analyte: str,
    unit: str,
    chosen: int | None,
    *,
    n: int | None = None,
    ax: Axes | None = None,
) -> Axes:
    """Show how many components were taken, and whether it was a close call.

    Parameters
    ----------
    curve : DataFrame
        Columns n_components, rmsecv, standard_error.
    analyte, unit : str
    chosen : int, optional
        The component count taken.
    n : int, optional
        Standards behind the curve, for the legend.
    ax : Axes, optional

    Returns
    -------
    Axes
    """
    from matplotlib.ticker import MaxNLocator

    ax = axes_of(ax)
    x, y, se = curve["n_components"], curve["rmsecv"], curve["standard_error"]
    ax.fill_between(x, y - se, y + se, color="0.85", lw=0, label="± 1 standard error")
    words = "RMSECV" if n is None else f"RMSECV, n = {n} standards"
    ax.plot(x, y, "-", color=BLUE, marker=".", ms=4, lw=1, label=words)
    if chosen is not None and (x == chosen).any():
        at = float(y[x == chosen].iloc[0])
        ax.plot([chosen], [at], "o", ms=8, mfc="none", color="k", label=f"taken: {chosen}")
    ax.set_ylim(0, float(np.nanmax(y + se)) * 1.05)
    ax.xaxis.set_major_locator(MaxNLocator(integer=True))
    ax.set_xlabel("components")
    ax.set_ylabel(text(f"{analyte} RMSECV ({unit})"))
    legend(ax, loc="upper right")
    return ax


def families_compared(
    table: pd.DataFrame, analyte: str, unit: str, *, n: int | None = None, ax: Axes | None = None
) -> Axes:
    """Show whether the family that won did so by more than its error.

    Parameters
    ----------
    table : DataFrame
        Columns family, rmsecv, low, high, and taken (bool), one row a family.
    analyte, unit : str
    n : int, optional
        Standards behind each error.
    ax : Axes, optional

    Returns
    -------
    Axes
    """
    ax = axes_of(ax, names=True)
    ordered = table.sort_values("rmsecv", kind="stable").reset_index(drop=True)
    for at, row in ordered.iterrows():
        place = float(str(at))
        colour, face = (BLUE, BLUE) if row["taken"] else (GREY, "white")
        ax.plot([row["low"], row["high"]], [place, place], "-", color=colour, lw=1)
        ax.plot([row["rmsecv"]], [place], "o", ms=5, color=colour, mfc=face)
    names = [
        text(f"{r.family} (taken)" if r.taken else str(r.family)) for r in ordered.itertuples()
    ]
    ax.set_yticks(range(len(names)), names)
    ax.set_ylim(len(names) - 0.5, -0.5)
    counted = "" if n is None else f", n = {n} standards"
    ax.set_xlabel(text(f"{analyte} RMSECV ({unit}){counted}"))
    return ax


NAMED = 4
"""Families whose search is drawn with a name; of more, the lines could not be told apart."""


def search_history(
    table: pd.DataFrame, *, axis: str = "error of the trial", ax: Axes | None = None
) -> Axes:
    """Show whether the search had still been finding better settings when it stopped.

    The families that came to the least values have a line of their own; the others are grey.

    Parameters
    ----------
    table : DataFrame
        Columns family, trial and value (less is better; NaN: the trial gave none), each family's
        in the order tried.
    axis : str
        Words of the vertical axis, with its unit.
    ax : Axes, optional

    Returns
    -------
    Axes
    """
    ax = axes_of(ax)
    least = table.groupby("family", sort=False)["value"].min().sort_values(kind="stable")
    named, others = list(least.index[:NAMED]), list(least.index[NAMED:])
    styles = ((ORANGE, "-"), (BLUE, "--"), ("k", ":"), ("k", "-."))
    drawn = [(each, GREY, "-", 0.6) for each in others]
    drawn += [(each, *style, 1.2) for each, style in zip(named, styles, strict=False)]
    for family, colour, line, width in drawn:
        part = table[table["family"] == family]
        x, y = part["trial"].to_numpy(float), part["value"].to_numpy(float)
        label = f"{family}, best of n = {int(np.isfinite(y).sum())}"
        if family in others:
            label = f"{len(others)} others" if family == others[0] else "_"
        else:
            ax.plot(x, y, ".", color=GREY, ms=3)
        ax.step(
            x, np.fmin.accumulate(y), where="post", color=colour, ls=line, lw=width,
            label=text(label),
        )  # fmt: skip
    ax.set_xlabel("trial")
    ax.set_ylabel(text(axis))
    low, high = ax.get_ylim()
    ax.set_ylim(low, high + 0.5 * (high - low))  # room for the names
    legend(ax, loc="upper right")
    return ax

"""Figures that answer a question each; every function draws on an axes and returns it."""

from __future__ import annotations

import functools
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Tables = Callable[[str], pd.DataFrame]
"""Returns one of a run's tables by name: curves, folds, out_of_fold, held_out."""

COLUMN_INCHES = 3.4
"""Width of one column of a journal page."""


def new_figure(width: float = COLUMN_INCHES, height: float = COLUMN_INCHES) -> Figure:
    """Make a figure outside pyplot, so that no display or global state is touched."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width, height), dpi=150, layout="constrained")
    FigureCanvasAgg(figure)
    return figure


def _text(words: str) -> str:
    """Let names from data be text: a dollar sign would begin a formula."""
    return words.replace("$", r"\$")


def _axes(ax: Axes | None) -> Axes:
    return ax if ax is not None else new_figure().subplots()


def predicted_against_certified(
    table: pd.DataFrame,
    analyte: str,
    unit: str,
    *,
    held_out: pd.DataFrame | None = None,
    ax: Axes | None = None,
) -> Axes:
    """Show how far from the truth predictions are, over the whole range.

    Parameters
    ----------
    table : DataFrame
        Out-of-fold predictions with columns A, A_u and A_certified; the first repeat is drawn.
    analyte, unit : str
    held_out : DataFrame, optional
        The same for held-out standards, drawn apart with error bars (one standard uncertainty).
    ax : Axes, optional

    Returns
    -------
    Axes
    """
    ax = _axes(ax)
    first = table[table["repeat"] == 1] if "repeat" in table else table
    certified, label = first[f"{analyte}_certified"], f"{analyte}_certified"
    n = int(certified.notna().sum())
    ax.plot(certified, first[analyte], ".", color="0.6", ms=4, label=f"out of fold, {n} spectra")
    ends = [certified.min(), certified.max()]
    if held_out is not None:
        known = held_out[held_out[label].notna()]
        ax.errorbar(
            known[label], known[analyte], yerr=known[f"{analyte}_u"], fmt="o", ms=3, lw=0.8,
            color="C0", mfc="white", label=f"held out ± u, {len(known)} spectra",
        )  # fmt: skip
        ends = [min(ends[0], known[label].min()), max(ends[1], known[label].max())]
    ax.plot(ends, ends, "k-", lw=0.8, zorder=0)
    ax.set_xlabel(_text(f"{analyte} certified ({unit})"))
    ax.set_ylabel(_text(f"{analyte} predicted ({unit})"))
    ax.legend(fontsize="x-small", frameon=False)
    return ax


def error_against_setting(
    curve: pd.DataFrame, analyte: str, unit: str, chosen: int | None, *, ax: Axes | None = None
) -> Axes:
    """Show how many components were taken, and whether it was a close call.

    Parameters
    ----------
    curve : DataFrame
        Columns n_components, rmsecv, standard_error.
    analyte, unit : str
    chosen : int, optional
        The component count taken.
    ax : Axes, optional

    Returns
    -------
    Axes
    """
    ax = _axes(ax)
    x, y, se = curve["n_components"], curve["rmsecv"], curve["standard_error"]
    ax.fill_between(x, y - se, y + se, color="0.85", lw=0, label="± 1 standard error")
    ax.plot(x, y, "-", color="C0", marker=".", label="RMSECV")
    if chosen is not None:
        at = float(y[x == chosen].iloc[0])
        ax.plot([chosen], [at], "o", ms=8, mfc="none", color="k", label=f"taken: {chosen}")
    ax.set_ylim(0, float(np.nanmax(y + se)) * 1.05)
    ax.set_xlabel("components")
    ax.set_ylabel(_text(f"{analyte} RMSECV ({unit})"))
    ax.legend(fontsize="x-small", frameon=False)
    return ax


def local_error_curve(
    table: pd.DataFrame, analyte: str, unit: str, *, ax: Axes | None = None
) -> Axes:
    """Show how large the error bar is at 1 % and at 80 %.

    Parameters
    ----------
    table : DataFrame
        Out-of-fold predictions with columns A, A_u and A_certified.
    analyte, unit : str
    ax : Axes, optional

    Returns
    -------
    Axes
    """
    ax = _axes(ax)
    order = np.argsort(table[analyte].to_numpy())
    value = table[analyte].to_numpy()[order]
    error = (table[analyte] - table[f"{analyte}_certified"]).abs().to_numpy()[order]
    ax.plot(value, error, ".", color="0.7", ms=3, label="|error|, out of fold")
    ax.plot(value, table[f"{analyte}_u"].to_numpy()[order], "-", color="C0", label="local RMSEP")
    ax.set_ylim(0, None)
    ax.set_xlabel(_text(f"{analyte} predicted ({unit})"))
    ax.set_ylabel(_text(f"error ({unit})"))
    ax.legend(fontsize="x-small", frameon=False)
    return ax


def analyte_figure(results: Mapping[str, Any], table: Tables, analyte: str) -> Figure:
    """Draw the three pictures of one analyte side by side."""
    entry = results["analytes"][analyte]
    unit = entry["unit"]
    out_of_fold = table("out_of_fold")
    held_out = table("held_out") if entry["n_held_out"] else None
    figure = new_figure(3 * COLUMN_INCHES, COLUMN_INCHES)
    left, middle, right = figure.subplots(1, 3)
    predicted_against_certified(out_of_fold, analyte, unit, held_out=held_out, ax=left)
    local_error_curve(out_of_fold, analyte, unit, ax=middle)
    curves = table("curves")
    mine = curves[(curves["analyte"] == analyte) & (curves["family"] == entry["family"])]
    taken = entry["settings"].get("n_components")
    if (mine["n_components"] == taken).any():
        error_against_setting(mine, analyte, unit, taken, ax=right)
    else:  # only families that try every component count have such a curve
        right.set_axis_off()
    return figure


def run_figures(results: Mapping[str, Any], table: Tables, folder: Path) -> None:
    """Write one PNG an analyte into `folder`."""
    folder.mkdir()
    table = functools.cache(table)
    for number, analyte in enumerate(results["analytes"], start=1):
        safe = "".join(c if c.isalnum() else "-" for c in analyte)
        figure = analyte_figure(results, table, analyte)
        figure.savefig(folder / f"{number:02d}-{safe}.png")

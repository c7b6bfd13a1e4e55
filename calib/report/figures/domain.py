"""Whether spectra are of a kind that the model knows."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from calib.report.figures.canvas import BLUE, GREY, axes_of, legend

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def t2_against_q(
    table: pd.DataFrame, limits: Mapping[str, float | None], *, ax: Axes | None = None
) -> Axes:
    """Show how unusual the spectra are: Hotelling T² against the residual Q, with the limits.

    Parameters
    ----------
    table : DataFrame
        Columns use (``calibration``: out of fold, ``held-out``), t2 and q, one row a spectrum.
    limits : mapping of str to float
        ``t2`` and ``q``; None or missing: no limit.
    ax : Axes, optional

    Returns
    -------
    Axes
        Both scales logarithmic.
    """
    from matplotlib.ticker import NullFormatter

    ax = axes_of(ax)
    for use, marker, colour, name in (
        ("calibration", ".", GREY, "out of fold"),
        ("held-out", "o", BLUE, "held out"),
    ):
        part = table[table["use"] == use]
        if part.empty:
            continue
        face = colour if marker == "." else "white"
        beyond = _beyond(part, limits)
        words = f"{name}, n = {len(part)} spectra, {beyond} beyond"
        ax.plot(part["t2"], part["q"], marker, ms=3, color=colour, mfc=face, mew=0.8, label=words)
    for key, line in (("t2", ax.axvline), ("q", ax.axhline)):
        limit = limits.get(key)
        if limit is not None and np.isfinite(limit):
            line(limit, color="k", lw=0.8, ls="--", zorder=0)
    ax.set_xscale("log")
    ax.set_yscale("log")
    for axis in (ax.xaxis, ax.yaxis):
        axis.set_minor_formatter(NullFormatter())
    ax.set_xlabel("Hotelling T² (no unit)")
    ax.set_ylabel("Q (unit of the spectra, squared)")
    low, high = ax.get_ylim()
    ax.set_ylim(low, high * (high / low) ** 0.25)
    legend(ax, loc="upper left")
    return ax


def _beyond(part: pd.DataFrame, limits: Mapping[str, float | None]) -> int:
    """Count the spectra beyond either limit."""
    out = np.zeros(len(part), dtype=bool)
    for key in ("t2", "q"):
        limit = limits.get(key)
        if limit is not None:
            out |= part[key].to_numpy(float) > limit
    return int(out.sum())

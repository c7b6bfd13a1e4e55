"""How wrong predictions are, where, and whether their error bars hold."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from calib.report.figures.canvas import BLUE, GREY, axes_of, legend, text

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def _first_deal(table: pd.DataFrame) -> pd.DataFrame:
    """Keep one prediction a spectrum: the first repeat of the folds."""
    return table[table["repeat"] == 1] if "repeat" in table else table


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
    ax = axes_of(ax)
    first = _first_deal(table)
    label = f"{analyte}_certified"
    known = first[first[label].notna()]
    ax.plot(
        known[label], known[analyte], ".", color=GREY, ms=3,
        label=f"out of fold, n = {known['standard'].nunique()} standards",
    )  # fmt: skip
    ends = [known[label].min(), known[label].max()]
    if held_out is not None:
        known = held_out[held_out[label].notna()]
        if len(known):
            ax.errorbar(
                known[label], known[analyte], yerr=known[f"{analyte}_u"], fmt="o", ms=3, lw=0.7,
                color=BLUE, mfc="white", mew=0.8,
                label=f"held out ± u, n = {known['standard'].nunique()} standards",
            )  # fmt: skip
            ends = [min(ends[0], known[label].min()), max(ends[1], known[label].max())]
    ax.plot(ends, ends, "k-", lw=0.8, zorder=0, label="1 : 1")
    ax.set_xlabel(text(f"{analyte} certified ({unit})"))
    ax.set_ylabel(text(f"{analyte} predicted ({unit})"))
    low, high = ax.get_ylim()
    ax.set_ylim(low, high + 0.25 * (high - low))
    legend(ax, loc="upper left")
    return ax


def residuals(
    table: pd.DataFrame,
    analyte: str,
    unit: str,
    against: str,
    *,
    label: str,
    held_out: pd.DataFrame | None = None,
    ax: Axes | None = None,
) -> Axes:
    """Show whether the error follows something: the value, the distance, the date, the total.

    Parameters
    ----------
    table : DataFrame
        Out-of-fold predictions with columns A, A_certified and `against`; the first repeat is
        drawn.
    analyte, unit : str
    against : str
        Column of numbers or of ISO 8601 times.
    label : str
        Of the horizontal axis, with its unit.
    held_out : DataFrame, optional
        The same for held-out standards.
    ax : Axes, optional

    Returns
    -------
    Axes
    """
    ax = axes_of(ax)
    certified = f"{analyte}_certified"
    marks = [(_first_deal(table), ".", GREY, "out of fold")]
    if held_out is not None:
        marks.append((held_out, "o", BLUE, "held out"))
    for part, marker, colour, name in marks:
        known = part[part[certified].notna()]
        x = _numbers_or_days(known[against])
        error = known[analyte] - known[certified]
        hollow = "white" if marker == "o" else colour
        words = f"{name}, n = {known['standard'].nunique()}"
        ax.plot(x, error, marker, ms=3, color=colour, mfc=hollow, mew=0.8, label=words)
    ax.axhline(0, color="k", lw=0.8, zorder=0)
    ax.set_xlabel(text(label))
    ax.set_ylabel(text(f"{analyte} predicted − certified ({unit})"))
    if known[against].dtype.kind not in "if":
        from matplotlib.dates import AutoDateLocator, ConciseDateFormatter

        locator = AutoDateLocator(maxticks=6)  # type: ignore[no-untyped-call]
        ax.xaxis.set_major_locator(locator)
        ax.xaxis.set_major_formatter(
            ConciseDateFormatter(locator)  # type: ignore[no-untyped-call]
        )
    low, high = ax.get_ylim()
    ax.set_ylim(low, high + 0.25 * (high - low))
    legend(ax, loc="upper left")
    return ax


def _numbers_or_days(column: pd.Series) -> np.ndarray:
    """Return numbers as they are and ISO 8601 times as numpy times."""
    if column.dtype.kind in "if":
        return column.to_numpy(float)
    times = pd.to_datetime(column, utc=True, format="ISO8601", errors="coerce")
    return times.dt.tz_localize(None).to_numpy()


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
    ax = axes_of(ax)
    first = _first_deal(table)
    first = first[first[f"{analyte}_certified"].notna()]
    order = np.argsort(first[analyte].to_numpy())
    value = first[analyte].to_numpy()[order]
    error = (first[analyte] - first[f"{analyte}_certified"]).abs().to_numpy()[order]
    n = first["standard"].nunique()
    ax.plot(value, error, ".", color=GREY, ms=3, label=f"|error| out of fold, n = {n}")
    local = first[f"{analyte}_u"].to_numpy()[order]
    ax.plot(value, local, ".", color=BLUE, ms=3, label="error bar u: more for unusual spectra")
    ax.set_ylim(0, None)
    ax.set_xlabel(text(f"{analyte} predicted ({unit})"))
    ax.set_ylabel(text(f"error ({unit})"))
    legend(ax, loc="best")
    return ax


def wilson_interval(share: float, n: int, z: float = 1.959964) -> tuple[float, float]:
    """Interval of a share seen in n trials.

    Wilson 1927, J. Am. Stat. Assoc. 22:209, doi 10.1080/01621459.1927.10502953.

    Parameters
    ----------
    share : float
    n : int
    z : float, default 1.959964
        Normal quantile, of 95 % by default.

    Examples
    --------
    >>> [round(end, 3) for end in wilson_interval(0.5, 10)]
    [0.237, 0.763]
    """
    centre = share + z**2 / (2 * n)
    half = z * float(np.sqrt(share * (1 - share) / n + z**2 / (4 * n**2)))
    return (centre - half) / (1 + z**2 / n), (centre + half) / (1 + z**2 / n)


def interval_coverage(
    table: pd.DataFrame, analytes: list[str], *, level: float = 0.9, ax: Axes | None = None
) -> Axes:
    """Show whether certified values lie in their intervals as often as promised.

    Parameters
    ----------
    table : DataFrame
        Predictions with columns standard, A_low, A_high and A_certified.
    analytes : list of str
    level : float, default 0.9
        What the intervals promise.
    ax : Axes, optional

    Returns
    -------
    Axes
        The bars are 95 % intervals of the share, for as many trials as there are standards: the
        spectra of one standard stand or fall together.
    """
    ax = axes_of(ax, names=True)
    names: list[str] = []
    for name in analytes:
        certified = table[f"{name}_certified"]
        known = certified.notna()
        n = table.loc[known, "standard"].nunique()
        if n == 0:
            continue
        inside = (table[f"{name}_low"] <= certified) & (certified <= table[f"{name}_high"])
        share = float(inside[known].mean())
        low, high = wilson_interval(share, n)
        at = len(names)
        ax.plot([100 * low, 100 * high], [at, at], "-", color=BLUE, lw=1)
        ax.plot([100 * share], [at], "o", ms=4, color=BLUE, mfc="white")
        names.append(f"{text(name)}, n = {n}")
    ax.axvline(100 * level, color="k", lw=0.8, ls="--", zorder=0)
    ax.set_yticks(range(len(names)), names)
    ax.set_ylim(len(names) - 0.5, -0.5)
    ax.set_xlim(None, 101)
    ax.set_xlabel(f"spectra within their {100 * level:.0f} % interval (%)")
    return ax

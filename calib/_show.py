"""How numbers are shown to people, and data made plain for JSON: one way for every room."""

from __future__ import annotations

import html
import math
from collections.abc import Sequence
from typing import Any


def number(value: float | None, digits: int = 3) -> str:
    """Format a number with so many significant digits; a dash where there is none.

    Examples
    --------
    >>> number(2.7), number(1113.0), number(None)
    ('2.70', '1113', '–')
    """
    if value is None:
        return "–"
    if abs(value) >= 10**digits:
        return f"{value:.0f}"
    return f"{value:#.{digits}g}".rstrip(".")


def plain(data: Any) -> Any:
    """Turn numpy scalars into Python's and numbers that are not finite into null, for JSON."""
    if isinstance(data, dict):
        return {str(key): plain(each) for key, each in data.items()}
    if isinstance(data, list | tuple):
        return [plain(each) for each in data]
    if hasattr(data, "item"):
        data = data.item()
    return None if isinstance(data, float) and not math.isfinite(data) else data


def html_table(caption: str, header: Sequence[str], rows: Sequence[Sequence[object]]) -> str:
    """Lay out a small HTML table for a notebook; every word is text.

    Examples
    --------
    >>> html_table("<run>", ["analyte"], [["MgO"]])[:36]
    '<table><caption>&lt;run&gt;</caption'
    """

    def line(cells: Sequence[object], tag: str) -> str:
        inner = "".join(f"<{tag}>{html.escape(str(cell))}</{tag}>" for cell in cells)
        return f"<tr>{inner}</tr>"

    body = line(header, "th") + "".join(line(cells, "td") for cells in rows)
    return f"<table><caption>{html.escape(caption)}</caption>{body}</table>"


def scores_html(caption: str, analytes: dict[str, dict[str, Any]]) -> str:
    """Lay out the scores of a run or a frozen model as an HTML table."""
    header = ["analyte", "RMSEP", "95 % interval", "RMSECV", "unit", "n", "held out", "family"]
    rows = []
    for name, e in analytes.items():
        ends = "–"
        if e.get("rmsep_low") is not None:
            ends = f"{number(e['rmsep_low'])} to {number(e['rmsep_high'])}"
        shown = [name, number(e.get("rmsep")), ends, number(e.get("rmsecv")), e["unit"]]
        counts = [str(e.get(key, "–")) for key in ("n_standards", "n_held_out")]
        rows.append([*shown, *counts, e.get("family", "–")])
    return html_table(caption, header, rows)

"""What commands share in printing: progress, tables, JSON."""

from __future__ import annotations

import json
import math
import sys
import textwrap
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any

import click

from calib._show import number, plain

Report = Callable[[str, int, int], None]


@contextmanager
def progress() -> Iterator[Report]:
    """Show progress on standard error: bars on a terminal, a line a stage elsewhere."""
    if not sys.stderr.isatty():
        yield _lines()
        return
    from rich.console import Console
    from rich.progress import (
        BarColumn,
        MofNCompleteColumn,
        Progress,
        TextColumn,
        TimeRemainingColumn,
    )

    columns = TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn()
    with Progress(*columns, TimeRemainingColumn(), console=Console(stderr=True)) as bars:
        tasks: dict[str, Any] = {}

        def report(label: str, done: int, total: int) -> None:
            if label not in tasks:
                tasks[label] = bars.add_task(label, total=total)
            bars.update(tasks[label], completed=done, total=total)

        yield report


def _lines() -> Report:
    """Report a stage when it ends, with its time, and every 30 seconds in between."""
    started: dict[str, float] = {}
    said: dict[str, float] = {}

    def report(label: str, done: int, total: int) -> None:
        now = time.monotonic()
        started.setdefault(label, now)
        if done >= total:
            click.echo(f"{label}: {total} in {now - started[label]:.1f} s", err=True)
            started.pop(label)
        elif now - said.setdefault(label, now) > 30:
            said[label] = now
            click.echo(f"{label}: {done} of {total}", err=True)

    return report


def table(header: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """Align columns: the first to the left, the others to the right."""
    widths = [max(len(row[i]) for row in [header, *rows]) for i in range(len(header))]
    lines = []
    for row in [header, *rows]:
        cells = [row[0].ljust(widths[0])]
        cells += [cell.rjust(width) for cell, width in zip(row[1:], widths[1:], strict=True)]
        lines.append("  ".join(cells).rstrip())
    return "\n".join(lines)


def wrapped(text: str) -> str:
    """Break a long line at 80 columns, the rest indented."""
    return textwrap.fill(text, 80, subsequent_indent="  ", break_long_words=False)


def interval(low: float | None, high: float | None) -> str:
    """Format the ends of an interval, two significant digits each; a dash where there is none."""
    if low is None or high is None or not (math.isfinite(low) and math.isfinite(high)):
        return "–"
    return f"{number(low, 2)}–{number(high, 2)}"


def aligned(values: Iterable[float], digits: int = 4) -> list[str]:
    """Format a column with the decimals that give its smallest number `digits` digits."""
    listed = [float(value) for value in values]
    smallest = min((abs(v) for v in listed if v), default=1.0)
    decimals = max(0, digits - 1 - math.floor(math.log10(smallest)))
    return [f"{value:.{decimals}f}" for value in listed]


def parse_axis(text: str | None) -> tuple[float, float, int] | None:
    """Read ``FIRST:LAST:COUNT``, nm and a number of channels."""
    if text is None:
        return None
    try:
        first, last, count = text.split(":")
        return float(first), float(last), int(count)
    except ValueError:
        raise click.BadParameter(
            f"{text!r}: need FIRST:LAST:COUNT, as 900:1700:401", param_hint="--axis"
        ) from None


def print_json(data: Any) -> None:
    """Print strict JSON on standard output."""
    click.echo(json.dumps(plain(data), indent=1, ensure_ascii=False, allow_nan=False))


def scores_table(analytes: dict[str, dict[str, Any]]) -> str:
    """Lay out the scores of a run or a frozen model in 80 columns."""
    header = (
        "analyte", "RMSEP", "95 %", "RMSECV", "95 %", "RMSEC", "unit", "n", "out", "family",
    )  # fmt: skip
    rows = []
    for name, e in analytes.items():
        rows.append(
            (
                name, number(e["rmsep"]), interval(e["rmsep_low"], e["rmsep_high"]),
                number(e["rmsecv"]), interval(e.get("rmsecv_low"), e.get("rmsecv_high")),
                number(e["rmsec"]), e["unit"], str(e["n_standards"]), str(e["n_held_out"]),
                family_words(e),
            )
        )  # fmt: skip
    return table(header, rows)


def family_words(entry: dict[str, Any]) -> str:
    """Name a family with its component count, where it has one."""
    count = entry["settings"].get("n_components")
    return entry["family"] if count is None else f"{entry['family']} {count}"

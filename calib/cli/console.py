"""What commands share in printing: progress, tables, JSON."""

from __future__ import annotations

import json
import math
import sys
import textwrap
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import click

from calib._show import number, plain

if TYPE_CHECKING:
    from calib.experiment.search import Progress as Search

Report = Callable[[str, int, int], None]


@contextmanager
def progress() -> Iterator[Report]:
    """Show progress on standard error: bars on a terminal, a line a stage elsewhere."""
    if not sys.stderr.isatty():
        yield _Lines()
        return
    from rich.console import Console, Group
    from rich.live import Live
    from rich.text import Text

    bars = _Bars()
    with Live(
        get_renderable=lambda: Group(bars.progress, Text(bars.best)),
        console=Console(stderr=True),
        refresh_per_second=4,
    ):
        yield bars


class _Bars:
    """A bar a stage, and the best of each analyte below while a search runs."""

    def __init__(self) -> None:
        from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn

        columns = TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn()
        self.progress = Progress(*columns, TextColumn("{task.fields[left]}"))
        self.best = ""
        self._tasks: dict[str, Any] = {}

    def __call__(self, label: str, done: int, total: int) -> None:
        """Show how far a stage is."""
        self._show(label, done, total, None)

    def trials(self, search: Search) -> None:
        """Show how far a search is."""
        self._show("trials", search.done, search.total, search.seconds_left)
        self.best = best_lines(search.best)

    def _show(self, label: str, done: int, total: int, seconds: float | None) -> None:
        if label not in self._tasks:
            self._tasks[label] = self.progress.add_task(label, total=total, left="")
        task = self._tasks[label]
        guess = self.progress.tasks[task].time_remaining if seconds is None else seconds
        left = "" if guess is None or done >= total else f"{duration(guess)} left"
        self.progress.update(task, completed=done, total=total, left=left)


class _Lines:
    """A line when a stage ends, with its time, and every 30 seconds in between."""

    def __init__(self) -> None:
        self._started: dict[str, float] = {}
        self._said: dict[str, float] = {}

    def __call__(self, label: str, done: int, total: int) -> None:
        """Say how far a stage is."""
        if self._due(label, done, total):
            click.echo(f"{label}: {done} of {total}", err=True)

    def trials(self, search: Search) -> None:
        """Say how far a search is."""
        if not self._due("trials", search.done, search.total):
            return
        left = search.seconds_left
        about = "" if left is None else f", about {duration(left)} left"
        click.echo(f"trials: {search.done} of {search.total}{about}", err=True)
        if search.best:
            click.echo(best_lines(search.best), err=True)

    def _due(self, label: str, done: int, total: int) -> bool:
        """Whether to say something of a stage that goes on."""
        now = time.monotonic()
        self._started.setdefault(label, now)
        if done >= total:
            click.echo(f"{label}: {total} in {now - self._started.pop(label):.1f} s", err=True)
            return False
        if now - self._said.setdefault(label, now) <= 30:
            return False
        self._said[label] = now
        return True


def best_lines(best: Mapping[str, tuple[float, str]]) -> str:
    """Lay out the least RMSECV so far of each analyte, and its family, in 80 columns."""
    cells = [f"{name} {number(rmsecv)} {family}" for name, (rmsecv, family) in best.items()]
    if not cells:
        return ""
    width = max(map(len, cells)) + 2
    each = max(1, 78 // width)
    rows = [
        "".join(c.ljust(width) for c in cells[i : i + each]) for i in range(0, len(cells), each)
    ]
    return "\n".join(["least RMSECV so far:", *(f"  {row}".rstrip() for row in rows)])


def duration(seconds: float) -> str:
    """Write a duration with the unit that suits it."""
    if seconds < 90:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 5400 else f"{seconds / 3600:.1f} h"


WIDTH = 80
"""Columns of the terminal that tables keep to."""


def table(header: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """Align columns in `WIDTH`: the first to the left, the others to the right.

    Where they would be wider, the last column and then the first are cut, with an ellipsis.
    """
    cells = [list(row) for row in [header, *rows]]
    for column in (-1, 0):
        widths = [max(map(len, each)) for each in zip(*cells, strict=True)]
        spare = WIDTH - sum(widths) - 2 * (len(widths) - 1)
        if spare < 0:
            room = max(6, widths[column] + spare)
            for row in cells:
                if len(row[column]) > room:
                    row[column] = row[column][: room - 1] + "…"
    widths = [max(map(len, each)) for each in zip(*cells, strict=True)]
    lines = []
    for first, *others in cells:
        rest = [cell.rjust(width) for cell, width in zip(others, widths[1:], strict=True)]
        lines.append("  ".join([first.ljust(widths[0]), *rest]).rstrip())
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

"""``calib compare``."""

from __future__ import annotations

from pathlib import Path

import click

from calib._show import number
from calib.cli.console import interval, print_json, table


@click.command()
@click.argument("first", metavar="RUN", type=click.Path(path_type=Path))
@click.argument("second", metavar="RUN", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="Print the comparison as JSON.")
def command(first: Path, second: Path, as_json: bool) -> None:
    """Compare two runs, analyte by analyte, on the standards both held out.

    The test flips, standard by standard, which run a pair of squared errors
    belongs to, and counts how often chance alone gives a difference as large;
    p values are corrected for the number of analytes (Holm). The 95 % interval
    of the ratio of the RMSEPs is a bootstrap over standards, not corrected.
    """
    from calib.experiment.run import open_run
    from calib.validate.comparison import compare_held_out

    a, b = open_run(first), open_run(second)
    rows = compare_held_out(a.table("held_out"), b.table("held_out"), list(a.analytes))
    if as_json:
        print_json([row._asdict() for row in rows])
        return
    shown = [
        (
            r.analyte, number(r.first), number(r.second), number(r.ratio),
            interval(r.ratio_low, r.ratio_high), number(r.p, 2), str(r.n_standards), r.words,
        )
        for r in rows
    ]  # fmt: skip
    header = ("analyte", "RMSEP 1", "RMSEP 2", "2 : 1", "95 %", "p", "n", "")
    click.echo(table(header, shown))

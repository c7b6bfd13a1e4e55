"""``calib report``."""

from __future__ import annotations

import os
from pathlib import Path

import click

from calib.errors import UsageError


@click.command()
@click.argument("subject", metavar="RUN|NAME@VERSION")
@click.option(
    "-o", "--out", type=click.Path(path_type=Path), metavar="OUT.html",
    help="File to write. Default: reports/SUBJECT.html.",
)  # fmt: skip
def command(subject: str, out: Path | None) -> None:
    """Write the HTML report of a run or a frozen model.

    One file that needs no network: the RMSEP of each analyte with its
    interval, pictures of predicted against certified, of the local error and
    of the component choice, and how to make it all again.
    """
    from calib.artifact.store import open_sealed
    from calib.experiment.run import open_run
    from calib.report.page import run_page

    path = Path(subject)
    stem = path.resolve().name if path.is_dir() else subject.replace("@", "-")
    target = out if out is not None else Path("reports") / f"{stem}.html"
    if target.is_dir():
        raise UsageError(f"{target}: is a folder, need a file name")
    if path.is_dir() and not (path / "manifest.json").is_file():
        run = open_run(path)
        page = run_page(run.results, run.table, title=f"Run {stem}")
    else:
        if "@" not in subject and not path.exists():
            raise UsageError(
                f"{subject}: no such run folder, and no NAME@VERSION of a frozen model"
            )
        page = open_sealed(subject).files["card.html"].decode()
    target.parent.mkdir(parents=True, exist_ok=True)
    partial = target.with_name(f".{target.name}.partial-{os.getpid()}")
    partial.write_text(page, encoding="utf-8")
    os.replace(partial, target)
    click.echo(f"report: {target}")

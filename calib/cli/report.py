"""``calib report``."""

from __future__ import annotations

import shutil
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
    from calib.artifact.store import check_files, find
    from calib.experiment.run import open_run
    from calib.report.page import run_page

    run = Path(subject)
    stem = run.name if run.is_dir() else subject.replace("@", "-")
    target = out if out is not None else Path("reports") / f"{stem}.html"
    if target.is_dir():
        raise UsageError(f"{target}: is a folder, need a file name")
    if (run / "results.json").is_file() or (run.is_dir() and "@" not in subject):
        opened = open_run(run)
        page = run_page(opened.results, opened.table, title=f"Run {run.name}")
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_text(page, encoding="utf-8")
    else:
        folder = find(subject)
        check_files(folder)
        target.parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(folder / "card.html", target)
    click.echo(f"report: {target}")

"""``calib report``."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING

import click

from calib.cli.console import print_json, progress
from calib.errors import UsageError

if TYPE_CHECKING:
    from calib.report.evidence import Picture


@click.command()
@click.argument("subject", metavar="RUN|NAME@VERSION")
@click.option(
    "-o", "--out", type=click.Path(path_type=Path), metavar="OUT.html",
    help="File to write. Default: reports/SUBJECT.html.",
)  # fmt: skip
@click.option(
    "--figures/--no-figures", default=True, show_default=True,
    help="Also write every picture into the folder OUT-figures.",
)  # fmt: skip
@click.option("--json", "as_json", is_flag=True, help="Print what was written as JSON.")
def command(subject: str, out: Path | None, figures: bool, as_json: bool) -> None:
    """Write the HTML report of a run or a frozen model.

    One file that needs no network and prints on A4: first what each analyte's
    model may be used for and not, then warnings, the evidence picture by
    picture, and how to make it all again. The pictures also land in a folder
    beside it: as PDF for a run, as the PNG of its card for a frozen model.

    \b
    Examples:
      calib report runs/first
      calib report majors@1.0.0 -o review.html --no-figures
    """
    from calib.artifact.store import open_sealed

    path = Path(subject)
    stem = path.resolve().name if path.is_dir() else subject.replace("@", "-")
    target = out if out is not None else Path("reports") / f"{stem}.html"
    folder = target.with_name(f"{target.stem}-figures")
    if target.is_dir():
        raise UsageError(f"{target}: is a folder, need a file name")
    if folder.exists() and not folder.is_dir():
        raise UsageError(f"{folder}: is a file, need a folder for the pictures")
    if path.is_dir() and not (path / "manifest.json").is_file():
        page, pictures = _of_run(path, stem)
        _write(target, page)
        written = _write_pdfs(pictures, folder) if figures else 0
    else:
        if "@" not in subject and not path.exists():
            raise UsageError(
                f"{subject}: no such run folder, and no NAME@VERSION of a frozen model"
            )
        page = open_sealed(subject).files["card.html"].decode()
        _write(target, page)
        written = _write_pngs(page, folder) if figures else 0
    if as_json:
        shown = str(folder) if written else None
        print_json({"report": str(target), "figures": shown, "pictures": written})
        return
    click.echo(f"report: {target}")
    if written:
        click.echo(f"figures: {folder}, {written} files")


def _of_run(path: Path, stem: str) -> tuple[str, list[Picture]]:
    """Draw and lay out the report of a run."""
    from calib.experiment.run import open_run
    from calib.report.evidence import run_pictures
    from calib.report.page import run_page

    run = open_run(path)
    evidence = run.evidence()
    pictures = []
    with progress() as report:
        for picture in run_pictures(run.results, evidence):
            pictures.append(picture)
            report("analytes drawn", len({p.subject for p in pictures} - {""}), len(run.analytes))
        page = run_page(run.results, evidence, title=f"Run {stem}", pictures=pictures)
    return page, pictures


def _write(target: Path, page: str) -> None:
    target.parent.mkdir(parents=True, exist_ok=True)
    partial = target.with_name(f".{target.name}.partial-{os.getpid()}")
    partial.write_text(page, encoding="utf-8")
    os.replace(partial, target)


def _write_pdfs(pictures: list[Picture], folder: Path) -> int:
    from calib.report.evidence import write_pictures

    with progress() as report:
        return write_pictures(pictures, folder, report)


def _write_pngs(page: str, folder: Path) -> int:
    from calib.report.page import page_pictures

    found = page_pictures(page)
    if found:
        folder.mkdir(parents=True, exist_ok=True)
    for number, (name, data) in enumerate(found.items(), start=1):
        (folder / f"{number:02d}-{name}.png").write_bytes(data)
    return len(found)

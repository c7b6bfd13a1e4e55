"""``calib export``."""

from __future__ import annotations

from pathlib import Path

import click

from calib.cli.console import print_json


@click.command()
@click.argument("reference", metavar="NAME@VERSION")
@click.option(
    "-o", "--out", type=click.Path(path_type=Path), metavar="FOLDER", default=Path("."),
    help="Where to write. Default: here.",
)  # fmt: skip
@click.option("--json", "as_json", is_flag=True, help="Print what was written as JSON.")
def command(reference: str, out: Path, as_json: bool) -> None:
    """Write a frozen model into one file for transport.

    NAME-VERSION.calib.zip holds the model's files, signature included, stored
    without compression; the same model gives the same bytes. Every command and
    calib.load take the file where they take NAME@VERSION, and check it as they
    check a folder; it need not be unpacked.

    \b
    Example:
      calib export majors@1.0.0
      calib check majors-1.0.0.calib.zip
    """
    from calib.artifact.store import export

    path = export(reference, out)
    if as_json:
        print_json({"file": str(path), "bytes": path.stat().st_size})
        return
    click.echo(f"exported: {path}, {path.stat().st_size} bytes")

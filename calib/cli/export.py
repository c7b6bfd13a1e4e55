"""``calib export``."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

import click

from calib.cli.console import print_json


@click.command()
@click.argument("reference", metavar="NAME@VERSION")
@click.option(
    "-o", "--out", type=click.Path(path_type=Path), metavar="FOLDER", default=Path("."),
    help="Where to write. Default: here.",
)  # fmt: skip
@click.option(
    "--onnx", "precision", type=click.Choice(["float64", "float32"]),
    help="Write the regression stage as ONNX instead, in this precision.",
)  # fmt: skip
@click.option("--json", "as_json", is_flag=True, help="Print what was written as JSON.")
def command(
    reference: str, out: Path, precision: Literal["float64", "float32"] | None, as_json: bool
) -> None:
    """Write a frozen model into one file for transport.

    NAME-VERSION.calib.zip holds the model's files, signature included, stored
    without compression; the same model gives the same bytes. Every command and
    calib.load take the file where they take NAME@VERSION, and check it as they
    check a folder; it need not be unpacked.

    With --onnx the file is NAME-VERSION.onnx: from preprocessed spectra to each
    analyte's value, without error bars or flags; how far it is from the model
    on the golden bursts is printed. Trees and local models are refused: another
    runtime would not compute them alike.

    \b
    Example:
      calib export majors@1.0.0
      calib check majors-1.0.0.calib.zip
    """
    if precision is not None:
        from calib.artifact.onnx_export import export_onnx

        path, worst = export_onnx(reference, out, precision)
        if as_json:
            print_json({"file": str(path), "bytes": path.stat().st_size, "largest": worst})
            return
        click.echo(f"exported: {path}, {precision}")
        click.echo(f"largest difference on golden bursts: {worst:.1e} standard uncertainties")
        return
    from calib.artifact.store import export

    path = export(reference, out)
    if as_json:
        print_json({"file": str(path), "bytes": path.stat().st_size})
        return
    click.echo(f"exported: {path}, {path.stat().st_size} bytes")

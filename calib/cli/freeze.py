"""``calib freeze``."""

from __future__ import annotations

from pathlib import Path

import click

from calib.cli.console import print_json, wrapped


@click.command()
@click.argument("run", metavar="RUN", type=click.Path(path_type=Path))
@click.argument("reference", metavar="NAME@VERSION")
@click.option("--json", "as_json", is_flag=True, help="Print what was frozen as JSON.")
def command(run: Path, reference: str, as_json: bool) -> None:
    """Freeze a run's models under a name and version.

    The frozen model is a folder of plain arrays, a manifest with the RMSEP of
    each analyte and the hash of every file, a few raw bursts with their
    predictions, and the report. It lands whole in experiments/models (or
    $CALIB_MODELS) and is never overwritten.

    Versions are three numbers, and what they say is checked against the versions
    there are: raise the first when predictions change their meaning (other
    analytes or units), the second when the model is trained anew, the third
    when only words change and every number stays.

    \b
    Example:
      calib freeze runs/first majors@1.0.0
    """
    from calib.experiment.freezing import freeze
    from calib.experiment.results import failed
    from calib.experiment.run import open_run

    opened = open_run(run)
    model = freeze(opened, reference)
    for line in failed(opened.results):
        click.echo(wrapped(f"check failed: {line}"), err=True)
    if as_json:
        said = failed(opened.results)
        print_json({"model": model.name, "folder": str(model.path), "checks_failed": said})
    else:
        click.echo(f"frozen: {model.path}")

"""``calib models``."""

from __future__ import annotations

import click

from calib.cli.console import print_json, table
from calib.errors import CalibError


@click.command()
@click.option("--json", "as_json", is_flag=True, help="Print the list as JSON.")
def command(as_json: bool) -> None:
    """List frozen models in experiments/models, or $CALIB_MODELS."""
    from calib.artifact.store import frozen, manifest_of, models_folder

    rows = []
    for name, version in frozen():
        try:
            manifest = manifest_of(name, version)
        except CalibError as error:
            click.echo(f"note: {error}", err=True)
            continue
        rows.append((f"{name}@{version}", manifest["created"], ", ".join(manifest["analytes"])))
    if as_json:
        keys = ("model", "created", "analytes")
        print_json([dict(zip(keys, row, strict=True)) for row in rows])
    elif rows:
        width = 80 - 2 - max(len(row[0]) for row in rows) - 22
        short = [(a, b, c if len(c) <= width else c[: width - 1] + "…") for a, b, c in rows]
        click.echo(table(("model", "created", "analytes"), short))
    else:
        click.echo(
            f"no frozen models in {models_folder()}; make one with "
            "'calib train EXPERIMENT.toml' and 'calib freeze RUN NAME@1.0.0'"
        )

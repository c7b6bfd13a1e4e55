"""``calib show``."""

from __future__ import annotations

from typing import Any

import click

from calib.cli.console import print_json, scores_table, wrapped


@click.command()
@click.argument("reference", metavar="NAME@VERSION")
@click.option("--json", "as_json", is_flag=True, help="Print the manifest.")
def command(reference: str, as_json: bool) -> None:
    """Show a frozen model: its RMSEP for each analyte, where it comes from."""
    from calib.artifact.store import load

    model = load(reference)
    manifest: Any = model.manifest
    if as_json:
        print_json(manifest)
        return
    click.echo(f"{model.name}, frozen {manifest['created']}")
    click.echo(f"library: {manifest['library']['title']}")
    click.echo(wrapped(f"held out: {manifest['library']['held_out_rule']}"))
    steps = ", ".join(step["step"] for step in manifest["preprocess"]) or "none"
    click.echo(wrapped(f"steps: {steps}") + "\n")
    click.echo(scores_table(manifest["analytes"]))

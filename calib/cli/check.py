"""``calib check``."""

from __future__ import annotations

from pathlib import Path

import click

from calib.cli.console import print_json, progress
from calib.errors import CheckError


@click.command()
@click.argument("reference", metavar="NAME@VERSION")
@click.option(
    "--library", "directory", type=click.Path(path_type=Path), metavar="DIR",
    help="Also predict the standards held out in training, from this library, and compare RMSEP.",
)  # fmt: skip
@click.option(
    "--retrain", type=click.Path(path_type=Path), metavar="EXPERIMENT",
    help="Also train anew and compare the RMSEP.",
)  # fmt: skip
@click.option(
    "--tolerance", type=click.FloatRange(0, 1), default=0.02, show_default=True,
    help="Relative difference of an RMSEP (with --retrain: increase) that passes.",
)  # fmt: skip
@click.option("--junit", type=click.Path(path_type=Path), help="Write JUnit XML for a CI server.")
@click.option("--json", "as_json", is_flag=True, help="Print the verdicts as JSON.")
def command(
    reference: str, directory: Path | None, retrain: Path | None, tolerance: float,
    junit: Path | None, as_json: bool,
) -> None:  # fmt: skip
    """Check a frozen model: files, predictions, RMSEP.

    The hash of every file is compared with the manifest, and a few raw bursts
    frozen with the model are predicted anew. Exit status 0 if all holds, 1 if
    anything differs.

    \b
    Example for a CI job:
      calib check majors@1.0.0 --library reference_spectra/heron --junit out.xml
    """
    from calib.artifact import check

    model, verdicts = check.check_artifact(reference)
    with progress() as report:
        if model is not None and directory is not None:
            from calib.experiment.freezing import held_out_rmsep
            from calib.library import open_library

            scores = held_out_rmsep(model, open_library(directory), report)
            verdicts += check.check_rmsep(model, scores, tolerance=tolerance)
        if model is not None and retrain is not None:
            from calib.experiment.freezing import retrained_rmsep

            scores = retrained_rmsep(retrain, report)
            verdicts += check.check_retrained(model, scores, tolerance=tolerance)
    if junit is not None:
        junit.write_text(check.junit(reference, verdicts), encoding="utf-8")
    if as_json:
        print_json(check.summary(verdicts))
    else:
        for each in verdicts:
            click.echo(f"{'pass' if each.passed else 'FAIL'}  {each.name}: {each.detail}")
    failed = [each.name for each in verdicts if not each.passed]
    if failed:
        raise CheckError(
            f"{reference}: {len(failed)} of {len(verdicts)} checks failed: {failed[0]}"
        )

"""``calib check``."""

from __future__ import annotations

from pathlib import Path

import click

from calib.cli.console import print_json, progress
from calib.errors import CheckError, UsageError


@click.command()
@click.argument("reference", metavar="NAME@VERSION")
@click.option(
    "--library", "directory", type=click.Path(path_type=Path), metavar="DIR",
    help="Also compare this library with the one trained on, predict the standards held out in "
    "training, and compare RMSEP.",
)  # fmt: skip
@click.option(
    "--retrain", type=click.Path(path_type=Path), metavar="EXPERIMENT",
    help="Also train anew; compare settings and, standard by standard, errors.",
)  # fmt: skip
@click.option(
    "--tolerance", type=click.FloatRange(0, 1), default=0.02, show_default=True,
    help="Relative difference of an RMSEP (with --retrain: increase) that passes.",
)  # fmt: skip
@click.option(
    "--tolerances", type=click.Path(path_type=Path), metavar="FILE",
    help="TOML with 'rmsep', 'golden' and a table [analytes]; goes before --tolerance.",
)  # fmt: skip
@click.option(
    "--trust", type=click.Path(path_type=Path), metavar="KEY",
    help="Public key that must have signed the model.",
)  # fmt: skip
@click.option(
    "--junit", type=click.Path(path_type=Path), metavar="FILE",
    help="Write JUnit XML for a CI server.",
)  # fmt: skip
@click.option(
    "--markdown", type=click.Path(path_type=Path), metavar="FILE",
    help="Write a summary in Markdown.",
)  # fmt: skip
@click.option("--json", "as_json", is_flag=True, help="Print the verdicts as JSON.")
def command(
    reference: str, directory: Path | None, retrain: Path | None, tolerance: float,
    tolerances: Path | None, trust: Path | None, junit: Path | None, markdown: Path | None,
    as_json: bool,
) -> None:  # fmt: skip
    """Check a frozen model: files, signature, predictions, RMSEP.

    The hash of every file is compared with the manifest, and a few raw bursts
    frozen with the model are predicted anew. Exit status 0 if all holds, 1 if
    anything differs.

    \b
    Example for a CI job:
      calib check majors@1.0.0 --library reference_spectra/heron --junit out.xml

    A tolerances file: rmsep = 0.02 for every analyte, golden = 1e-10 for the
    frozen predictions (another processor may need 1e-6), and a table
    [analytes] with lines as TiO2 = 0.05.
    """
    from calib.artifact import check, verdicts

    allowed = check.Tolerances(rmsep=tolerance)
    if tolerances is not None:
        allowed = check.read_tolerances(tolerances, allowed)
    for path in filter(None, (junit, markdown)):
        if not path.parent.is_dir():
            raise UsageError(f"{path.parent}: no such folder")
    model, found = check.check_artifact(reference, trust=trust, tolerances=allowed)
    with progress() as report:
        if model is not None and directory is not None:
            from calib.experiment.checking import held_out_rmsep
            from calib.library import open_library

            library = open_library(directory)
            found.append(check.check_library(model, library.digest(), str(directory)))
            scores = held_out_rmsep(model, library, report)
            found += check.check_rmsep(model, scores, allowed)
        if model is not None and retrain is not None:
            from calib.experiment.checking import compare_retrained

            retrained, pairs = compare_retrained(model, retrain, report)
            found.append(check.check_chain(model, retrained))
            found += check.check_retrained(model, pairs, allowed)
    if junit is not None:
        junit.write_text(verdicts.junit(reference, found), encoding="utf-8")
    if markdown is not None:
        markdown.write_text(verdicts.markdown(reference, found), encoding="utf-8")
    if as_json:
        print_json(verdicts.plain(found))
    else:
        click.echo("\n".join(verdicts.lines(found)))
    failed = [each.name for each in found if not each.passed]
    if failed:
        raise CheckError(f"{reference}: {len(failed)} of {len(found)} checks failed: {failed[0]}")

"""``calib predict``."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING

import click

from calib.cli.console import parse_axis, print_json, progress
from calib.cli.engine import engine_options
from calib.errors import UsageError

if TYPE_CHECKING:
    from calib.experiment.workers import Kind


@click.command()
@click.argument("reference", metavar="NAME@VERSION")
@click.argument("source", metavar="INPUT", type=click.Path(path_type=Path))
@click.option(
    "-o", "--out", type=click.Path(path_type=Path), required=True, metavar="OUT.csv",
    help="Table to write; must not exist. OUT.jsonl writes JSON lines.",
)  # fmt: skip
@click.option(
    "--axis", metavar="FIRST:LAST:COUNT",
    help="The table's last COUNT columns are channels, evenly spaced in nm, as at import.",
)  # fmt: skip
@click.option(
    "--level", type=click.FloatRange(0, 1, min_open=True, max_open=True), metavar="SHARE",
    help="Of the intervals A_low to A_high, as 0.95. Default: the model's, 0.90.",
)  # fmt: skip
@click.option(
    "--resample", is_flag=True,
    help="Interpolate spectra of another axis onto the model's; refused without.",
)  # fmt: skip
@click.option(
    "--trust", type=click.Path(path_type=Path), metavar="KEY",
    help="Public key that must have signed the model.",
)  # fmt: skip
@click.option("--json", "as_json", is_flag=True, help="Print what was written as JSON.")
@engine_options(jobs="one")
def command(
    reference: str, source: Path, out: Path, axis: str | None, level: float | None,
    resample: bool, trust: Path | None,
    as_json: bool, jobs: int | None, kind: Kind | None, scheduler: str | None,
) -> None:  # fmt: skip
    """Predict compositions with a frozen model.

    INPUT is a library (a folder), whose bursts are all predicted, or a wide
    CSV table with one averaged, dark-subtracted spectrum a row on the model's
    wavelengths; columns 'burst' and 'standard' are carried along.

    OUT.csv has the columns burst, standard, then for each analyte A: A, A_u
    (standard uncertainty: the local RMSEP), A_low and A_high (interval of
    --level; endless where too few standards were known for it), and A_flags
    (why not to trust it; empty is good): below-lod, outside-range, high-t2,
    high-q, high-leverage, no-neighbour, unregistered, no-dark; README
    explains each. A model that knows a total adds A_reconciled and
    A_reconciled_u for each oxide. OUT.jsonl has one JSON object a line instead,
    with units. Of a library, parts are predicted side by side with --jobs or on
    a cluster; the table is the same, byte for byte.

    \b
    Examples:
      calib predict majors@1.0.0 reference_spectra/heron -o predictions.csv
      calib predict majors@1.0.0 /shared/walls -o walls.csv \\
            --scheduler tcp://cluster:8786
    """
    from calib.artifact.store import load
    from calib.experiment.predicting import json_lines, predict_library, predict_table
    from calib.experiment.workers import Engine
    from calib.library import open_library

    if not source.is_dir() and (jobs or kind or scheduler):
        raise UsageError(f"{source}: --jobs, --engine and --scheduler are for a library, a folder")
    engine = Engine.of(kind, jobs or (None if kind or scheduler else 1), scheduler)
    if out.exists():
        raise UsageError(f"{out}: exists already; give another name or remove it")
    if not out.parent.is_dir():
        raise UsageError(f"{out.parent}: no such folder")
    model = load(reference, trust=trust)
    partial = out.with_name(f".{out.name}.partial-{os.getpid()}")
    rows = 0
    try:
        with progress() as report:
            if source.is_dir():
                library = open_library(source)
                tables = predict_library(
                    model,
                    library,
                    library.bursts,
                    report,
                    level=level,
                    engine=engine,
                    resample=resample,
                )
            else:
                tables = predict_table(
                    model, source, report, axis=parse_axis(axis), level=level, resample=resample
                )
            for i, each in enumerate(tables):
                if out.suffix == ".jsonl":
                    with partial.open("a", encoding="utf-8") as file:
                        file.write(json_lines(model, each, level))
                else:
                    each.to_csv(
                        partial, mode="w" if i == 0 else "a", header=i == 0, index=False,
                        lineterminator="\n",
                    )  # fmt: skip
                rows += len(each)
        os.replace(partial, out)
    finally:
        partial.unlink(missing_ok=True)
    if source.is_dir() and (library.bursts["use"] == "calibration").any():
        trained = int((library.bursts["use"] == "calibration").sum())
        click.echo(
            f"note: {trained} of the bursts are marked calibration: errors there flatter", err=True
        )
    if as_json:
        print_json(
            {"file": str(out), "model": model.name, "rows": rows, "analytes": list(model.analytes)}
        )
    else:
        click.echo(f"{out}: {rows} predictions of {', '.join(model.analytes)}")

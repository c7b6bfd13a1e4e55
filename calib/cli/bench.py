"""``calib bench``."""

from __future__ import annotations

import threading
from pathlib import Path
from typing import Any

import click

from calib.cli.console import print_json
from calib.errors import UsageError


@click.command()
@click.argument("runs", metavar="RUN [RUN]…", nargs=-1, required=True,
                type=click.Path(path_type=Path))  # fmt: skip
@click.option(
    "--library", type=click.Path(path_type=Path), metavar="DIR",
    help="Library of the runs. Default: where each run says that it lies.",
)  # fmt: skip
@click.option("--port", type=click.IntRange(1, 65535), help="Default: one that is free.")
@click.option("--open/--no-open", "show", default=True, help="Open it in the browser, or not.")
@click.option("--json", "as_json", is_flag=True, help="Print the URL as JSON.")
def command(
    runs: tuple[Path, ...], library: Path | None, port: int | None, show: bool, as_json: bool
) -> None:
    """Look closer at runs, on a page of this machine alone.

    Choose an analyte, pick a point, and see its spectrum with the lines of
    elements, the training spectra that are like it, its burst shot by shot and
    its flags; drop a standard and read the RMSECV of a refit without it. With
    two runs it also says whether one is better. Ctrl-C ends it.

    It listens on 127.0.0.1 only and wants the token of the URL it prints.
    Needs the extra: pip install 'calib-workbench[bench]'.

    \b
    Examples:
      calib bench runs/first
      calib bench runs/first runs/second --port 5100 --no-open
    """
    from calib.experiment.bench_data import BenchRun
    from calib.experiment.run import open_run

    try:
        from calib.report.bench.server import open_bench
    except ModuleNotFoundError as error:
        if (error.name or "").partition(".")[0] not in ("bokeh", "tornado"):
            raise
        raise UsageError(
            "bench: needs Bokeh; install it with: pip install 'calib-workbench[bench]'"
        ) from None
    opened = [open_run(run) for run in runs]
    subjects = [BenchRun(run, library) for run in opened]
    compared = None
    if len(opened) > 1:

        def compared() -> list[dict[str, Any]]:
            from calib.validate.comparison import compare_held_out

            first, second = (run.table("held_out") for run in opened[:2])
            found = compare_held_out(first, second, list(opened[0].analytes))
            return [each._asdict() for each in found]

    def prepare() -> None:
        for each in subjects:
            threading.Thread(target=each.prepare, daemon=True).start()

    bench = open_bench(subjects, port or 0, compared=compared, after=prepare)
    for each in subjects:
        if each.problem:
            click.echo(f"note: {each.name}: no spectra: {each.problem}", err=True)
    if as_json:
        print_json({"url": bench.url})
    else:
        click.echo(f"bench: {bench.url}")
    if show:
        click.launch(bench.url)
    try:
        bench.run()
    except KeyboardInterrupt:
        click.echo("bench: closed", err=True)

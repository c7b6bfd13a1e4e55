"""``calib train``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from calib._show import number
from calib.cli.console import aligned, print_json, progress, scores_table, table, wrapped
from calib.cli.engine import engine_options
from calib.errors import UsageError

if TYPE_CHECKING:
    from calib.experiment.engine import Means
    from calib.experiment.plan import Plan
    from calib.experiment.workers import Kind


@click.command()
@click.argument("experiment", metavar="EXPERIMENT.toml", type=click.Path(path_type=Path))
@click.option(
    "--out", type=click.Path(path_type=Path), metavar="RUN",
    help="Run folder to make. Default: runs/NAME-1, -2, …",
)  # fmt: skip
@engine_options(jobs="the cores this process may use")
@click.option(
    "--trials",
    type=click.IntRange(min=1),
    metavar="N",
    help="Trials of each analyte and family, in place of [search] trials.",
)
@click.option(
    "--minutes",
    type=click.FloatRange(min=0, min_open=True),
    metavar="MINUTES",
    help="Begin no trial later than that, in place of [search] minutes. What is found then "
    "depends on how fast the machine is.",
)
@click.option(
    "--resume",
    is_flag=True,
    help="Go on with the search of --out RUN that was interrupted, or extend a finished one with "
    "more --trials. No finished trial is done again.",
)
@click.option(
    "--storage",
    metavar="URL|FILE",
    help="Where the records of trials are kept: a database as postgresql://USER@HOST/NAME, or a "
    "journal file. Default: a journal beside the run. Their predictions are kept there always.",
)
@click.option("--dry-run", is_flag=True, help="Say what would be done and how long it takes.")
@click.option("--components", is_flag=True, help="Also print RMSECV and RMSEP at every count.")
@click.option(
    "--json", "as_json", is_flag=True, help="Print results.json (with --dry-run, the plan)."
)
def command(
    experiment: Path, out: Path | None, jobs: int | None, kind: Kind | None,
    scheduler: str | None, trials: int | None, minutes: float | None, resume: bool,
    storage: str | None, dry_run: bool, components: bool, as_json: bool,
) -> None:  # fmt: skip
    """Train models as an experiment file says.

    The file needs one key, 'library', a path relative to the file. Bursts are
    preprocessed, models are cross-validated with families of standards kept
    whole, the component count is the smallest within one standard error of the
    best, and the final models are scored on the held-out standards, which
    nothing before has read.

    \b
    A small file:
      library = "../reference_spectra/demo"
      analytes = ["SiO2", "MgO"]      # default: all certified often enough
      seed = 1
      [preprocess]
      steps = ["dark", "average", {step = "normalise", by = "whole"}]
      [folds]
      count = 10                      # or "leave-one-out"
      repeats = 5
      held_out = "library"            # or a share of the families, as 0.2
      [models]
      families = ["pls"]              # default: all
      [models.pls]
      max_components = 20
      scale = false                   # true: every channel weighs alike
      rule = "one-standard-error"     # or "minimum", "randomisation"
      [search]
      trials = 20                     # of each analyte and family

    The run folder holds results.json, every prediction, figures, and the model
    that 'calib freeze' freezes.

    Where there is more to try than PLS, every analyte and family is searched: so
    many trials each, many at once. The seed decides what is found, not the number
    of workers. Ctrl-C, a power cut or a dead worker costs the trials on their way
    only; --resume goes on with the others, and with more --trials for longer:

    \b
      calib train majors.toml --out runs/majors --jobs 8
      calib train majors.toml --out runs/majors --resume
      calib train majors.toml --out runs/majors --resume --trials 80
      calib train majors.toml --out runs/majors --scheduler tcp://cluster:8786
    """
    from threadpoolctl import threadpool_limits

    from calib.experiment.engine import Means, next_folder, train
    from calib.experiment.plan import plan
    from calib.experiment.results import failed
    from calib.experiment.run import beside
    from calib.experiment.workers import Engine

    means = Means(Engine.of(kind, jobs, scheduler), resume, storage, trials, minutes)
    if dry_run:
        _say_plan(plan(experiment), means, as_json=as_json)
        return
    if resume and out is None:
        raise UsageError("--resume: need --out RUN, the run whose search goes on")
    target = out or next_folder(experiment)
    try:
        with progress() as report, threadpool_limits(jobs):
            run = train(experiment, target, report=report, means=means)
    except KeyboardInterrupt:
        if beside(target).exists():
            again = f"calib train {experiment} --out {target} --resume"
            click.echo(f"finished trials are kept; go on with:\n  {again}", err=True)
        raise
    if as_json:
        print_json(run.results)
        return
    for note in run.results["notes"]:
        if note.startswith("step left out"):
            click.echo(f"note: {note}", err=True)
    click.echo(scores_table(run.analytes))
    for line in failed(run.results):
        click.echo(wrapped(f"check failed: {line}"), err=True)
    if components:
        curves = run.table("curves")
        for name in run.analytes:
            unit = run.analytes[name]["unit"]
            click.echo(f"\n{name}: error of the regression itself, {unit}")
            mine = curves[curves["analyte"] == name]
            columns = [[str(int(count)) for count in mine["n_components"]]]
            columns += [aligned(mine[c]) for c in ("rmsecv", "rmsep") if mine[c].notna().all()]
            rows = list(zip(*columns, strict=True))
            click.echo(table(("components", "RMSECV", "RMSEP")[: len(columns)], rows))
    click.echo(f"\nrun folder: {run.path}")
    click.echo(f"next: calib report {run.path}; calib freeze {run.path} NAME@1.0.0")


def _say_plan(decided: Plan, means: Means, *, as_json: bool) -> None:
    """Print what a training would do, and about how long a search would take."""
    from calib.experiment.estimate import HOW, estimate

    guess = None
    if decided.searches:
        with progress() as report:
            guess = estimate(
                decided, means.engine.workers, report, trials=means.trials, minutes=means.minutes
            )
    if as_json:
        print_json(
            {
                "library": str(decided.library.path),
                "analytes": list(decided.analytes),
                "calibration_bursts": len(decided.calibration),
                "held_out_bursts": len(decided.held_out),
                "folds": int(decided.folds.max()) + 1,
                "repeats": len(decided.folds),
                "preprocess": decided.chain.settings(),
                "variants": {name: c.settings() for name, c in decided.variants.items()},
                "families": list(decided.families_tried),
                "search": None if guess is None else {"how": HOW, **vars(guess)},
                "notes": decided.notes,
            }
        )
        return
    click.echo(f"library   {decided.library.path}")
    click.echo(wrapped(f"analytes  {', '.join(decided.analytes)}"))
    click.echo(
        f"bursts    {len(decided.calibration)} for calibration, {len(decided.held_out)} held out"
    )
    click.echo(f"folds     {decided.folds.max() + 1}, dealt {len(decided.folds)} time(s)")
    steps = ", ".join(step.name for step in decided.chain.steps) or "none"
    click.echo(wrapped(f"steps     {steps}"))
    if len(decided.variants) > 1:
        click.echo(wrapped(f"variants  {', '.join(decided.variants)}"))
    click.echo(wrapped(f"families  {', '.join(decided.families_tried)}"))
    if guess is not None:
        rows = [(n, str(guess.trials[n]), number(guess.seconds[n])) for n in guess.trials]
        click.echo("\n" + table(("family", "trials", "s each"), rows))
        cores = means.engine.workers
        click.echo(
            f"\nabout {guess.total / 60:.1f} minutes for {sum(guess.trials.values())} trials and "
            f"the best on all folds, with {cores} worker(s)"
        )
        click.echo(wrapped(HOW))
    for line in [*decided.notes, *(f"left out {each}" for each in decided.left_out)]:
        click.echo(wrapped(f"note: {line}"))

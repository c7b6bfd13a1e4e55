"""``calib library``: simulate, import, audit."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import click

from calib.cli.console import parse_axis, print_json, progress, wrapped


@click.group()
def command() -> None:
    """Make, import and audit libraries of standards.

    A library is a folder: library.toml (instrument, units), standards.csv
    (certified values with standard uncertainties), bursts.csv (what was shot,
    where and when) and spectra.zarr (the counts).
    """


@command.command()
@click.argument("directory", metavar="DIR", type=click.Path(path_type=Path))
@click.option("--standards", type=int, default=120, show_default=True, help="Certified standards.")
@click.option("--spots", type=int, default=3, show_default=True, help="Spots at each distance.")
@click.option("--shots", type=int, default=20, show_default=True, help="Shots in a burst.")
@click.option(
    "--distances", metavar="M,M,…", default="1.5,3,5,7.5", show_default=True,
    help="Stand-off distances, metres.",
)  # fmt: skip
@click.option(
    "--check-visits", type=int, default=16, show_default=True,
    help="Visits to the check targets over the year after.",
)  # fmt: skip
@click.option("--seed", type=int, default=1, show_default=True, help="Same seed, same bytes.")
@click.option("--json", "as_json", is_flag=True, help="Print what the library holds as JSON.")
def simulate(
    directory: Path, standards: int, spots: int, shots: int, distances: str, check_visits: int,
    seed: int, as_json: bool,
) -> None:  # fmt: skip
    """Write the demo library: invented standards, simulated plasma.

    Heron, a stand-off LIBS head, shoots invented standards in a hall at the air
    pressure of the quarry Skarn Hollow. Nothing in it is a real instrument,
    place or rock. Its spectra come from a plasma in local thermodynamic
    equilibrium, with self-absorption, matrix effects, distances, drift, dust
    and noise, so that models fail on it as they fail on real ones.

    \b
    Example, small and quick:
      calib library simulate reference_spectra/demo --spots 1 --shots 10
    """
    from calib.library import open_library
    from calib.simulate import SimulationSettings, simulate_library

    settings = SimulationSettings(
        n_standards=standards,
        spots=spots,
        shots=shots,
        distances_m=_metres(distances),
        n_check_visits=check_visits,
        seed=seed,
    )
    with progress() as report:
        simulate_library(
            directory,
            settings,
            progress=lambda done, all_: report("bursts", done, all_),
            workers=os.cpu_count() or 1,
        )
    if as_json:
        print_json(open_library(directory).summary())
    else:
        click.echo(repr(open_library(directory)))


def _metres(text: str) -> tuple[float, ...]:
    try:
        return tuple(float(part) for part in text.split(","))
    except ValueError:
        raise click.BadParameter(
            f"{text!r}: need metres as 1.5,3,5", param_hint="--distances"
        ) from None


@command.command("import")
@click.argument("source", metavar="SOURCE", type=click.Path(path_type=Path))
@click.argument("directory", metavar="DIR", type=click.Path(path_type=Path))
@click.option(
    "--table", type=click.Path(path_type=Path), metavar="META.csv",
    help="Metadata and analytes of spectra whose files hold none; a column 'file' (and 'row') "
    "names the spectrum, else rows are in its order.",
)  # fmt: skip
@click.option("--analytes", metavar="A,B,…", help="Analyte columns. Default: elements and oxides.")
@click.option(
    "--unit", "units", multiple=True, metavar="A=UNIT", help="Unit of an analyte, if not wt%."
)
@click.option(
    "--axis", metavar="FIRST:LAST:COUNT",
    help="The last COUNT columns are channels, evenly spaced in nm. Default: columns named by "
    "their wavelength.",
)  # fmt: skip
@click.option(
    "--overlap", type=click.Choice(["cut", "refuse"]), default="cut", show_default=True,
    help="Where two spectrometers see the same wavelengths: cut both in the middle, or stop.",
)  # fmt: skip
@click.option(
    "--gap", type=click.FloatRange(min=1), metavar="FACTOR", default=None,
    help="A step this many times the channel spacing starts a new spectrometer. Default: 5; inf "
    "keeps one.",
)  # fmt: skip
@click.option("--vacuum", is_flag=True, help="Wavelengths are in vacuum, not air.")
@click.option(
    "--signal", type=click.Choice(["auto", "emission", "absorption"]), default="auto",
    show_default=True, help="What the channels hold; auto judges by the shape and says so.",
)  # fmt: skip
@click.option(
    "--held-out", type=float, metavar="SHARE",
    help="Mark this share of the families as held out, where there is no column 'use'.",
)  # fmt: skip
@click.option("--seed", type=int, default=1, show_default=True, help="Seed of that choice.")
@click.option("--title", default="", help="Title of the library.")
@click.option("--json", "as_json", is_flag=True, help="Print what the library holds as JSON.")
def import_(
    source: Path, directory: Path, table: Path | None, analytes: str | None,
    units: tuple[str, ...], axis: str | None, overlap: Any, gap: float | None, vacuum: bool,
    held_out: float | None, seed: int, signal: Any, title: str, as_json: bool,
) -> None:  # fmt: skip
    """Make a library from spectra in a table or in files of another format.

    SOURCE is a wide UTF-8 CSV table, one spectrum a row, with a header; a
    folder of two-column text files; FITS; a PDS4 label; JCAMP-DX, a file or a
    folder; NetCDF or a Zarr store. Columns a wide table, or META.csv, may have:
    'standard' (rows of one standard belong together; default one standard a
    row), 'family' (standards made from one base, never on both sides of a
    split), 'use' (calibration, held-out or check), 'burst' (consecutive rows of
    one burst are its shots), 'distance_m' and other facts of a burst. Then the
    analytes (A_u beside A is its standard uncertainty; empty means not
    certified, <0.01 below that limit), and in a wide table one column a channel.

    Spectrometers are joined into one increasing axis; nothing is interpolated,
    and what was cut or split is said.

    \b
    Examples:
      calib library import rocks.csv reference_spectra/rocks
      calib library import shots/ reference_spectra/rocks --table shots.csv
      calib library import fuel.csv fuel --analytes octane --unit octane=RON \\
          --axis 900:1700:401 --held-out 0.2
    """
    from calib.library import TableSettings, import_table, open_library

    settings = TableSettings(
        analytes=tuple(a.strip() for a in analytes.split(",")) if analytes else (),
        units=dict(_pair(each) for each in units),
        axis=parse_axis(axis),
        signal=signal,
        vacuum=vacuum,
        held_out=held_out,
        seed=seed,
        title=title,
        table=table,
        overlap=overlap,
        **({} if gap is None else {"gap_factor": gap}),
    )
    said: list[str] = []
    with progress() as report:
        import_table(
            source, directory, settings, say=said.append,
            progress=lambda done, all_: report("rows", done, all_),
        )  # fmt: skip
    library = open_library(directory)
    if as_json:
        print_json(library.summary() | {"notes": said})
        return
    click.echo(repr(library))
    judged = " (judged by the shape; --signal overrides)" if signal == "auto" else ""
    for line in said:
        click.echo(f"  note: {line}")
    click.echo(f"  signal: {library.description.signal}{judged}")


def _pair(text: str) -> tuple[str, str]:
    name, mark, unit = text.partition("=")
    if not mark or not name or not unit:
        raise click.BadParameter(f"{text!r}: need ANALYTE=UNIT", param_hint="--unit")
    return name, unit


@command.command()
@click.argument("directory", metavar="DIR", type=click.Path(path_type=Path))
@click.option(
    "--total", "limits", metavar="LOW:HIGH", default="97:102", show_default=True,
    help="Limits of the total in wt%.",
)  # fmt: skip
@click.option("--no-spectra", is_flag=True, help="Look at the tables alone: quick.")
@click.option("--strict", is_flag=True, help="Warnings also give exit status 1.")
@click.option("--json", "as_json", is_flag=True, help="Print the findings as JSON.")
def audit(directory: Path, limits: str, no_spectra: bool, strict: bool, as_json: bool) -> None:
    """List what is wrong or doubtful in a library.

    Each finding has a code, a severity, the place and what to do; then come the
    calibration standards over the range of each analyte. Exit status 1 if
    there is an error (with --strict, also for a warning), 0 otherwise.
    """
    from calib.library import audit as look_through
    from calib.library import open_library
    from calib.library.audit import coverage, histogram

    try:
        low, high = (float(part) for part in limits.split(":"))
    except ValueError:
        low, high = 1.0, 0.0
    if not low < high:
        raise click.BadParameter(f"{limits!r}: need LOW:HIGH, as 97:102", param_hint="--total")
    library = open_library(directory)
    findings = look_through(library, total_limits=(low, high), spectra=not no_spectra)
    if as_json:
        print_json([vars(each) for each in findings])
    else:
        click.echo(repr(library))
        for each in findings:
            line = f"{each.severity} {each.code}: {each.where}: {each.found}; {each.advice}"
            click.echo(wrapped(line))
        if not findings:
            click.echo("nothing found")
        click.echo("\ncalibration standards over the range of each analyte (a dot: none)")
        for name, (counts, edges) in coverage(library).items():
            drawn = histogram(counts, edges)
            click.echo(f"{name:8s}{drawn} {library.description.unit(name)}, {counts.sum()}")
    bad = {"error", "warning"} if strict else {"error"}
    if any(each.severity in bad for each in findings):
        raise click.exceptions.Exit(1)

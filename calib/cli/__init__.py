"""The ``calib`` command: one file a command, which parses, calls and prints. No science here."""

from __future__ import annotations

import importlib
import sys
import warnings
from typing import Any

import click

from calib._version import __version__
from calib.errors import CalibError, CalibWarning

COMMANDS = {
    "library": "make, import and audit libraries of standards",
    "train": "train models as an experiment file says",
    "compare": "compare two runs, analyte by analyte",
    "freeze": "freeze a run's models under a name and version",
    "models": "list frozen models",
    "show": "show one frozen model",
    "predict": "predict compositions with a frozen model",
    "check": "check a frozen model: files, predictions, RMSEP",
    "sign": "sign a frozen model, or make a key pair",
    "export": "write a frozen model into one file",
    "report": "write the HTML report of a run or a frozen model",
    "bench": "look closer at runs, on a page of this machine",
}
"""Commands in the order of the work; each is ``command`` of the module of its name, imported when
it is asked for."""


class _Lazy(click.Group):
    """A group that imports a command's module only when the command is used."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        command: click.Command = importlib.import_module(f"calib.cli.{cmd_name}").command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands, in the order of the work"):
            formatter.write_dl(list(COMMANDS.items()))


@click.group(cls=_Lazy, invoke_without_command=True, context_settings={"max_content_width": 80})
@click.version_option(__version__, prog_name="calib")
@click.pass_context
def cli(ctx: click.Context) -> None:
    """Calibrate a stand-off laser-induced breakdown spectrometer (LIBS).

    Certified standards and the spectra shot at them go in; a frozen, versioned
    model comes out, with its RMSEP for each analyte and an error bar on every
    prediction.

    \b
    A first tour, from a clone of the project (anywhere else, begin with
    'calib library simulate reference_spectra/heron' and write an experiment file
    as 'calib train --help' shows):
      calib library audit reference_spectra/heron
      calib train experiments/quickstart.toml --out runs/first
      calib report runs/first
      calib freeze runs/first majors@1.0.0
      calib predict majors@1.0.0 reference_spectra/heron -o predictions.csv
      calib check majors@1.0.0 --library reference_spectra/heron

    'calib COMMAND --help' explains each command. Exit status: 0 done, 1 a check
    said no, 2 something in the command, a file or a setting is wrong.
    """
    if ctx.invoked_subcommand is None:
        click.echo(ctx.get_help())


def main(args: list[str] | None = None) -> None:
    """Run the command line and exit with its status."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("always", CalibWarning)
            warnings.showwarning = _show_warning
            status = cli.main(args=args, prog_name="calib", standalone_mode=False)
        sys.exit(status if isinstance(status, int) else 0)
    except CalibError as error:
        _complain(str(error))
        sys.exit(error.exit_code)
    except click.exceptions.Abort:
        click.echo("calib: interrupted", err=True)
        sys.exit(130)
    except click.ClickException as error:
        context = getattr(error, "ctx", None)
        hint = f" (see '{context.command_path} --help')" if context else ""
        _complain(error.format_message() + hint)
        sys.exit(2)
    except OSError as error:
        _complain(f"{error.filename or 'system'}: {error.strerror or error}")
        sys.exit(2)


def _complain(message: str) -> None:
    """Say what is wrong in one line on standard error, whatever the names in it hold."""
    click.echo(f"calib: {' '.join(message.split())}", err=True)


def _show_warning(message: Any, category: type[Warning], *_: Any, **__: Any) -> None:
    """Show calib's own warnings as a line on standard error; others are for developers."""
    if issubclass(category, CalibWarning):
        click.echo(f"note: {message}", err=True)

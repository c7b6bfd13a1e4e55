"""Options that say where work runs, for every command that has much of it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import click


def engine_options(jobs: str) -> Callable[[Callable[..., Any]], Callable[..., Any]]:
    """Return what adds ``--jobs``, ``--engine`` and ``--scheduler`` to a command.

    Parameters
    ----------
    jobs : str
        How many jobs there are without ``--jobs``, in words.
    """
    options = (
        click.option(
            "--jobs", type=click.IntRange(min=1), metavar="N",
            help=f"Worker processes on this machine. Default: {jobs}.",
        ),
        click.option(
            "--engine", "kind", type=click.Choice(["joblib", "dask"]),
            help="joblib: processes of this machine. dask: the workers of --scheduler, which need "
            "this version of calib and see the same files under the same paths.",
        ),
        click.option(
            "--scheduler", metavar="ADDRESS", help="Of a Dask cluster that runs: tcp://HOST:8786."
        ),
    )  # fmt: skip

    def add(command: Callable[..., Any]) -> Callable[..., Any]:
        for option in reversed(options):
            command = option(command)
        return command

    return add

"""The HTML report of a run: one file, no network, names from data escaped."""

from __future__ import annotations

import base64
import functools
import io
from collections.abc import Mapping
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined

from calib._show import number
from calib.report.figures import Tables, analyte_figure


def run_page(results: Mapping[str, Any], table: Tables, *, title: str) -> str:
    """Render the report.

    Parameters
    ----------
    results : mapping
        ``results.json`` of a run.
    table : callable
        Returns the run's tables by name.
    title : str
        What the report is about: a run or ``NAME@VERSION``.

    Returns
    -------
    str
        HTML that stands alone: figures are inside.
    """
    environment = Environment(
        loader=PackageLoader("calib.report"), autoescape=True, undefined=StrictUndefined
    )
    environment.filters["number"] = number
    table = functools.cache(table)
    figures = {}
    for analyte in results["analytes"]:
        buffer = io.BytesIO()
        analyte_figure(results, table, analyte).savefig(buffer, format="png")
        figures[analyte] = base64.b64encode(buffer.getvalue()).decode("ascii")
    page: str = environment.get_template("run.html").render(
        title=title, results=results, figures=figures
    )
    return page

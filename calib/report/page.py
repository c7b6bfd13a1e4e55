"""The HTML report of a run: one file, no network, names from data escaped."""

from __future__ import annotations

import base64
import html
import io
import re
from collections.abc import Mapping, Sequence
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined

from calib._show import number
from calib.report.evidence import Evidence, Picture, run_pictures
from calib.report.figures.canvas import BLUE, DPI, ORANGE
from calib.report.verdict import LEVELS, verdict

LARGEST = 5_000_000
"""Bytes that a page must stay below."""

SHADES = 21
"""Steps from each colour of the figures to white: line drawings need no more, and stay small."""


def run_page(
    results: Mapping[str, Any],
    evidence: Evidence,
    *,
    title: str,
    pictures: Sequence[Picture] | None = None,
) -> str:
    """Render the report.

    Parameters
    ----------
    results : mapping
        ``results.json`` of a run.
    evidence : Evidence
        Tables and arrays of the run.
    title : str
        What the report is about: a run or ``NAME@VERSION``.
    pictures : sequence of Picture, optional
        As `run_pictures` draws them, where they are at hand.

    Returns
    -------
    str
        HTML that stands alone: figures are inside, and coarser where it would pass 5 MB.
    """
    environment = Environment(
        loader=PackageLoader("calib.report"), autoescape=True, undefined=StrictUndefined,
        trim_blocks=True, lstrip_blocks=True,
    )  # fmt: skip
    environment.filters["number"] = number
    drawn = list(run_pictures(results, evidence)) if pictures is None else list(pictures)
    flagged = results.get("domain", {}).get("held_out_flagged")
    verdicts = {
        name: verdict(
            entry, [c for c in results["checks"] if c.get("analyte") == name], flagged=flagged
        )
        for name, entry in results["analytes"].items()
    }
    template = environment.get_template("run.html")
    page = ""
    for dpi in (DPI, 110, 60):
        page = template.render(
            title=title,
            results=results,
            verdicts=verdicts,
            summary=_summary([v.level for v in verdicts.values()]),
            experiment=evidence.experiment,
            pictures=[(picture, _png(picture, dpi)) for picture in drawn],
        )
        if len(page.encode()) < LARGEST:
            break
    return page


def _summary(levels: Sequence[str]) -> str:
    """Say in one line how many analytes got which verdict."""
    counts = [(levels.count(level), level) for level in LEVELS]
    return ", ".join(f"{n} {level}" for n, level in counts if n)


def _png(picture: Picture, dpi: int) -> str:
    """Return a picture as PNG in the figures' own colours, in base64."""
    import numpy as np
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from PIL import Image

    picture.figure.set_dpi(dpi)
    canvas: Any = FigureCanvasAgg(picture.figure)
    canvas.draw()
    palette = Image.new("P", (1, 1))
    palette.putpalette(_shades())
    image = Image.fromarray(np.asarray(canvas.buffer_rgba())).convert("RGB")
    small = io.BytesIO()
    image.quantize(palette=palette, dither=Image.Dither.NONE).save(small, "png", optimize=True)
    return base64.b64encode(small.getvalue()).decode("ascii")


def _shades() -> list[int]:
    """Return the colours of the figures mixed with white, red, green and blue in turn."""
    out = []
    for colour in ("#000000", BLUE, ORANGE):
        parts = [int(colour[i : i + 2], 16) for i in (1, 3, 5)]
        for white in range(SHADES):
            share = white / (SHADES - 1)
            out += [round(255 * share + (1 - share) * part) for part in parts]
    return out


def page_pictures(page: str) -> dict[str, bytes]:
    """Return the PNG pictures inside a report, by name.

    Parameters
    ----------
    page : str
        HTML that `run_page` wrote.

    Returns
    -------
    dict of str to bytes
        Empty where the page holds none.
    """
    pattern = re.compile(r'<img id="([^"]*)"[^>]*?src="data:image/png;base64,([^"]*)"', re.DOTALL)
    return {
        re.sub(r"[^0-9A-Za-z-]", "-", html.unescape(name)): base64.b64decode(data)
        for name, data in pattern.findall(page)
    }

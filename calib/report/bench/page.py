"""The bench page: from an error to its spectrum, its neighbours, its shots, and a refit without it.

Every choice has a list or a button, so that the keyboard alone will do; a point may also be picked
with the mouse.
"""

from __future__ import annotations

import html
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
import pandas as pd
from bokeh.document import Document
from bokeh.layouts import column, row
from bokeh.models import (
    Button,
    ColumnDataSource,
    CustomJSTickFormatter,
    Div,
    HoverTool,
    Select,
    Span,
    TapTool,
    WheelZoomTool,
)
from bokeh.plotting import figure

from calib._show import number
from calib.errors import CalibError
from calib.lines import load_lines, strong_lines
from calib.report.bench.subject import Refit, Subject
from calib.report.evidence import element_of
from calib.report.figures.canvas import BLUE, ORANGE
from calib.report.figures.regression import with_gaps

NEIGHBOURS = 4

GREY = "#999999"

STYLE = """
:host { font: 14px/1.4 sans-serif; }
table { border-collapse: collapse; } td, th { padding: 1px 8px 1px 0; text-align: left; }
.number { font-size: 1.25em; font-weight: 600; }
"""

Compared = Callable[[], list[dict[str, Any]]]


def lay_out(document: Document, subjects: Sequence[Subject], compared: Compared | None) -> None:
    """Fill a document of one visitor.

    Parameters
    ----------
    document : bokeh.document.Document
    subjects : sequence of Subject
    compared : callable, optional
        Returns the comparison of the first two subjects.
    """
    document.title = "calib bench"
    document.add_root(_Page(document, subjects, compared).root)


def _div(words: str = "", **more: Any) -> Div:
    return Div(text=words, stylesheets=[STYLE], **more)


def _ignoring(act: Callable[[], None]) -> Callable[[str, Any, Any], None]:
    """Make a callback of a change out of what takes no argument."""

    def changed(attr: str, old: Any, new: Any) -> None:
        act()

    return changed


def _table(rows: Sequence[Sequence[object]], header: Sequence[str] = ()) -> str:
    """Return an HTML table; every cell is text."""

    def line(cells: Sequence[object], tag: str) -> str:
        inner = "".join(f"<{tag}>{html.escape(str(cell))}</{tag}>" for cell in cells)
        return f"<tr>{inner}</tr>"

    head = line(header, "th") if header else ""
    return f"<table>{head}{''.join(line(cells, 'td') for cells in rows)}</table>"


class _Page:
    """What one visitor sees and has chosen."""

    def __init__(
        self, document: Document, subjects: Sequence[Subject], compared: Compared | None
    ) -> None:
        self.document = document
        self.subjects = subjects
        self.subject = subjects[0]
        self.points = pd.DataFrame()
        self.dropped: set[str] = set()
        self._quiet = False
        self._controls()
        self._plots()
        self.compared = _div(_comparison(compared), width=900)
        heading = _div("<h2>Is one run better than the other?</h2>") if compared else _div()
        self.root = column(
            row(self.run, self.analyte, self.standard, self.burst, self.back, self.on),
            row(self.scatter, column(self.facts, self.near)),
            row(self.element, _div("Lines of this element are marked in the spectrum.")),
            self.spectrum,
            row(
                self.shots,
                column(row(self.drop, self.restore), self.verdict, _div(
                    "Held-out standards take no part in a refit: to choose by them would spend "
                    "them.", width=430,
                )),
            ),
            heading,
            self.compared,
        )  # fmt: skip
        self._change_run()

    def _controls(self) -> None:
        names = [(str(i), each.name) for i, each in enumerate(self.subjects)]
        self.run = Select(title="Run", options=names, value="0", name="run", width=170)
        self.analyte = Select(title="Analyte", name="analyte", width=90)
        self.standard = Select(title="Standard", name="standard", width=150)
        self.burst = Select(title="Spectrum", name="burst", width=180)
        self.back = Button(label="Larger error", name="larger", width=110, align="end")
        self.on = Button(label="Smaller error", name="smaller", width=110, align="end")
        self.element = Select(title="Lines of", name="element", width=90)
        self.element.options = sorted(set(load_lines()["element"].tolist()))
        self.drop = Button(label="Drop this standard", name="drop", width=170)
        self.restore = Button(label="Take all back", name="restore", width=130)
        self.run.on_change("value", _ignoring(self._change_run))
        self.analyte.on_change("value", _ignoring(self._change_analyte))
        self.standard.on_change("value", _ignoring(self._change_standard))
        self.burst.on_change("value", _ignoring(self._change_burst))
        self.element.on_change("value", _ignoring(self._mark_lines))
        self.back.on_click(lambda: self._walk(-1))
        self.on.on_click(lambda: self._walk(1))
        self.drop.on_click(self._drop)
        self.restore.on_click(self._restore)

    def _plots(self) -> None:
        self.source = ColumnDataSource()
        self.ends = ColumnDataSource({"x": [], "y": []})
        self.picked = ColumnDataSource({"x": [], "y": [], "low": [], "high": []})
        self.scatter = figure(width=560, height=430, tools="pan,box_zoom,reset,save",
                              name="scatter")  # fmt: skip
        self.scatter.line("x", "y", source=self.ends, color="black", line_width=1)
        drawn = self.scatter.scatter(
            "certified", "predicted", source=self.source, marker="marker", size=7,
            line_color="colour", fill_color="face", nonselection_alpha=1.0,
        )  # fmt: skip
        self.scatter.segment("x", "low", "x", "high", source=self.picked, color=ORANGE,
                             line_width=2)  # fmt: skip
        self.scatter.scatter("x", "y", source=self.picked, size=13, marker="square",
                             fill_color=None, line_color=ORANGE, line_width=2)  # fmt: skip
        tips = [("standard", "@standard"), ("burst", "@burst"), ("error", "@error{0.00}")]
        self.scatter.add_tools(
            TapTool(renderers=[drawn]), HoverTool(renderers=[drawn], tooltips=tips), WheelZoomTool()
        )
        self.source.selected.on_change("indices", self._tapped)
        self.facts, self.near = _div(width=430, name="facts"), _div(width=430)
        self.spectrum = figure(
            width=1000, height=300, tools="xpan,xwheel_zoom,box_zoom,reset,save",
            active_drag="box_zoom", x_axis_label="wavelength (nm)",
            y_axis_label="after preprocessing", name="spectrum",
        )  # fmt: skip
        self.line = ColumnDataSource({"x": [], "y": [], "near": []})
        self.marks = ColumnDataSource({"x": []})
        self.spectrum.ray(x="x", y=0, length=0, angle=np.pi / 2, source=self.marks,
                          color=ORANGE, line_alpha=0.5)  # fmt: skip
        self.spectrum.line("x", "near", source=self.line, color=GREY, legend_label="nearest other")
        self.spectrum.line("x", "y", source=self.line, color=BLUE, legend_label="this spectrum")
        self.spectrum.legend.click_policy = "hide"
        self.burst_shots = ColumnDataSource({"shot": [], "total": [], "own": []})
        self.shots = figure(
            width=560, height=240, tools="reset,save", x_axis_label="shot",
            y_axis_label="relative to the burst's median", name="shots",
        )  # fmt: skip
        for key, colour, marker, words in (
            ("total", GREY, "circle", "all channels"),
            ("own", BLUE, "square", "the analyte's lines"),
        ):  # fmt: skip
            self.shots.line("shot", key, source=self.burst_shots, color=colour, legend_label=words)
            self.shots.scatter("shot", key, source=self.burst_shots, color=colour, marker=marker,
                               legend_label=words)  # fmt: skip
        self.shots.add_layout(Span(location=1, dimension="width", line_dash="dashed"))
        self.shots.xaxis.formatter = CustomJSTickFormatter(
            code="return Number.isInteger(tick) ? tick : ''"
        )
        for each in (self.scatter, self.spectrum, self.shots):
            each.toolbar.logo = None
        self.verdict = _div(width=430, name="verdict")

    def _change_run(self) -> None:
        self.subject = self.subjects[int(self.run.value)]
        self.dropped = set()
        names = list(self.subject.analytes)
        kept = self.analyte.value if self.analyte.value in names else names[0]
        self.analyte.options = names
        same = self.analyte.value == kept
        self.analyte.value = kept
        if same:
            self._change_analyte()

    def _change_analyte(self) -> None:
        name = self.analyte.value
        unit = self.subject.analytes[name]["unit"]
        points = self.subject.points(name)
        points["error"] = points["predicted"] - points["certified"]
        order = np.argsort(-points["error"].abs().to_numpy(), kind="stable")
        self.points = points.iloc[order].reset_index(drop=True)
        held = (self.points["use"] == "held-out").to_numpy()
        self.source.selected.indices = []
        self.source.data = {
            **{key: self.points[key].to_numpy()
               for key in ("burst", "standard", "certified", "predicted", "error")},
            "marker": np.where(held, "circle", "cross").tolist(),
            "colour": np.where(held, BLUE, GREY).tolist(),
            "face": np.where(held, "white", GREY).tolist(),
        }  # fmt: skip
        ends = [float(points["certified"].min()), float(points["certified"].max())]
        self.ends.data = {"x": ends, "y": ends}
        self.scatter.xaxis.axis_label = f"{name} certified ({unit})"
        self.scatter.yaxis.axis_label = f"{name} predicted ({unit})"
        self.scatter.title.text = (
            f"{name}: circles are held out, n = {held.sum()}; crosses out of fold, "
            f"n = {(~held).sum()} spectra"
        )
        own = element_of(name)
        if own in self.element.options and own != self.element.value:
            self.element.value = own
        self._refit()
        self._show(str(self.points["burst"].iloc[0]))

    def _change_standard(self) -> None:
        if not self._quiet:
            mine = self.points[self.points["standard"] == self.standard.value]
            self._show(str(mine["burst"].iloc[0]))

    def _change_burst(self) -> None:
        if not self._quiet:
            self._show(self.burst.value)

    def _tapped(self, attr: str, old: Any, new: list[int]) -> None:
        if new:
            self._show(str(self.points["burst"].iloc[new[0]]))

    def _walk(self, step: int) -> None:
        at = int(np.flatnonzero(self.points["burst"] == self.burst.value)[0])
        self._show(str(self.points["burst"].iloc[(at + step) % len(self.points)]))

    def _show(self, burst: str) -> None:
        """Show one spectrum everywhere."""
        point = self.points[self.points["burst"] == burst].iloc[0]
        self._quiet = True
        self.standard.options = sorted(self.points["standard"].unique().tolist())
        self.standard.value = str(point["standard"])
        mine = self.points[self.points["standard"] == point["standard"]]
        self.burst.options = [
            (str(p.burst), f"{p.burst}, {number(p.distance_m)} m") for p in mine.itertuples()
        ]
        self.burst.value = burst
        self._quiet = False
        at = {"x": "certified", "y": "predicted", "low": "low", "high": "high"}
        self.picked.data = {key: [float(point[name])] for key, name in at.items()}
        self.facts.text = self._facts(point)
        try:
            self._draw_spectrum(burst)
            self._mark_lines()
        except CalibError as error:
            self.near.text = f"<p>No spectra: {html.escape(str(error))}</p>"

    def _facts(self, point: pd.Series) -> str:
        limits = self.subject.limits()
        unit = self.subject.analytes[self.analyte.value]["unit"]
        flags = point["flags"] or "none"
        rows = [
            ("standard", f"{point['standard']} ({point['use']})"),
            (
                "shot",
                f"{point['acquired_at'] or 'time not known'}, {number(point['distance_m'])} m",
            ),
            ("certified", f"{number(point['certified'])} {unit}"),
            ("predicted", f"{number(point['predicted'])} ± {number(point['u'])} {unit}"),
            ("90 % interval", f"{number(point['low'])} to {number(point['high'])}"),
            ("error", number(point["error"])),
            ("flags", flags if point["use"] == "held-out" else "not given to training spectra"),
            ("T²", f"{number(point['t2'])}, limit {number(limits.get('t2'))}"),
            ("Q", f"{number(point['q'])}, limit {number(limits.get('q'))}"),
        ]
        return "<h3>What is this point?</h3>" + _table(rows)

    def _draw_spectrum(self, burst: str) -> None:
        name = self.analyte.value
        axis, mine = self.subject.spectrum(burst, name)
        near = self.subject.neighbours(burst, name, NEIGHBOURS)
        other = (
            self.subject.spectrum(near[0].burst, name)[1] if near else np.full(axis.size, np.nan)
        )
        x, y = with_gaps(axis, mine)
        self.line.data = {"x": x, "y": y, "near": with_gaps(axis, other)[1]}
        self.spectrum.title.text = f"{burst}; nearest other: {near[0].burst if near else 'none'}"
        by = self.points.set_index("burst")
        rows = [
            (
                each.burst, each.standard, number(each.distance),
                number(by["certified"].get(each.burst)), number(by["error"].get(each.burst)),
            )
            for each in near
        ]  # fmt: skip
        header = ("burst", "standard", "distance", "certified", "error")
        self.near.text = "<h3>Which training spectra are like it?</h3>" + _table(rows, header)
        shots = self.subject.shots(burst, name)
        count = len(shots.total)
        self.burst_shots.data = {
            "shot": np.arange(1, count + 1),
            "total": shots.total / (np.median(shots.total) or 1.0),
            "own": shots.own / (np.median(shots.own) or 1.0),
        }

    def _mark_lines(self) -> None:
        if self.element.value:
            axis = np.asarray(self.line.data["x"], dtype=float)
            axis = axis[np.isfinite(axis)]
            ends = (float(axis[0]), float(axis[-1])) if axis.size else (0.0, 0.0)
            lines = strong_lines(self.element.value, ends)["wavelength_air_nm"]
            self.marks.data = {"x": lines.tolist()}

    def _drop(self) -> None:
        self.dropped.add(str(self.standard.value))
        self._refit()

    def _restore(self) -> None:
        self.dropped = set()
        self._refit()

    def _refit(self) -> None:
        if not self.dropped:
            self.verdict.text = "<h3>What if it were not there?</h3><p>No standard is dropped.</p>"
            return
        self.verdict.text = "<h3>What if it were not there?</h3><p>Refitting …</p>"
        self.document.add_next_tick_callback(self._refit_now)

    def _refit_now(self) -> None:
        name = self.analyte.value
        try:
            found = self.subject.refit(name, self.dropped)
        except CalibError as error:
            words = f"<p>Cannot refit: {html.escape(str(error))}</p>"
        else:
            words = _refit_words(found, str(self.subject.analytes[name]["unit"]))
        self.verdict.text = "<h3>What if it were not there?</h3>" + words


def _refit_words(found: Refit, unit: str) -> str:
    rows = [
        (name, f"{number(certified)} certified", f"{number(predicted)} predicted without it")
        for name, certified, predicted in found.dropped
    ]
    unit = html.escape(unit)
    return (
        f"<p>RMSECV of the other {found.n_standards} standards: "
        f"<span class='number' id='before'>{number(found.before)}</span> with all, "
        f"<span class='number' id='after'>{number(found.after)}</span> {unit} without.</p>"
        + _table(rows)
        + f"<p>PLS, {found.n_components} components, first deal of the folds; "
        f"{1000 * found.seconds:.0f} ms. {html.escape(found.note)}</p>"
    )


def _comparison(compared: Compared | None) -> str:
    """Return the comparison of two runs as a table, or nothing."""
    if compared is None:
        return ""
    try:
        rows = compared()
    except CalibError as error:
        return f"<p>{html.escape(str(error))}</p>"
    header = ("analyte", "RMSEP 1", "RMSEP 2", "2 : 1", "95 % interval", "p", "n", "")
    shown = [
        (
            r["analyte"], number(r["first"]), number(r["second"]), number(r["ratio"]),
            f"{number(r['ratio_low'])} to {number(r['ratio_high'])}", number(r["p"], 2),
            r["n_standards"], r["words"],
        )
        for r in rows
    ]  # fmt: skip
    return _table(shown, header) + "<p>On the standards that both held out.</p>"

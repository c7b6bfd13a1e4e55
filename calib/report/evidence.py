"""Which pictures a report shows of a run: tables and arrays in, figures out."""

from __future__ import annotations

import functools
import os
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from calib import oxides
from calib.errors import DataError
from calib.report import figures as draw
from calib.report.figures.spectra import Stage

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["Evidence", "Picture", "Stage", "Tables", "element_of", "run_figures", "run_pictures"]

CRUST: Mapping[str, float] = {
    "Si": 66.6, "Al": 15.4, "Fe": 5.0, "Ca": 3.6, "Na": 3.3, "K": 2.8, "Mg": 2.5, "Ti": 0.6,
}  # fmt: skip
"""Oxides of the upper crust, wt% (Rudnick & Gao 2003, Treatise on Geochemistry 3, 1, rounded, from
memory): which element a peak is likely to be of, where no analyte tells."""

Floats = NDArray[np.floating]

Tables = Callable[[str], pd.DataFrame]
"""Returns a run's tables by name: curves, folds, out_of_fold, held_out, domain, contest."""

PAIRS = 6
"""Analytes in the pair plot."""

INTERFERENTS = 2
"""Other elements whose lines are marked beside the analyte's own."""


@dataclass(frozen=True)
class Evidence:
    """What a report draws on, besides ``results.json``.

    Attributes
    ----------
    table : callable
        Returns a run's table by name, or raises DataError.
    arrays : mapping of str to ndarray
        ``variantI/axis`` (nm), ``variantI/mean`` and ``variantI/deviation`` of the preprocessed
        training spectra; for an analyte A ``A/coefficients`` or ``A/pls_coefficients``, ``A/vip``
        and ``A/variant``, the number I that they are of. Any may be missing.
    stages : sequence of Stage
        A burst as it was shot and after each preprocess step.
    experiment : str
        The experiment file.
    """

    table: Tables
    arrays: Mapping[str, NDArray[np.floating]]
    stages: Sequence[Stage] = ()
    experiment: str = ""

    def signal(self, variant: int = 0) -> tuple[Floats, Floats, Floats] | None:
        """Return axis, mean and deviation of a variant's spectra, where they are known."""
        names = (f"variant{variant}/{key}" for key in ("axis", "mean", "deviation"))
        axis, mean, deviation = (self.arrays.get(name) for name in names)
        if axis is None or mean is None or deviation is None or axis.size != mean.size:
            return None
        return axis, mean, deviation

    def tables(self) -> Tables:
        """Return `table`, reading each only once."""
        return functools.cache(self.table)


@dataclass(frozen=True)
class Picture:
    """A figure and what it is for.

    Attributes
    ----------
    name : str
        For a file: small letters, digits and hyphens, unless an analyte's name has others.
    subject : str
        Analyte, or empty for the whole run.
    question : str
        What it answers.
    figure : Figure
    note : str
        A number or caution that belongs to it.
    wide : bool
        Two journal columns rather than one.
    """

    name: str
    subject: str
    question: str
    figure: Figure
    note: str = ""
    wide: bool = False


def run_pictures(results: Mapping[str, Any], evidence: Evidence) -> Iterator[Picture]:
    """Draw every picture of a run, those of the whole first, then analyte by analyte."""
    table = evidence.tables()
    yield from _whole(results, evidence, table)
    for analyte in results["analytes"]:
        yield from _analyte(results, evidence, table, analyte)


def element_of(analyte: str) -> str | None:
    """Return the element whose lines an analyte has, or None where it is no oxide or element."""
    try:
        return oxides.cation(analyte)
    except DataError:
        return None


def _maybe(table: Tables, name: str) -> pd.DataFrame | None:
    """Return a table, or None where a run has none."""
    try:
        return table(name)
    except DataError:
        return None


def _whole(results: Mapping[str, Any], evidence: Evidence, table: Tables) -> Iterator[Picture]:
    """Draw what concerns all analytes."""
    analytes = list(results["analytes"])
    units = {name: entry["unit"] for name, entry in results["analytes"].items()}
    held = _maybe(table, "held_out")
    values, apart = _certified(table("out_of_fold"), held, analytes)
    shown = sorted(analytes, key=lambda a: -values[a].notna().sum())[:PAIRS]
    shown = [name for name in analytes if name in shown]
    axes = draw.pair_plot(values, apart, shown, units)
    left = "" if len(shown) == len(analytes) else f"{len(shown)} of {len(analytes)} analytes."
    yield _picture("coverage", "", "Which compositions do the standards cover?", axes[0], left,
                   wide=len(shown) > 2)  # fmt: skip
    domain = _maybe(table, "domain")
    limits = results.get("domain", {}).get("limits")
    if domain is not None and limits:
        ax = draw.t2_against_q(domain, limits)
        note = "Right of or above the dashed limits a spectrum is flagged."
        yield _picture("domain", "", "Are the spectra of a kind the model knows?", ax, note)
    source = held if held is not None else table("out_of_fold")
    ax = draw.interval_coverage(source, analytes)
    note = "" if held is not None else "Out of fold, on which the intervals were calibrated."
    yield _picture("intervals", "", "Do the error bars hold?", ax, note)
    signal = evidence.signal()
    if signal is not None:
        axis, mean, _ = signal
        n = int(table("out_of_fold").query("repeat == 1").shape[0])
        ax = draw.spectrum(
            axis, mean, abundance=_abundance(values), n=n,
            label="intensity after preprocessing",
        )  # fmt: skip
        note = "Each label names the likeliest line near the peak." if _abundance(values) else ""
        yield _picture("spectrum", "", "What does a usual spectrum look like?", ax, note, wide=True)
    if len(evidence.stages) > 1:
        axes = draw.preprocess_steps(evidence.stages)
        yield _picture("steps", "", "What does each preprocess step do?", axes[0],
                       "The first calibration burst.", wide=True)  # fmt: skip


def _analyte(
    results: Mapping[str, Any], evidence: Evidence, table: Tables, analyte: str
) -> Iterator[Picture]:
    """Draw what concerns one analyte."""
    entry = results["analytes"][analyte]
    unit, n = entry["unit"], entry["n_standards"]
    out_of_fold = table("out_of_fold")
    held = _maybe(table, "held_out") if entry["n_held_out"] else None
    ax = draw.predicted_against_certified(out_of_fold, analyte, unit, held_out=held)
    yield _picture("predicted", analyte, "How far from the truth?", ax)
    ax = draw.local_error_curve(out_of_fold, analyte, unit)
    yield _picture("local-error", analyte, "How does the error grow with the value?", ax)
    yield from _choice(table, entry, analyte, unit, n)
    yield _residuals(results, table, analyte, unit, held)
    yield from _vector(results, evidence, analyte, unit)


def _choice(
    table: Tables, entry: Mapping[str, Any], analyte: str, unit: str, n: int
) -> Iterator[Picture]:
    """Draw how the settings and the family were chosen."""
    curves = table("curves")
    mine = curves[curves["analyte"] == analyte]
    components = _component_curve(mine, entry)
    if components is not None:
        family, curve = components
        chosen = entry["settings"].get("n_components") if family == entry["family"] else None
        ax = draw.error_against_setting(curve, analyte, unit, chosen, n=n)
        note = "" if family == entry["family"] else f"Of {family}, which was not taken."
        yield _picture("components", analyte, "Was the component count a close call?", ax, note)
    contest = _contest(_maybe(table, "contest"), entry, analyte)
    if contest is not None and len(contest) > 1:
        ax = draw.families_compared(contest, analyte, unit, n=n)
        note = "Bars: ± one standard error between standards."
        yield _picture("families", analyte, "Did the family win by more than its error?", ax, note)
    trials = _maybe(table, "trials")
    if trials is not None and (trials["analyte"] == analyte).any():
        part = trials[trials["analyte"] == analyte].rename(columns={"rmsecv": "value"})
        ax = draw.search_history(part, axis=f"{analyte} RMSECV of the trial ({unit})")
        yield _picture("search", analyte, "Was the search still finding better settings?", ax)


def _contest(
    contest: pd.DataFrame | None, entry: Mapping[str, Any], analyte: str
) -> pd.DataFrame | None:
    """Return the best of each family, and the stack where one was taken."""
    if contest is None:
        return None
    mine = contest[contest["analyte"] == analyte].rename(columns={"won": "taken"})
    if not mine["taken"].any():
        # the 95 % interval of the stack's RMSECV, brought to one standard error
        error = (entry["rmsecv_high"] - entry["rmsecv_low"]) / (2 * 1.96)
        stack = {"family": entry["family"], "rmsecv": entry["rmsecv"], "standard_error": error}
        mine = pd.concat([mine, pd.DataFrame([stack | {"taken": True}])], ignore_index=True)
    error = mine["standard_error"].fillna(0.0)
    return mine.assign(low=mine["rmsecv"] - error, high=mine["rmsecv"] + error)


def _component_curve(
    mine: pd.DataFrame, entry: Mapping[str, Any]
) -> tuple[str, pd.DataFrame] | None:
    """Return the curve over component counts: of the winner, else of PLS."""
    needed = {"n_components", "rmsecv", "standard_error"}
    if not needed <= set(mine.columns):
        return None
    for family in (entry["family"], "pls"):
        curve = mine[(mine["family"] == family) & mine["n_components"].notna()]
        if not curve["n_components"].duplicated().any() and len(curve) > 1:
            return family, curve
    return None


def _residuals(
    results: Mapping[str, Any],
    table: Tables,
    analyte: str,
    unit: str,
    held: pd.DataFrame | None,
) -> Picture:
    """Draw the errors against value, distance, date and total, as far as they are known."""
    summed = (results.get("totals") or {}).get("analytes") or []
    folds = table("folds")
    known = [c for c in ("distance_m", "acquired_at") if c in folds]
    place = folds.drop_duplicates("burst").set_index("burst")[known]

    def joined(part: pd.DataFrame) -> pd.DataFrame:
        part = part.join(place, on="burst")
        return part.assign(total=part[summed].sum(axis=1)) if summed else part

    out_of_fold = joined(table("out_of_fold"))
    apart = None if held is None else joined(held)
    wanted = [(analyte, f"{analyte} predicted ({unit})")]
    if "distance_m" in known and place["distance_m"].nunique() > 1:
        wanted.append(("distance_m", "distance (m)"))
    if "acquired_at" in known and place["acquired_at"].replace("", np.nan).nunique() > 1:
        wanted.append(("acquired_at", "time of the burst"))
    if summed:
        wanted.append(("total", f"predicted total of {len(summed)} oxides (wt%)"))
    figure, axes = draw.page_figure((len(wanted) + 1) // 2, min(2, len(wanted)))
    for (column, label), ax in zip(wanted, axes, strict=False):
        draw.residuals(out_of_fold, analyte, unit, column, label=label, held_out=apart, ax=ax)
    for ax in axes[len(wanted) :]:
        ax.remove()
    return Picture(_file("residuals", analyte), analyte, "Does the error follow something?", figure,
                   wide=True)  # fmt: skip


def _vector(
    results: Mapping[str, Any], evidence: Evidence, analyte: str, unit: str
) -> Iterator[Picture]:
    """Draw the regression vector and the importance of the channels, with the share in lines."""
    arrays, entry = evidence.arrays, results["analytes"][analyte]
    linear = arrays.get(f"{analyte}/coefficients", arrays.get(f"{analyte}/pls_coefficients"))
    variant = arrays.get(f"{analyte}/variant")
    signal = None if variant is None else evidence.signal(int(variant[0]))
    if signal is None or linear is None or linear.size != signal[0].size:
        return
    axis, _, deviation = signal
    own = element_of(analyte)
    others = [element_of(name) for name in results["analytes"]]
    elements = [e for e in dict.fromkeys([own, *others]) if e is not None]
    shares = [draw.line_share(axis, linear, deviation, element) for element in elements]
    found = [share for share in shares if share is not None]
    rivals = sorted((s for s in found if s.element != own), key=lambda s: -s.share)[:INTERFERENTS]
    marked = ([own] if own else []) + [s.element for s in rivals]
    of_winner = f"{analyte}/coefficients" in arrays
    note = "" if of_winner else "Of PLS, which was not taken. "
    note += "; ".join(
        f"{100 * s.share:.0f} % of |coefficient × standard deviation| lies within the lines of "
        f"{s.element}, which hold {100 * s.channels:.0f} % of the channels"
        if s.element == own
        else f"{s.element}: {100 * s.share:.0f} % in {100 * s.channels:.0f} %"
        for s in [*(s for s in found if s.element == own), *rivals]
    )
    n = entry["n_spectra"]
    ax = draw.regression_vector(axis, linear, deviation, analyte, unit, elements=marked, n=n)
    yield _picture("regression", analyte, f"Does the model look at {own or 'its own'} lines?", ax,
                   note + ("." if note.strip() else ""), wide=True)  # fmt: skip
    vip = arrays.get(f"{analyte}/vip")
    if vip is not None and vip.size == axis.size:
        ax = draw.importance(axis, vip, analyte, elements=marked)
        yield _picture("importance", analyte, "Which channels matter to PLS?", ax,
                       "Dashed: the average channel.", wide=True)  # fmt: skip


def _certified(
    out_of_fold: pd.DataFrame, held: pd.DataFrame | None, analytes: Sequence[str]
) -> tuple[pd.DataFrame, pd.Series]:
    """Return certified values by standard, and which standards are held out."""
    columns = [f"{name}_certified" for name in analytes]
    parts = [out_of_fold] if held is None else [out_of_fold, held]
    tables = [part.drop_duplicates("standard").set_index("standard")[columns] for part in parts]
    values = pd.concat(tables)
    values.columns = pd.Index(analytes)
    apart = np.repeat([i > 0 for i in range(len(tables))], [len(each) for each in tables])
    values = values.reset_index(drop=True)
    return values, pd.Series(apart, index=values.index)


def _abundance(values: pd.DataFrame) -> dict[str, float]:
    """Weight each modelled element by its mean certified value, others as in common rock."""
    known = [name for name in values.columns if element_of(name) is not None]
    out = dict(CRUST) if known else {}
    for name in known:
        element, mean = element_of(name), float(values[name].mean())
        if element is not None and mean > 0:
            out[element] = mean
    return out


def _file(name: str, analyte: str) -> str:
    safe = re.sub(r"[^0-9A-Za-z]+", "-", analyte).strip("-") or "analyte"
    return f"{safe}-{name}" if analyte else name


def _picture(
    name: str, analyte: str, question: str, ax: Any, note: str = "", *, wide: bool = False
) -> Picture:
    return Picture(_file(name, analyte), analyte, question, ax.get_figure(root=True), note, wide)


def run_figures(results: Mapping[str, Any], table: Tables, folder: Path) -> None:
    """Write three pictures an analyte as one PNG into `folder`: a first look without a report."""
    folder.mkdir()
    table = functools.cache(table)
    for number, analyte in enumerate(results["analytes"], start=1):
        figure = analyte_figure(results, table, analyte)
        figure.savefig(folder / f"{number:02d}-{_file('', analyte).strip('-')}.png")


def analyte_figure(results: Mapping[str, Any], table: Tables, analyte: str) -> Figure:
    """Draw predicted against certified, local error and component choice side by side."""
    entry = results["analytes"][analyte]
    unit = entry["unit"]
    held = table("held_out") if entry["n_held_out"] else None
    figure, (left, middle, right) = draw.page_figure(1, 3, height=2.4)
    draw.predicted_against_certified(table("out_of_fold"), analyte, unit, held_out=held, ax=left)
    draw.local_error_curve(table("out_of_fold"), analyte, unit, ax=middle)
    curves = table("curves")
    found = _component_curve(curves[curves["analyte"] == analyte], entry)
    if found is None:
        right.remove()
    else:
        chosen = entry["settings"].get("n_components") if found[0] == entry["family"] else None
        draw.error_against_setting(found[1], analyte, unit, chosen, ax=right)
    return figure


def write_pictures(
    pictures: Sequence[Picture], folder: Path, report: Callable[[str, int, int], None]
) -> int:
    """Write each picture as a PDF for print; files of the same name are replaced.

    Parameters
    ----------
    pictures : sequence of Picture
    folder : Path
    report : callable
        Called with (what is being done, done, total).

    Returns
    -------
    int
        Files written.
    """
    folder.mkdir(parents=True, exist_ok=True)
    for number, picture in enumerate(pictures, start=1):
        target = folder / f"{number:02d}-{picture.name}.pdf"
        partial = target.with_name(f".{target.name}.partial-{os.getpid()}")
        picture.figure.savefig(partial, format="pdf", metadata={"CreationDate": None})
        os.replace(partial, target)
        report("figures", number, len(pictures))
    return len(pictures)

"""What is wrong, or doubtful, with a library, before anyone trains on it.

Structure that cannot be used at all is an error of `open_library`; the audit opens the library
and looks at what can be opened but should be looked at.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd

from calib.library.store import Library

TOTAL_LIMITS = (97.0, 102.0)
"""Totals, wt%, outside which an analysis of a rock is doubted (common practice, no source)."""

THIN = 8
"""Certified standards below which an analyte is not modelled."""

Severity = Literal["error", "warning", "note"]


@dataclass(frozen=True)
class Finding:
    """One thing an audit found.

    Attributes
    ----------
    code : str
        Stable name of the rule.
    severity : {"error", "warning", "note"}
    where : str
        File and row, standard or burst.
    found, advice : str
        What was found and what to do.
    """

    code: str
    severity: Severity
    where: str
    found: str
    advice: str


def audit(
    library: Library, *, total_limits: tuple[float, float] = TOTAL_LIMITS, spectra: bool = True
) -> list[Finding]:
    """Look through a library for what a careful person would ask about.

    Parameters
    ----------
    library : Library
    total_limits : tuple of float, default (97, 102)
        Totals in wt% outside which a standard is named. Totals are looked at only where at
        least five oxides in wt% are certified.
    spectra : bool, default True
        Read the counts too (finite, saturated, dead channels).

    Returns
    -------
    list of Finding
        Errors first, then warnings, then notes.
    """
    findings = [
        *_split_families(library),
        *_uncertain(library),
        *_odd_totals(library, total_limits),
        *_twins(library),
        *_thin(library),
        *_unused(library),
    ]
    if spectra:
        findings += _counts(library)
    order = {"error": 0, "warning": 1, "note": 2}
    return sorted(findings, key=lambda each: order[each.severity])


def _split_families(library: Library) -> list[Finding]:
    uses = library.select("calibration", "held-out")
    family = uses["standard"].map(library.standards["family"])
    both = uses.groupby(family)["use"].nunique()
    return [
        Finding(
            "split-family", "error", f"bursts.csv, family {name}",
            "has bursts for calibration and held-out",
            "give all bursts of the family one use, or the held-out RMSEP flatters",
        )
        for name in both.index[both > 1]
    ]  # fmt: skip


def _uncertain(library: Library) -> list[Finding]:
    out = []
    for analyte in library.analytes:
        missing = library.values[analyte].notna() & library.uncertainty[analyte].isna()
        if missing.any():
            out.append(
                Finding(
                    "no-uncertainty", "note", f"standards.csv, column {analyte}",
                    f"{int(missing.sum())} certified values have no uncertainty",
                    f"fill {analyte}_u (k = 1) from the certificates",
                )
            )  # fmt: skip
    return out


def _odd_totals(library: Library, limits: tuple[float, float]) -> list[Finding]:
    in_weight = [a for a in library.analytes if library.description.unit(a) == "wt%"]
    enough = library.values[in_weight].notna().sum(axis=1) >= 5
    odd = library.totals[enough & ~library.totals.between(*limits)]
    return [
        Finding(
            "total", "warning", f"standards.csv, standard {name}",
            f"total is {total:.2f} wt%", f"look for a missing or mistyped oxide "
            f"(limits {limits[0]:g} to {limits[1]:g})",
        )
        for name, total in odd.items()
    ]  # fmt: skip


def _twins(library: Library) -> list[Finding]:
    certified = library.values.dropna(how="all")
    twin = certified.round(6).duplicated(keep="first") & (certified.notna().sum(axis=1) > 1)
    out = []
    for name in certified.index[twin]:
        same = certified.index[
            (certified.round(6).fillna(-1) == certified.loc[name].round(6).fillna(-1)).all(axis=1)
        ]
        first = same[0]
        if library.standards.loc[first, "family"] != library.standards.loc[name, "family"]:
            out.append(
                Finding(
                    "twin-standards", "warning", f"standards.csv, standard {name}",
                    f"same composition as {first}, another family",
                    "give both one family if they are one material",
                )
            )  # fmt: skip
    return out


def _thin(library: Library) -> list[Finding]:
    training = library.select("calibration")["standard"].unique()
    certified = library.values.loc[library.values.index.isin(training)].notna().sum()
    return [
        Finding(
            "thin", "warning", f"standards.csv, column {analyte}",
            f"certified for {n} calibration standards",
            f"below {THIN} it is skipped in training",
        )
        for analyte, n in certified.items()
        if n < THIN
    ]  # fmt: skip


def _unused(library: Library) -> list[Finding]:
    without = library.standards.index.difference(pd.Index(library.bursts["standard"]))
    return [
        Finding(
            "no-bursts", "note", f"standards.csv, standard {name}", "has no bursts",
            "remove it or add its bursts",
        )
        for name in without
    ]  # fmt: skip


def _counts(library: Library) -> list[Finding]:
    lowest = np.full(library.wavelength.size, np.inf)
    highest = np.full(library.wavelength.size, -np.inf)
    clipped: list[str] = []
    top = np.iinfo(np.uint16).max
    order = np.argsort(library.bursts["first_row"].to_numpy(), kind="stable")
    for row, burst in library.walk(order.tolist()):
        np.minimum(lowest, burst.min(axis=0), out=lowest)
        np.maximum(highest, burst.max(axis=0), out=highest)
        if burst.dtype == np.uint16 and (burst == top).any():
            clipped.append(str(library.bursts["burst"].iloc[row]))
    out = []
    dead = np.flatnonzero(lowest == highest)
    if dead.size:
        out.append(
            Finding(
                "dead-channel", "warning", "spectra.zarr",
                f"{dead.size} channels never change (first at "
                f"{library.wavelength[dead[0]]:.3f} nm)",
                "mask them in [preprocess] or ask what happened to the detector",
            )
        )  # fmt: skip
    if clipped:
        out.append(
            Finding(
                "saturated", "warning", f"spectra.zarr, burst {clipped[0]}",
                f"{len(clipped)} bursts reach the detector's top count",
                "mask the strongest lines or shorten the gate",
            )
        )  # fmt: skip
    return out

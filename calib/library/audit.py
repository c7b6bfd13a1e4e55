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

COLLINEAR = 0.95
"""Correlation of two analytes from which a model may mistake one for the other (chosen here)."""

GAP_SHARE = 0.4
"""Share of an analyte's range without any standard that is worth a note (chosen here)."""

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
        Read the counts too, in one pass (see `calib.library.audit_spectra`).

    Returns
    -------
    list of Finding
        Errors first, then warnings, then notes.
    """
    from calib.library.audit_spectra import audit_spectra

    findings = [
        *_split_families(library),
        *_uncertain(library),
        *_odd_totals(library, total_limits),
        *_twins(library),
        *_lonely(library),
        *_thin(library),
        *_gaps(library),
        *_collinear(library),
        *_unused(library),
    ]
    if spectra:
        findings += audit_spectra(library)
    order = {"error": 0, "warning": 1, "note": 2}
    return sorted(findings, key=lambda each: order[each.severity])


def coverage(library: Library, bins: int = 20) -> dict[str, tuple[np.ndarray, np.ndarray]]:
    """Count the calibration standards over the range of each analyte.

    Returns
    -------
    dict of str to (counts, edges)
        Arrays of shape (bins,) and (bins + 1,), edges in the analyte's unit; analytes that no
        calibration standard is certified for are left out.
    """
    values = _training(library)
    known = {name: values[name].dropna().to_numpy() for name in library.analytes}
    return {name: np.histogram(each, bins) for name, each in known.items() if each.size}


def histogram(counts: np.ndarray, edges: np.ndarray) -> str:
    """Draw a histogram on one line, its range at both ends; an empty bin is a dot."""
    bars = "▁▂▃▄▅▆▇█"
    high = max(1, int(counts.max()))
    drawn = "".join("·" if n == 0 else bars[(int(n) * 8 - 1) // high] for n in counts)
    return f"{edges[0]:>8.4g} {drawn} {edges[-1]:.4g}"


def _training(library: Library) -> pd.DataFrame:
    """Certified values of the standards that have a calibration burst."""
    names = library.select("calibration")["standard"].unique()
    return library.values.loc[library.values.index.isin(names)]


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


def _differences(library: Library) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Compare the compositions of every two standards of different families.

    Returns
    -------
    apart : ndarray of shape (n, n)
        Root mean square over the analytes certified in both of their difference over the
        analyte's spread (half the range that holds the middle 68 %); infinite where fewer than
        three are, or the family is one.
    largest : ndarray of shape (n, n)
        Largest difference over its expanded uncertainty, k = 2; where an uncertainty is not
        given it is taken as 0.5 % of the value, at least 0.005.
    common : ndarray of shape (n, n)
        Analytes certified in both.
    """
    values = library.values.to_numpy(float)
    given = library.uncertainty.to_numpy(float)
    u = np.where(np.isfinite(given), given, np.maximum(0.005 * values, 0.005))
    low, high = np.nanpercentile(values, [16, 84], axis=0) if len(values) else (0.0, 0.0)
    spread = np.where(high > low, (high - low) / 2, 1.0)
    gap = values[:, None] - values[None]
    common = np.isfinite(gap).sum(axis=2)
    family = library.standards["family"].to_numpy(str)
    same = family[:, None] == family[None]
    square = np.nansum((gap / spread) ** 2, axis=2) / np.maximum(common, 1)
    apart = np.where((common < 3) | same, np.inf, np.sqrt(square))
    both = 2 * np.sqrt(u[:, None] ** 2 + u[None] ** 2)
    largest = np.where(same, np.inf, np.nanmax(np.abs(gap) / both, axis=2, initial=0.0))
    return apart, largest, common


def _twins(library: Library) -> list[Finding]:
    if len(library.values) < 2 or library.values.shape[1] < 2:
        return []
    _, largest, common = _differences(library)
    equal = library.values.to_numpy(float)
    out = []
    for j, i in zip(*np.nonzero(np.tril((largest <= 1) & (common >= 2), k=-1)), strict=True):
        exact = np.array_equal(equal[i], equal[j], equal_nan=True)
        if not exact and common[i, j] < 4:
            continue
        how = "same composition as" if exact else "within its uncertainties the composition of"
        out.append(
            Finding(
                "twin-standards" if exact else "near-twin-standards", "warning",
                f"standards.csv, standard {library.values.index[j]}",
                f"{how} {library.values.index[i]}, another family",
                "give both one family if they are one material",
            )
        )  # fmt: skip
    return out


def _lonely(library: Library) -> list[Finding]:
    if len(library.values) < 8:
        return []
    apart, _, _ = _differences(library)
    nearest = apart.min(axis=1)
    finite = np.isfinite(nearest)
    if finite.sum() < 8:
        return []
    middle = np.median(nearest[finite])
    limit = max(1.0, middle + 5 * 1.4826 * np.median(np.abs(nearest[finite] - middle)))
    return [
        Finding(
            "lonely", "note", f"standards.csv, standard {library.values.index[int(i)]}",
            f"no other family is near its composition (nearest {nearest[i]:.1f} spreads away)",
            "look for a typing error; a model extrapolates around it, add standards like it",
        )
        for i in np.flatnonzero(finite & (nearest > limit))
    ]  # fmt: skip


def _gaps(library: Library) -> list[Finding]:
    out = []
    values = _training(library)
    for name in library.analytes:
        known = np.unique(values[name].dropna().to_numpy())
        if known.size < THIN:
            continue
        steps = np.diff(known)
        at = int(np.argmax(steps))
        if steps[at] > GAP_SHARE * (known[-1] - known[0]):
            out.append(
                Finding(
                    "coverage-gap", "note", f"standards.csv, column {name}",
                    f"no calibration standard between {known[at]:.4g} and {known[at + 1]:.4g} "
                    f"{library.description.unit(name)}",
                    "add standards there, or do not trust predictions there",
                )
            )  # fmt: skip
    return out


def _collinear(library: Library) -> list[Finding]:
    values = _training(library)
    out = []
    for i, one in enumerate(library.analytes):
        for two in library.analytes[i + 1 :]:
            pair = values[[one, two]].dropna()
            if len(pair) < THIN or (pair.nunique() < 3).any():
                continue
            r = float(np.corrcoef(pair.to_numpy().T)[0, 1])
            if abs(r) >= COLLINEAR:
                out.append(
                    Finding(
                        "collinear", "warning", f"standards.csv, columns {one} and {two}",
                        f"correlation {r:.3f} over {len(pair)} calibration standards",
                        "a model of one may read the other's lines: add standards that break it",
                    )
                )  # fmt: skip
    return out


def _thin(library: Library) -> list[Finding]:
    certified = _training(library).notna().sum()
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

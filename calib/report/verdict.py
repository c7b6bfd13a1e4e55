"""What a model may be used for, in words, from its scores and checks.

The rules are ours and stand here alone, so that they can be disputed:

* *not for use*: no component was worth taking, shuffled certified values do as well, the held-out
  error is not below the spread of the held-out values (RPD ≤ 1), or the limit of detection lies
  above the whole range;
* *with care*: a check failed, fewer than `FEW` standards were held out (or none), fewer held-out
  spectra lie in their intervals than `POOR_COVERAGE`, or more than `MOSTLY_STRANGE` are flagged;
* *may be used* otherwise, within the range trained on and above the limit of detection.

The error named beside that range is the RMSEP of the held-out standards within it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from calib._show import number

FEW = 10
"""Held-out standards below which an RMSEP is not much of a judge (chosen here)."""

POOR_COVERAGE = 0.8
"""Share of held-out spectra in their 90 % intervals below which the error bars are doubted (chosen
here)."""

MOSTLY_STRANGE = 0.5
"""Share of held-out spectra beyond one limit of the domain from which they are no fair judge of
usual spectra, or the limit is wrong (chosen here)."""

LEVELS = ("may be used", "with care", "not for use")


@dataclass(frozen=True)
class Verdict:
    """What is to be said of one analyte's model.

    Attributes
    ----------
    level : str
        One of `LEVELS`.
    use : str
        What it may be used for; empty where for nothing.
    avoid : str
        What it must not be used for.
    reasons : list of str
        Why it is not simply fit for use.
    """

    level: str
    use: str
    avoid: str
    reasons: list[str]


def verdict(
    entry: Mapping[str, Any],
    checks: Sequence[Mapping[str, Any]] = (),
    *,
    flagged: Mapping[str, float] | None = None,
) -> Verdict:
    """Judge one analyte.

    Parameters
    ----------
    entry : mapping
        The analyte's entry in ``results.json``.
    checks : sequence of mapping
        The checks of this analyte: name, passed, detail.
    flagged : mapping of str to float, optional
        Share of the held-out spectra beyond each limit of the domain.

    Returns
    -------
    Verdict
    """
    unit = entry["unit"]
    low, high = entry["range"]
    lod = (entry.get("limits") or {}).get("lod_high")
    fatal = _fatal(entry, checks, high, lod)
    if fatal:
        return Verdict(LEVELS[2], "", "any number that matters", fatal)
    reasons = _doubts(entry, checks)
    strange = max((flagged or {}).values(), default=0.0)
    if strange > MOSTLY_STRANGE:
        reasons.append(f"{100 * strange:.0f} % of held-out spectra are flagged as unusual")
    start = low if lod is None else max(low, lod)
    judged = (entry.get("rmsep_in_range"), entry["rmsep"], entry["rmsecv"])
    error = next((value for value in judged if value is not None), None)
    use = f"{number(start)} to {number(high)} {unit}, ±\u00a0{number(error)}"
    below = f"below {number(start)}" + ("" if start == low else " (say “less than”)")
    avoid = f"{below}, above {number(high)}" + ", flagged spectra"
    return Verdict(LEVELS[1 if reasons else 0], use, avoid, reasons)


def _fatal(
    entry: Mapping[str, Any], checks: Sequence[Mapping[str, Any]], high: float, lod: float | None
) -> list[str]:
    out = []
    if entry["settings"].get("n_components") == 0:
        out.append("nothing better than the mean of the standards was found")
    out += [c["detail"] for c in checks if c["name"] == "permutation" and not c["passed"]]
    rpd = entry.get("rpd")
    if rpd is not None and rpd <= 1:
        out.append(f"held-out errors are as large as the spread of the values (RPD {number(rpd)})")
    if lod is not None and lod >= high:
        out.append(f"the limit of detection, {number(lod)} {entry['unit']}, is above the range")
    return out


def _doubts(entry: Mapping[str, Any], checks: Sequence[Mapping[str, Any]]) -> list[str]:
    out = [str(check["detail"]) for check in checks if not check["passed"]]
    held = entry["n_held_out"]
    if held < FEW:
        words = "no standard was" if held == 0 else f"only {held} standards were"
        out.append(f"{words} held out")
    coverage = entry.get("coverage")
    if coverage is not None and coverage < POOR_COVERAGE:
        out.append(f"{100 * coverage:.0f} % of held-out spectra lie in their 90 % interval")
    return out

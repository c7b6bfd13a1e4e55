"""The check that guards a frozen model: files, golden predictions, RMSEP on held-out standards."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import numpy as np
from safetensors.numpy import load_file

from calib.artifact.runtime import Model
from calib.artifact.store import check_files, find
from calib.errors import ArtifactError

GOLDEN_TOLERANCE = 1e-6
"""Relative difference allowed to golden predictions on another machine's arithmetic."""


@dataclass(frozen=True)
class Verdict:
    """One thing that was checked.

    Attributes
    ----------
    name : str
    passed : bool
    detail : str
        What was found, one line.
    """

    name: str
    passed: bool
    detail: str


def check_artifact(reference: str) -> tuple[Model | None, list[Verdict]]:
    """Check a frozen model's files and its golden predictions.

    Returns
    -------
    model : Model or None
        None where the files do not hold.
    verdicts : list of Verdict

    Raises
    ------
    CalibError
        If there is no such model.
    """
    folder = find(reference)
    try:
        manifest = check_files(folder)
    except ArtifactError as error:
        return None, [Verdict("files", False, str(error))]
    verdicts = [Verdict("files", True, f"{len(manifest['files'])} files as the manifest says")]
    model = Model.open(folder)
    return model, [*verdicts, _golden(model, folder)]


def _golden(model: Model, folder: Path) -> Verdict:
    """Predict the golden bursts anew."""
    held = load_file(folder / "golden.safetensors")
    names = sorted({key.partition("/")[0] for key in held})
    worst, same = 0.0, True
    for name in names:
        spectra = model.reduce(held[f"{name}/counts"], held.get(f"{name}/dark"))
        far = held.get(f"{name}/distance_m")
        new = model.predict_spectra(spectra.mean(axis=0, keepdims=True), distance_m=far)
        found = np.stack([new.value, new.uncertainty, new.low, new.high])
        expected = held[f"{name}/predicted"]
        same &= found.tobytes() == expected.tobytes()
        scale = np.maximum(np.abs(expected), np.abs(new.uncertainty))
        with np.errstate(invalid="ignore"):  # infinity minus infinity: intervals without end
            off = np.where(found == expected, 0.0, np.abs(found - expected) / scale)
        worst = max(worst, float(np.nan_to_num(off, nan=np.inf).max()))
    detail = "bit for bit" if same else f"largest relative difference {worst:.2g}"
    good = bool(names) and worst <= GOLDEN_TOLERANCE
    return Verdict("golden predictions", good, f"{len(names)} bursts, {detail}")


def check_rmsep(model: Model, scores: dict[str, float], *, tolerance: float) -> list[Verdict]:
    """Compare RMSEPs of the frozen model on its held-out standards with the frozen numbers.

    Any difference beyond the tolerance fails, also a smaller error: the same model on the same
    bursts must give the same number.

    Parameters
    ----------
    model : Model
    scores : dict of str to float
        RMSEP of each analyte now, in its unit.
    tolerance : float
        Relative difference allowed.
    """
    return [
        Verdict(f"RMSEP {name}", bool(abs(found / frozen - 1) <= tolerance), detail)
        for name, frozen, found, detail in _pairs(model, scores, f"allowed ±{tolerance:.1%}")
    ]


def check_retrained(model: Model, scores: dict[str, float], *, tolerance: float) -> list[Verdict]:
    """Compare RMSEPs of a model trained anew with the frozen numbers: they may be smaller.

    Parameters
    ----------
    model : Model
    scores : dict of str to float
        RMSEP of each analyte of the new model, in its unit.
    tolerance : float
        Relative increase allowed.
    """
    return [
        Verdict(f"retrained {name}", bool(found <= frozen * (1 + tolerance)), detail)
        for name, frozen, found, detail in _pairs(model, scores, f"allowed +{tolerance:.1%}")
    ]


def _pairs(
    model: Model, scores: dict[str, float], allowed: str
) -> Iterator[tuple[str, float, float, str]]:
    """Yield analyte, frozen RMSEP, RMSEP found, words; NaN where none was found."""
    for name in model.analytes:
        frozen = model.manifest["analytes"][name]["rmsep"]
        if frozen is not None:
            found = scores.get(name, float("nan"))
            words = f"RMSEP {found:.4g} {model.unit(name)}, frozen {frozen:.4g}, {allowed}"
            yield name, frozen, found, words


def junit(model: str, verdicts: list[Verdict]) -> str:
    """Write verdicts as JUnit XML (the format CI servers read), one test case each."""
    failures = sum(not each.passed for each in verdicts)
    suite = ElementTree.Element(
        "testsuite", name=f"calib check {model}", tests=str(len(verdicts)), failures=str(failures)
    )
    for each in verdicts:
        case = ElementTree.SubElement(suite, "testcase", classname="calib.check", name=each.name)
        if not each.passed:
            ElementTree.SubElement(case, "failure", message=each.detail)
    ElementTree.indent(suite)
    return ElementTree.tostring(suite, encoding="unicode", xml_declaration=True) + "\n"


def summary(verdicts: list[Verdict]) -> list[dict[str, Any]]:
    """Return verdicts as plain data."""
    return [vars(each) for each in verdicts]

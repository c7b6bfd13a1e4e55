"""The check that guards a frozen model: files, golden predictions, RMSEP on held-out standards."""

from __future__ import annotations

import os
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Protocol

import numpy as np

from calib.artifact import reading
from calib.artifact.runtime import Model
from calib.artifact.sealed import MANIFEST, SIGNATURE, Sealed
from calib.artifact.store import model_of, open_sealed
from calib.artifact.verdicts import Verdict
from calib.errors import ArtifactError, DataError, SettingsError

GOLDEN_TOLERANCE = 1e-10
"""Relative difference allowed to golden predictions. A coefficient changed in its seventh digit
moves them by more, unless it hardly matters; another machine's arithmetic by less, but for models
that lean on its BLAS, which may need 1e-6 (key ``golden`` of a tolerances file)."""

RMSEP_TOLERANCE = 0.02
"""Relative difference allowed to an RMSEP. Common practice, no source."""

SIGNIFICANT = 0.05
"""p value of the paired test below which a model trained anew is held to be worse."""


@dataclass(frozen=True)
class Tolerances:
    """How far numbers may be from the frozen ones.

    Attributes
    ----------
    rmsep : float
        Relative, of analytes that are not in `analytes`.
    golden : float
        Relative, of golden predictions.
    analytes : mapping of str to float
        Relative, by analyte.
    """

    rmsep: float = RMSEP_TOLERANCE
    golden: float = GOLDEN_TOLERANCE
    analytes: Mapping[str, float] = field(default_factory=dict)

    def of(self, analyte: str) -> float:
        """Return the tolerance of an analyte's RMSEP."""
        return self.analytes.get(analyte, self.rmsep)


def read_tolerances(path: Path, default: Tolerances | None = None) -> Tolerances:
    """Read a tolerances file.

    Parameters
    ----------
    path : Path
        TOML: ``rmsep`` and ``golden``, numbers, and a table ``[analytes]`` of numbers.
    default : Tolerances, optional
        What holds where the file says nothing.

    Raises
    ------
    SettingsError
        If it cannot be read, or a key or value is wrong.
    """
    base = default or Tolerances()
    try:
        found = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise SettingsError(f"{path}: {getattr(error, 'strerror', None) or error}") from None
    table = found.pop("analytes", {})
    if not isinstance(table, dict) or set(found) - {"rmsep", "golden"}:
        unknown = next(iter(set(found) - {"rmsep", "golden"}), "analytes")
        raise SettingsError(
            f"{path}: key {unknown!r}, need rmsep, golden and a table [analytes] of numbers"
        )
    for key, value in {**found, **table}.items():
        if type(value) not in (int, float) or not 0 <= value <= 1:
            raise SettingsError(f"{path}: key {key!r} is {value!r:.40}, need a number from 0 to 1")
    return Tolerances(
        rmsep=found.get("rmsep", base.rmsep),
        golden=found.get("golden", base.golden),
        analytes={**base.analytes, **table},
    )


def check_artifact(
    reference: str,
    *,
    trust: str | os.PathLike[str] | None = None,
    tolerances: Tolerances | None = None,
) -> tuple[Model | None, list[Verdict]]:
    """Check a frozen model's files, signature and golden predictions.

    Parameters
    ----------
    reference : str
        As `calib.load` takes it.
    trust : path, optional
        Public key that must have signed it.
    tolerances : Tolerances, optional

    Returns
    -------
    model : Model or None
        None where the files or the signature do not hold.
    verdicts : list of Verdict

    Raises
    ------
    CalibError
        If there is no such model, or `trust` is no key.
    """
    from calib.artifact.store import find

    find(reference)  # no such model is no failed check
    try:
        sealed = open_sealed(reference)
        model = model_of(sealed)
    except ArtifactError as error:
        return None, [Verdict("files", False, str(error))]
    detail = f"{len(sealed.manifest['files'])} files as the manifest says"
    verdicts = [Verdict("files", True, detail)]
    if trust is not None:
        verdicts.append(_signature(sealed, trust))
        if not verdicts[-1].passed:
            return None, verdicts
    golden = _golden(model, sealed, (tolerances or Tolerances()).golden)
    return model, [*verdicts, golden]


def _signature(sealed: Sealed, key: str | os.PathLike[str]) -> Verdict:
    from calib.artifact.trust import fingerprint, public_key, verify

    needed = fingerprint(public_key(key))
    if SIGNATURE not in sealed.files:
        return Verdict("signature", False, f"{sealed.path}: is not signed")
    try:
        verify(sealed.files[MANIFEST], sealed.files[SIGNATURE], key, str(sealed.path))
    except ArtifactError as error:
        return Verdict("signature", False, str(error))
    return Verdict("signature", True, f"by key {needed[:12]}…")


def _golden(model: Model, sealed: Sealed, tolerance: float) -> Verdict:
    """Predict the golden bursts anew."""
    name = "golden predictions"
    try:
        where = str(sealed.path / "golden.safetensors")
        held = reading.parse_arrays(sealed.files["golden.safetensors"], where, finite=False)
        names = sorted({key.partition("/")[0] for key in held})
        pairs = [_again(model, held, each) for each in names]
    except (ArtifactError, DataError, KeyError) as error:
        return Verdict(name, False, f"cannot be made: {error}")
    same = all(found.tobytes() == expected.tobytes() for found, expected, _ in pairs)
    worst = max((_difference(*pair) for pair in pairs), default=np.inf)
    words = "bit for bit"
    if not same:
        words = f"largest relative difference {worst:.2g}, allowed {tolerance:.0e}"
    return Verdict(name, bool(worst <= tolerance), f"{len(names)} bursts, {words}")


def _again(model: Model, held: Mapping[str, Any], name: str) -> tuple[Any, Any, Any]:
    """Return predictions of one golden burst as found and as frozen, and their uncertainties."""
    far = held.get(f"{name}/distance_m")
    spectra = model.reduce(held[f"{name}/counts"], held.get(f"{name}/dark"))
    new = model.predict_spectra(spectra.mean(axis=0, keepdims=True), distance_m=far)
    found = [new.value, new.uncertainty, new.low, new.high]
    expected = [*held[f"{name}/predicted"]]
    scale = [new.uncertainty] * 4
    closed = held.get(f"{name}/reconciled")
    if closed is not None and new.reconciled is not None:
        found += [new.reconciled.value, new.reconciled.uncertainty]
        expected += [*closed]
        scale += [new.reconciled.uncertainty] * 2
    if [each.shape for each in found] != [each.shape for each in expected]:
        raise DataError(f"golden burst {name}: found predictions of another shape")
    together: list[Any] = [np.concatenate(each, axis=None) for each in (found, expected, scale)]
    return together[0], together[1], together[2]


def _difference(found: Any, expected: Any, uncertainty: Any) -> float:
    """Largest difference, relative to the prediction or its uncertainty, whichever is larger."""
    scale = np.maximum(np.abs(expected), np.abs(uncertainty))
    with np.errstate(invalid="ignore", divide="ignore"):  # intervals without end: ∞ − ∞
        off = np.where(found == expected, 0.0, np.abs(found - expected) / scale)
    return float(np.nan_to_num(off, nan=np.inf, posinf=np.inf).max())


def check_library(model: Model, digest: str, where: str) -> Verdict:
    """Compare a library's digest with that of the library the model was trained on.

    Parameters
    ----------
    model : Model
    digest : str
        ``Library.digest()``.
    where : str
        What the verdict calls the library.
    """
    frozen = str(model.manifest["library"]["sha256"])
    detail = f"{where}: SHA-256 {digest[:12]}…, trained on {frozen[:12]}…"
    return Verdict("library", digest == frozen, detail)


def check_rmsep(model: Model, scores: Mapping[str, float], tolerances: Tolerances) -> list[Verdict]:
    """Compare RMSEPs of the frozen model on its held-out standards with the frozen numbers.

    Any difference beyond the tolerance fails, also a smaller error: the same model on the same
    bursts must give the same number.

    Parameters
    ----------
    model : Model
    scores : mapping of str to float
        RMSEP of each analyte now, in its unit.
    tolerances : Tolerances
    """
    verdicts = []
    for name in model.analytes:
        frozen = model.manifest["analytes"][name]["rmsep"]
        if frozen is None:
            continue
        found, allowed = scores.get(name, float("nan")), tolerances.of(name)
        detail = (
            f"{found:.4g} {model.unit(name)}, frozen {frozen:.4g}, allowed ±{100 * allowed:g} %"
        )
        same = found == frozen or bool(abs(found - frozen) <= allowed * frozen)
        verdicts.append(Verdict(f"RMSEP {name}", same, detail))
    return verdicts


class Pair(Protocol):
    """Two RMSEPs on the same standards: `calib.validate.comparison.Comparison`."""

    @property
    def analyte(self) -> str:
        """Its name."""

    @property
    def first(self) -> float:
        """RMSEP of the frozen model."""

    @property
    def second(self) -> float:
        """RMSEP of the model trained anew."""

    @property
    def p(self) -> float:
        """Probability of a difference as large by chance."""

    @property
    def n_standards(self) -> int:
        """Standards compared."""


def check_retrained(model: Model, pairs: Sequence[Pair], tolerances: Tolerances) -> list[Verdict]:
    """Judge a model trained anew against the frozen one on the standards both held out.

    It fails where its RMSEP is larger than the tolerance allows, and where it is larger at all and
    the paired test says that this is no chance. It may be better.

    Parameters
    ----------
    model : Model
        The frozen one.
    pairs : sequence of Comparison
        Frozen first.
    tolerances : Tolerances
    """
    found = {pair.analyte: pair for pair in pairs}
    verdicts = []
    for name in model.analytes:
        pair = found.get(name)
        if pair is None:
            if model.manifest["analytes"][name]["rmsep"] is not None:
                verdicts.append(Verdict(f"retrained {name}", False, "is not among its analytes"))
            continue
        allowed = tolerances.of(name)
        worse = pair.second > pair.first * (1 + allowed)
        shown = pair.second > pair.first and pair.p <= SIGNIFICANT
        detail = (
            f"RMSEP {pair.second:.4g} {model.unit(name)}, frozen {pair.first:.4g}, allowed "
            f"+{100 * allowed:g} %, paired test p = {pair.p:.2g} on {pair.n_standards} standards"
        )
        verdicts.append(Verdict(f"retrained {name}", not (worse or shown), detail))
    return verdicts


def check_chain(model: Model, retrained: Model) -> Verdict:
    """Compare the preprocess settings of a model trained anew with the frozen ones."""
    name = "retrained preprocessing"
    before_all, after_all = _steps(model), _steps(retrained)
    words = [" ".join(s["step"] for s in each) for each in (before_all, after_all)]
    if words[0] != words[1]:
        return Verdict(name, False, f"steps are {words[1]}; frozen {words[0]}")
    for before, after in zip(before_all, after_all, strict=True):
        for key in sorted(set(before) | set(after)):
            if before.get(key) != after.get(key):
                detail = f"step {before['step']}: {key} is {after.get(key)!r:.60}, "
                return Verdict(name, False, f"{detail}frozen {before.get(key)!r:.60}")
    return Verdict(name, True, f"{len(before_all)} steps, same settings")


def _steps(model: Model) -> list[dict[str, Any]]:
    """Return the settings of every step, the branches' parted by a step named ``|``."""
    steps = [step.settings() for step in model.stem.steps]
    for branch in model.branches if any(each.steps for each in model.branches) else ():
        steps += [{"step": "|"}, *(step.settings() for step in branch.steps)]
    return steps

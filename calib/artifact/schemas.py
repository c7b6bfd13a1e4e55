"""Layouts of frozen models, and how one of an older layout becomes one of today's.

To change the layout: raise `SCHEMA`, convert the one before in `upgrade`, and keep a frozen model
of the old one in ``tests/artifact/data``.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calib.artifact import reading
from calib.errors import ArtifactError

Arrays = Mapping[str, NDArray[np.floating]]

SCHEMA = 2
"""Layout that is written.

manifest.json
    ``preprocess``: the stem, steps that all analytes share; ``branches``: the steps that follow
    it, a list of lists, at least one (empty: the stem as it is); ``domains``: limits of usual
    spectra, one table a branch; ``analytes``: for each its ``members`` (``family``, ``predictor``,
    ``arrays``, ``branch``), how their predictions are joined (``combine``, ``combine_arrays``),
    and the ``branch`` whose domain speaks for it; optional ``total``: ``analytes`` that are
    reconciled to a sum of ``mean`` and ``sd``.
arrays.safetensors
    ``wavelength``; ``step0/KEY`` and ``branch0/step0/KEY`` what a step learned;
    ``branch0/domain/KEY``; and for each analyte A ``A/member0/NAME``, ``A/combine/NAME`` and
    ``A/interval/NAME``; ``total/correlation`` where there is a total.

Layout 1 had one chain, one domain and one predictor an analyte.
"""

KNOWN = (1, 2)
"""Layouts that can be read."""


def parse_manifest(text: bytes, where: str) -> dict[str, Any]:
    """Parse a manifest and check its schema.

    Raises
    ------
    ArtifactError
        If it is no JSON object, or of an unknown schema.
    """
    manifest = reading.parse_json(text, where)
    if type(manifest.get("schema")) is not int or manifest["schema"] not in KNOWN:
        raise ArtifactError(
            f"{where}: schema is {manifest.get('schema')!r:.40}, this calib reads "
            f"{' and '.join(map(str, KNOWN))}"
        )
    return manifest


def upgrade(manifest: Mapping[str, Any], arrays: Arrays) -> tuple[Mapping[str, Any], Arrays]:
    """Return manifest and arrays in today's layout; what is so already is returned as it is.

    Parameters
    ----------
    manifest : mapping
    arrays : mapping of str to ndarray

    Raises
    ------
    KeyError, TypeError, AttributeError
        If the manifest is not of the layout that it names.
    """
    if manifest["schema"] != 1:
        return manifest, arrays
    analytes = {name: _member(entry) for name, entry in manifest["analytes"].items()}
    moved = {
        f"{name}/{key}": f"{name}/member0/{key}"
        for name, entry in manifest["analytes"].items()
        for key in entry["arrays"]
    }
    moved |= {key: f"branch0/{key}" for key in arrays if key.startswith("domain/")}
    new = {key: value for key, value in manifest.items() if key != "domain"}
    new |= {
        "schema": SCHEMA,
        "branches": [[]],
        "domains": [manifest["domain"]],
        "analytes": analytes,
    }
    return new, {moved.get(key, key): value for key, value in arrays.items()}


def _member(entry: Mapping[str, Any]) -> dict[str, Any]:
    """Turn an analyte's one predictor into its only member."""
    own = ("predictor", "arrays")
    member = {"family": entry.get("family"), **{key: entry[key] for key in own}, "branch": 0}
    rest = {key: value for key, value in entry.items() if key not in own}
    return rest | {"members": [member], "combine": "single", "combine_arrays": [], "branch": 0}


def check(manifest: Mapping[str, Any]) -> None:
    """Refuse a manifest of today's layout whose values are of a kind that the runtime cannot use.

    What a manifest says beyond what the runtime needs is not looked at; the whole of it is in
    ``schemas/manifest.json`` (JSON Schema).

    Raises
    ------
    KeyError
        If a key is missing.
    ArtifactError
        If a value cannot be.
    """
    spectrometers, analytes = manifest["spectrometers"], manifest["analytes"]
    _need(_tables(spectrometers) and spectrometers, "spectrometers", "a list of tables")
    for each in spectrometers:
        _need(isinstance(each["name"], str), "spectrometers", "names")
        _need(type(each["channels"]) is int and each["channels"] > 0, "spectrometers", "channels")
    branches = manifest["branches"]
    _need(isinstance(branches, list) and branches, "branches", "at least one list of steps")
    for steps in (manifest["preprocess"], *branches):
        _need(_tables(steps), "preprocess", "lists of steps")
        learned = [step.get("learned", []) for step in steps]
        _need(all(map(_texts, learned)), "preprocess", "names of learned arrays")
    for each in manifest["domains"]:
        limits = each["limits"].values()
        _need(all(v is None or _number(v) for v in limits), "domains", "limits, numbers or null")
    level = manifest["interval_level"]
    _need(_number(level) and 0 < level < 1, "interval_level", "a number between 0 and 1")
    _need(isinstance(analytes, dict) and analytes, "analytes", "a table of at least one")
    for name, entry in analytes.items():
        _need(name.isprintable() and name.strip() == name != "", f"analytes.{name}", "a plain name")
        where, ends = f"analytes.{name}", entry["range"]
        _need(isinstance(entry["unit"], str), where, "a unit")
        good = isinstance(ends, list) and len(ends) == 2 and all(map(_number, ends))
        _need(good and ends[0] <= ends[1], where, "a range of two numbers")
        _need(entry["lod"] is None or _number(entry["lod"]), where, "an lod, a number or null")
        _need(_texts(entry["combine_arrays"]) and _tables(entry["members"]), where, "members")
        _need(all(_texts(member["arrays"]) for member in entry["members"]), where, "array names")


FROZEN = ("name", "version", "created", "library", "held_out_standards")
"""Keys that a frozen manifest has beside those the runtime needs."""

SCORES = ("rmsec", "rmsecv", "rmsep", "rmsep_low", "rmsep_high", "n_standards", "n_held_out")
"""Keys that each analyte of a frozen manifest has beside them."""


def check_frozen(manifest: Mapping[str, Any], where: str) -> None:
    """Refuse a frozen manifest, of any layout, that lacks what commands show and check.

    Raises
    ------
    ArtifactError
        If a key is missing or of a wrong kind.
    """
    try:
        for key in FROZEN:
            manifest[key]  # a KeyError names what is missing
        library, analytes = manifest["library"], manifest["analytes"]
        texts = [manifest["name"], manifest["version"], manifest["created"]]
        texts += [library["title"], library["sha256"], library["held_out_rule"]]
        _need(_texts(texts), "library", "texts; name, version and created too")
        _need(_texts(manifest["held_out_standards"]), "held_out_standards", "a list of names")
        for name, entry in analytes.items():
            values = [entry[key] for key in SCORES]
            _need(all(v is None or _number(v) for v in values), f"analytes.{name}", "scores")
    except (KeyError, TypeError, AttributeError) as error:
        raise ArtifactError(f"{where}: lacks {error}, need a frozen model") from None
    except ArtifactError as error:
        raise ArtifactError(f"{where}: {error}") from None


def _need(good: object, key: str, need: str) -> None:
    if not good:
        raise ArtifactError(f"manifest: key {key!r:.80}: need {need}")


def _tables(value: Any) -> bool:
    return isinstance(value, list) and all(isinstance(each, dict) for each in value)


def _texts(value: Any) -> bool:
    return isinstance(value, list) and all(isinstance(each, str) for each in value)


def _number(value: Any) -> bool:
    return type(value) in (int, float)

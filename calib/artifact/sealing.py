"""Freezing: a trained model becomes a version that is there whole or not at all.

A version is written to a hidden folder beside its own, synced, and renamed. The hidden folder is
locked while its writer lives; one without a living writer is what a kill left over, and the next
freeze removes it.

Versions follow SemVer 2.0.0. For a model that means:

* major: analytes or units changed;
* minor: trained anew; above every minor of its major;
* patch: only words changed: preprocessing and every number as in the version before it, and one
  above that.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from calib.artifact import reading, writing
from calib.artifact.schemas import parse_manifest
from calib.artifact.sealed import MANIFEST, REQUIRED
from calib.artifact.store import frozen, manifest_of, models_folder, numbers, parse_reference
from calib.errors import ArtifactError, UsageError

WORDS = (
    "schema", "name", "version", "created", "files", "library", "seed", "code_version", "python",
    "packages",
)  # fmt: skip
"""Keys of a manifest in which a patch may differ from the version before it."""


def freeze(model_folder: Path, reference: str, card: str) -> Path:
    """Freeze a trained model under a name and version.

    Parameters
    ----------
    model_folder : Path
        The ``model`` folder of a run.
    reference : str
        ``NAME@VERSION``.
    card : str
        HTML of the report.

    Returns
    -------
    Path
        The frozen folder.

    Raises
    ------
    UsageError
        If the reference is not valid, the version exists, or its number does not fit the versions
        that exist.
    ArtifactError
        If the run lacks a file of its model.
    """
    name, version = parse_reference(reference)
    target = models_folder() / name / version
    if os.path.lexists(target):
        raise UsageError(f"{target}: {reference} is frozen already; a version is never overwritten")
    where = model_folder / MANIFEST
    manifest = parse_manifest(reading.read_file(where), str(where))
    files = {file: reading.read_file(model_folder / file) for file in REQUIRED}
    files["card.html"] = card.encode()
    digests = {file: hashlib.sha256(files[file]).hexdigest() for file in sorted(files)}
    _check_version(manifest, digests, name, version)
    sealed = {
        "schema": manifest["schema"],
        "name": name,
        "version": version,
        "created": datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"),
        **manifest,
        "files": digests,
    }
    text = json.dumps(sealed, indent=1, ensure_ascii=False, allow_nan=False)
    files[MANIFEST] = text.encode() + b"\n"
    target.parent.mkdir(parents=True, exist_ok=True)
    writing.sweep(target.parent)
    partial = writing.partial_of(target)
    shutil.rmtree(partial, ignore_errors=True)
    partial.mkdir()
    lock = writing.lock(partial)
    try:
        for file, data in files.items():
            (partial / file).write_bytes(data)
            writing.sync(partial / file)
        writing.sync(partial)
        os.rename(partial, target)  # fails where another freeze was faster
        writing.sync(target.parent)
    finally:
        shutil.rmtree(partial, ignore_errors=True)
        if lock is not None:
            os.close(lock)
    return target


def _check_version(
    manifest: Mapping[str, Any], digests: Mapping[str, str], name: str, version: str
) -> None:
    """Refuse a version whose number does not fit those that exist."""
    major, minor, patch = numbers(version)
    same = [other for known, other in frozen() if known == name and numbers(other)[0] == major]
    for other in same:
        before, now = _meaning(manifest_of(name, other)), _meaning(manifest)
        if before != now:
            raise UsageError(
                f"model {name}@{version}: analytes or units differ from {name}@{other} "
                f"({_words(before)} then, {_words(now)} now); raise the major version"
            )
    if patch == 0:
        above = [other for other in same if numbers(other)[1] >= minor]
        if above:
            raise UsageError(
                f"model {name}@{version}: {name}@{above[-1]} is there already; a model trained "
                f"anew is {name}@{major}.{numbers(above[-1])[1] + 1}.0"
            )
        return
    line = [other for other in same if numbers(other)[1] == minor]
    if not line or numbers(line[-1])[2] != patch - 1:
        found = f"{name}@{line[-1]} is the last" if line else "there is none"
        raise UsageError(
            f"model {name}@{version}: a patch follows {name}@{major}.{minor}.{patch - 1}, {found}"
        )
    before_it = manifest_of(name, line[-1])
    different = _differences(before_it, manifest, digests)
    if different:
        raise UsageError(
            f"model {name}@{version}: {different} differs from {name}@{line[-1]}, and a patch "
            "changes words only; raise the minor version"
        )


def _differences(
    before: Mapping[str, Any], now: Mapping[str, Any], digests: Mapping[str, str]
) -> str | None:
    """Name what differs of all that a prediction depends on."""
    for file in REQUIRED:
        if before["files"].get(file) != digests[file]:
            return file
    for key in sorted((set(before) | set(now)) - set(WORDS)):
        if before.get(key) != now.get(key):
            return f"manifest key {key!r}"
    return None


def _meaning(manifest: Mapping[str, Any]) -> dict[str, str]:
    try:
        return {analyte: entry["unit"] for analyte, entry in manifest["analytes"].items()}
    except (KeyError, TypeError, AttributeError) as error:
        raise ArtifactError(f"{MANIFEST}: analytes: lack {error}") from None


def _words(meaning: Mapping[str, str]) -> str:
    return ", ".join(f"{analyte} in {unit}" for analyte, unit in meaning.items())

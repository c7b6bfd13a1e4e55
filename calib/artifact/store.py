"""Where frozen models live: names and versions, freezing, finding, loading.

    DIR/NAME/VERSION/manifest.json, arrays.safetensors, golden.safetensors, card.html

DIR is ``experiments/models`` of the working directory, or ``$CALIB_MODELS``. A version is written
to a hidden folder beside its own, synced, and renamed: it is there whole, or not at all, and is
never overwritten.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import shutil
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from calib.artifact.runtime import Model, read_manifest
from calib.errors import ArtifactError, UsageError

NAME = re.compile(r"[a-z0-9][a-z0-9_-]{0,63}")
VERSION = re.compile(r"(0|[1-9]\d{0,5})\.(0|[1-9]\d{0,5})\.(0|[1-9]\d{0,5})")
"""Versions follow SemVer 2.0.0, three numbers, no pre-release."""

REQUIRED = ("arrays.safetensors", "golden.safetensors")


def models_folder() -> Path:
    """Return the folder of frozen models."""
    return Path(os.environ.get("CALIB_MODELS") or Path("experiments") / "models")


def parse_reference(reference: str) -> tuple[str, str]:
    """Split ``NAME@VERSION`` and check both.

    Raises
    ------
    UsageError
        If either is not valid.
    """
    name, mark, version = reference.partition("@")
    if not mark or not NAME.fullmatch(name):
        raise UsageError(
            f"model {reference!r}: need NAME@VERSION as majors@1.0.0, the name of small letters, "
            "digits, - and _"
        )
    if not VERSION.fullmatch(version):
        raise UsageError(
            f"model {reference!r}: version is {version!r}, need three numbers as 1.0.0"
        )
    return name, version


def find(reference: str) -> Path:
    """Return the folder of ``NAME@VERSION``, or of a path to one.

    Raises
    ------
    UsageError
        If the reference is not valid.
    ArtifactError
        If there is no such model; the message says which versions there are.
    """
    as_path = Path(reference)
    if (as_path / "manifest.json").is_file():
        return as_path
    name, version = parse_reference(reference)
    folder = models_folder() / name / version
    if not folder.is_dir():
        known = ", ".join(f"{n}@{v}" for n, v in frozen()) or "none"
        raise ArtifactError(
            f"{folder}: no frozen model {reference}; there are: {known} "
            "(CALIB_MODELS sets the folder)"
        )
    return folder


def frozen() -> list[tuple[str, str]]:
    """List (name, version) of every frozen model, versions in order."""
    found = [
        (path.parent.parent.name, path.parent.name)
        for path in models_folder().glob("*/*/manifest.json")
        if NAME.fullmatch(path.parent.parent.name) and VERSION.fullmatch(path.parent.name)
    ]
    return sorted(found, key=lambda each: (each[0], _numbers(each[1])))


def _numbers(version: str) -> tuple[int, ...]:
    return tuple(int(part) for part in version.split("."))


def sha256(path: Path) -> str:
    """SHA-256 of a file, in hexadecimal."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def check_files(folder: Path) -> dict[str, Any]:
    """Compare every file's hash with the manifest's and return the manifest.

    Raises
    ------
    ArtifactError
        If a file is missing, changed, or not listed.
    """
    manifest = read_manifest(folder)
    listed = manifest.get("files")
    if not isinstance(listed, dict) or not set(REQUIRED) <= set(listed):
        raise ArtifactError(
            f"{folder / 'manifest.json'}: key 'files' is missing, need a frozen model"
        )
    for name, expected in listed.items():
        path = folder / name
        plain = Path(name).name == name and isinstance(expected, str)
        if not plain or path.is_symlink() or not path.is_file():
            raise ArtifactError(f"{path}: listed in the manifest, need a plain file of the model")
        found = sha256(path)
        if found != expected:
            raise ArtifactError(
                f"{path}: SHA-256 is {found[:12]}…, the manifest says {expected[:12]}…"
            )
    extra = {path.name for path in folder.iterdir()} - set(listed) - {"manifest.json", "signature"}
    if extra:
        raise ArtifactError(f"{folder / min(extra)}: not listed in the manifest")
    return manifest


def load(reference: str | os.PathLike[str]) -> Model:
    """Load a frozen model.

    Parameters
    ----------
    reference : str or path
        ``NAME@VERSION``, looked up in ``$CALIB_MODELS`` or ``experiments/models``; or a folder.

    Returns
    -------
    Model

    Raises
    ------
    UsageError
        If the reference is not valid.
    ArtifactError
        If there is no such model, or a file of it is missing or changed.

    Examples
    --------
    >>> import calib
    >>> calib.load("majors@1.0.0").analytes  # doctest: +SKIP
    ('SiO2', 'TiO2', 'Al2O3', 'FeOT', 'MgO', 'CaO', 'Na2O', 'K2O')
    """
    folder = find(os.fspath(reference))
    check_files(folder)
    return Model.open(folder)


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
        If the reference is not valid, the version exists, or an earlier version of the same major
        number has other analytes or units.
    """
    name, version = parse_reference(reference)
    target = models_folder() / name / version
    if target.exists():
        raise UsageError(f"{target}: {reference} is frozen already; a version is never overwritten")
    manifest = read_manifest(model_folder)
    for file in REQUIRED:
        if not (model_folder / file).is_file():
            raise ArtifactError(f"{model_folder / file}: not found, need a whole run")
    _check_successor(manifest, name, version)
    partial = target.with_name(f".{version}.partial-{os.getpid()}")
    shutil.rmtree(partial, ignore_errors=True)
    partial.mkdir(parents=True)
    try:
        for file in REQUIRED:
            shutil.copyfile(model_folder / file, partial / file)
        (partial / "card.html").write_text(card, encoding="utf-8")
        sealed = {
            "schema": manifest["schema"],
            "name": name,
            "version": version,
            "created": datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"),
            **manifest,
            "files": {path.name: sha256(path) for path in sorted(partial.iterdir())},
        }
        text = json.dumps(sealed, indent=1, ensure_ascii=False, allow_nan=False)
        (partial / "manifest.json").write_text(text + "\n", encoding="utf-8")
        for path in [*partial.iterdir(), partial]:
            _sync(path)
        os.rename(partial, target)
        _sync(target.parent)
    finally:
        shutil.rmtree(partial, ignore_errors=True)
    return target


def _check_successor(manifest: Mapping[str, Any], name: str, version: str) -> None:
    """Refuse other analytes or units without a new major number."""
    major = _numbers(version)[0]
    for other_name, other in frozen():
        if other_name != name or _numbers(other)[0] != major:
            continue
        before = _meaning(read_manifest(models_folder() / name / other))
        now = _meaning(manifest)
        if before != now:
            raise UsageError(
                f"model {name}@{version}: analytes or units differ from {name}@{other} "
                f"({_words(before)} then, {_words(now)} now); raise the major version"
            )


def _meaning(manifest: Mapping[str, Any]) -> dict[str, str]:
    return {analyte: entry["unit"] for analyte, entry in manifest["analytes"].items()}


def _words(meaning: Mapping[str, str]) -> str:
    return ", ".join(f"{analyte} in {unit}" for analyte, unit in meaning.items())


def _sync(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)

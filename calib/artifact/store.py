"""Where frozen models live: names and versions, finding, loading, signing, exporting.

    DIR/NAME/VERSION/manifest.json, arrays.safetensors, golden.safetensors, card.html, signature

DIR is ``experiments/models`` of the working directory, or ``$CALIB_MODELS``. How a version comes to
be there is in `calib.artifact.sealing`.
"""

from __future__ import annotations

import os
import re
from pathlib import Path
from typing import Any

from calib.artifact import reading, writing
from calib.artifact.runtime import Model
from calib.artifact.schemas import parse_manifest
from calib.artifact.sealed import MANIFEST, SIGNATURE, SUFFIX, Sealed, unseal
from calib.errors import ArtifactError, UsageError

NAME = re.compile(r"[a-z0-9][a-z0-9_-]{0,63}")
VERSION = re.compile(r"(0|[1-9]\d{0,5})\.(0|[1-9]\d{0,5})\.(0|[1-9]\d{0,5})", re.ASCII)
"""Versions follow SemVer 2.0.0, three numbers, no pre-release."""

NEWEST = re.compile(r"\^(0|[1-9]\d{0,5})", re.ASCII)
"""``^1``: the highest version 1.x.y."""


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
    name, version = _split(reference)
    if not VERSION.fullmatch(version):
        raise UsageError(
            f"model {reference!r}: version is {version!r}, need three numbers as 1.0.0"
        )
    return name, version


def _split(reference: str) -> tuple[str, str]:
    name, mark, version = reference.partition("@")
    if not mark or not NAME.fullmatch(name):
        known = [v for n, v in frozen() if n == name]
        have = f"; {name} has {', '.join(known)}" if known else ""
        raise UsageError(
            f"model {reference!r}: need NAME@VERSION as majors@1.0.0 or majors@^1, the name of "
            f"small letters, digits, - and _{have}"
        )
    return name, version


def find(reference: str) -> Path:
    """Return the folder of ``NAME@VERSION`` or ``NAME@^MAJOR``, or a path to a frozen model.

    Raises
    ------
    UsageError
        If the reference is not valid.
    ArtifactError
        If there is no such model; the message says which versions there are.
    """
    if _is_path(reference):
        return Path(reference)
    name, version = _split(reference)
    major = NEWEST.fullmatch(version)
    if major:
        fitting = [v for n, v in frozen() if n == name and v.partition(".")[0] == major[1]]
        version = fitting[-1] if fitting else version
    else:
        parse_reference(reference)
    folder = models_folder() / name / version
    if not folder.is_dir():
        known = ", ".join(f"{n}@{v}" for n, v in frozen()) or "none"
        raise ArtifactError(
            f"{folder}: no frozen model {reference}; there are: {known} "
            "(CALIB_MODELS sets the folder)"
        )
    return folder


def _is_path(reference: str) -> bool:
    path = Path(reference)
    return path.name.endswith(SUFFIX) or (path / MANIFEST).is_file()


def frozen() -> list[tuple[str, str]]:
    """List (name, version) of every frozen model, versions in order."""
    found = [
        (path.parent.parent.name, path.parent.name)
        for path in models_folder().glob(f"*/*/{MANIFEST}")
        if NAME.fullmatch(path.parent.parent.name) and VERSION.fullmatch(path.parent.name)
    ]
    return sorted(found, key=lambda each: (each[0], numbers(each[1])))


def manifest_of(name: str, version: str) -> dict[str, Any]:
    """Read the manifest of a frozen version, its files unchecked.

    Raises
    ------
    ArtifactError
        If it cannot be read.
    """
    path = models_folder() / name / version / MANIFEST
    return parse_manifest(reading.read_file(path), str(path))


def numbers(version: str) -> tuple[int, int, int]:
    """Return the three numbers of a version."""
    major, minor, patch = (int(part) for part in version.split("."))
    return major, minor, patch


def open_sealed(reference: str, *, trust: str | os.PathLike[str] | None = None) -> Sealed:
    """Read and check the files of a frozen model.

    Parameters
    ----------
    reference : str
        As `find` takes it.
    trust : path, optional
        Public key that must have signed it.

    Raises
    ------
    UsageError
        If the reference is not valid.
    ArtifactError
        If there is no such model, a file of it does not hold, or it says that it is another one.
    """
    path = find(reference)
    sealed = unseal(path, trust=trust)
    named = f"{sealed.manifest.get('name')}@{sealed.manifest.get('version')}"
    if not _is_path(reference) and named != f"{path.parent.name}@{path.name}":
        raise ArtifactError(
            f"{path / MANIFEST}: says it is {named!r:.80}, need {path.parent.name}@{path.name}"
        )
    return sealed


def load(
    reference: str | os.PathLike[str], *, trust: str | os.PathLike[str] | None = None
) -> Model:
    """Load a frozen model.

    Parameters
    ----------
    reference : str or path
        ``NAME@VERSION`` or ``NAME@^MAJOR`` (the highest of that major number), looked up in
        ``$CALIB_MODELS`` or ``experiments/models``; or a folder or a file of ``calib export``.
    trust : path, optional
        Public key (PEM). The model must be signed with its private half; without `trust` a
        signature is not looked at.

    Returns
    -------
    Model

    Raises
    ------
    UsageError
        If the reference is not valid.
    ArtifactError
        If there is no such model, a file of it is missing or changed, or the signature does not
        hold.

    Examples
    --------
    >>> import calib
    >>> calib.load("majors@1.0.0").analytes  # doctest: +SKIP
    ('SiO2', 'TiO2', 'Al2O3', 'FeOT', 'MgO', 'CaO', 'Na2O', 'K2O')
    """
    return model_of(open_sealed(os.fspath(reference), trust=trust))


def model_of(sealed: Sealed) -> Model:
    """Make the model of checked files.

    Raises
    ------
    ArtifactError
        If they are no model.
    """
    return Model.of(sealed.manifest, sealed.files["arrays.safetensors"], sealed.path)


def sign(reference: str, key: str | os.PathLike[str]) -> Path:
    """Sign a frozen model: its ``signature`` is written whole or not at all.

    Parameters
    ----------
    reference : str
        As `find` takes it; a folder, as an exported file is complete.
    key : path
        Private key (PEM).

    Returns
    -------
    Path
        Of the signature.

    Raises
    ------
    UsageError
        If it is signed already, or an exported file.
    ArtifactError
        If the model's files do not hold, or the key is none.
    """
    from calib.artifact import trust

    sealed = open_sealed(reference)
    if sealed.path.is_file():
        raise UsageError(f"{sealed.path}: is an exported file; sign the model, then export it")
    if SIGNATURE in sealed.files:
        raise UsageError(
            f"{sealed.path / SIGNATURE}: is there already; remove it to sign with another key"
        )
    target = sealed.path / SIGNATURE
    writing.write_file(target, trust.sign(sealed.files[MANIFEST], key), beside=sealed.path)
    return target


def export(reference: str, folder: Path) -> Path:
    """Write a frozen model into one file, ``NAME-VERSION.calib.zip``, for transport.

    The same model gives the same bytes, always: files in order, stored, of no date.

    Parameters
    ----------
    reference : str
        As `find` takes it.
    folder : Path
        Where to write.

    Returns
    -------
    Path

    Raises
    ------
    UsageError
        If the file exists or the folder does not.
    ArtifactError
        If the model's files do not hold.
    """
    import io
    import zipfile

    sealed = open_sealed(reference)
    model_of(sealed)  # what cannot be loaded is not sent
    target = new_file(folder, f"{sealed.manifest['name']}-{sealed.manifest['version']}{SUFFIX}")
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_STORED, allowZip64=False) as archive:
        for name in sorted(sealed.files, key=lambda each: (each != MANIFEST, each)):
            member = zipfile.ZipInfo(name, (1980, 1, 1, 0, 0, 0))
            member.create_system = 3  # Unix, whatever this is
            member.external_attr = 0o100644 << 16
            archive.writestr(member, sealed.files[name])
    writing.write_file(target, packed.getvalue())
    return target


def new_file(folder: Path, name: str) -> Path:
    """Return the path of a file to write.

    Raises
    ------
    UsageError
        If it exists or the folder does not.
    """
    target = folder / name
    if not folder.is_dir():
        raise UsageError(f"{folder}: no such folder")
    if os.path.lexists(target):
        raise UsageError(f"{target}: exists already; remove it or give another folder")
    return target

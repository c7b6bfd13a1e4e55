"""What a frozen model holds: read once, from a folder or one exported file, and checked.

The bytes that are hashed are the bytes that are used: no file is opened twice.
"""

from __future__ import annotations

import hashlib
import io
import os
import stat
import struct
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from calib.artifact import reading
from calib.artifact.schemas import check_frozen, parse_manifest
from calib.errors import ArtifactError

MANIFEST = "manifest.json"
SIGNATURE = "signature"

REQUIRED = ("arrays.safetensors", "golden.safetensors")
"""Files of a trained model that are frozen with it."""

LISTED = (*REQUIRED, "card.html")
"""Files that every frozen model lists."""

MEMBERS = 16
"""Most files in a frozen model."""

SUFFIX = ".calib.zip"
"""Ending of an exported model's file name."""


@dataclass(frozen=True)
class Folder:
    """A frozen model's folder."""

    path: Path

    def names(self) -> list[str]:
        """List what is in it.

        Raises
        ------
        ArtifactError
            If it is a link or cannot be read.
        """
        if self.path.is_symlink():
            raise ArtifactError(f"{self.path}: is a link, need the model's own folder")
        try:
            return sorted(os.listdir(self.path))
        except OSError as error:
            raise ArtifactError(f"{self.path}: {error.strerror}") from None

    def read(self, name: str) -> bytes:
        """Read a plain file of it."""
        return reading.read_file(self.path / name)


class Archive:
    """An exported model: a ZIP file of plain, uncompressed files.

    Nothing is unpacked to disk, and as nothing is compressed, nothing can swell.

    Raises
    ------
    ArtifactError
        If it is no such file: too many members, compressed or encrypted ones, links, paths, names
        twice or different in case only.
    """

    def __init__(self, path: Path) -> None:
        import zipfile

        self.path = path
        data = reading.read_file(path)
        self._check_end(data)
        try:
            self._zip = zipfile.ZipFile(io.BytesIO(data))
            members = self._zip.infolist()
        except (
            zipfile.BadZipFile,
            ValueError,
            struct.error,
            OSError,
            NotImplementedError,
        ) as error:
            raise ArtifactError(f"{path}: not a ZIP file: {error}") from None
        reading.check_names([member.filename for member in members], str(path))
        self._members = {member.filename: member for member in members}
        if len(self._members) < len(members):
            raise ArtifactError(f"{path}: a file stands twice")
        for member in members:
            kind = stat.S_IFMT(member.external_attr >> 16)
            if kind not in (0, stat.S_IFREG):
                raise ArtifactError(f"{path}: file {member.filename!r} is a link or no plain file")
            stored = member.compress_type == zipfile.ZIP_STORED
            if not stored or member.flag_bits & 1 or member.file_size != member.compress_size:
                raise ArtifactError(
                    f"{path}: file {member.filename!r} is compressed or encrypted, need it stored"
                )
        total = sum(member.file_size for member in members)
        if total > len(data):
            raise ArtifactError(f"{path}: files of {total} bytes overlap in {len(data)}")

    def _check_end(self, data: bytes) -> None:
        """Check the record at the end, before the directory that it tells of is read.

        APPNOTE.TXT of the ZIP format, section 4.3.16.
        """
        end = data[-22:]
        if len(end) < 22 or end[:4] != b"PK\5\6":
            raise ArtifactError(f"{self.path}: not a ZIP file as 'calib export' writes it")
        here, total, size = struct.unpack("<HHI", end[8:16])
        if here != total or total > MEMBERS or size > MEMBERS * 1024:
            raise ArtifactError(f"{self.path}: found {total} files, need at most {MEMBERS}")

    def names(self) -> list[str]:
        """List the files."""
        return sorted(self._members)

    def read(self, name: str) -> bytes:
        """Read one whole.

        Raises
        ------
        ArtifactError
            If it is not there, or its checksum differs.
        """
        import zipfile

        if name not in self._members:
            raise ArtifactError(f"{self.path}: file {name!r} not found, need a frozen model")
        try:
            return self._zip.read(self._members[name])
        except (
            zipfile.BadZipFile, ValueError, struct.error, OSError, EOFError, RuntimeError,
        ) as error:  # fmt: skip
            raise ArtifactError(f"{self.path}: file {name!r}: {error}") from None


@dataclass(frozen=True)
class Sealed:
    """A frozen model whose files are as its manifest says.

    Attributes
    ----------
    path : Path
        Folder or exported file.
    manifest : mapping
        As it stands in the file, of whatever schema.
    files : mapping of str to bytes
        Every file, ``manifest.json`` and ``signature`` included.
    """

    path: Path
    manifest: Mapping[str, Any]
    files: Mapping[str, bytes]


def unseal(path: Path, *, trust: str | os.PathLike[str] | None = None) -> Sealed:
    """Read a frozen model, verify its signature if told to, and every file's hash.

    Parameters
    ----------
    path : Path
        A folder, or a file of ``calib export``.
    trust : path, optional
        Public key; the manifest must be signed with its private half.

    Raises
    ------
    ArtifactError
        If a file is missing, changed, a link, or not listed, the schema is unknown, or the
        signature does not hold.
    """
    source = Archive(path) if path.is_file() else Folder(path)
    names = source.names()
    text = source.read(MANIFEST)
    files = {MANIFEST: text}
    if SIGNATURE in names:
        files[SIGNATURE] = source.read(SIGNATURE)
    if trust is not None:
        from calib.artifact.trust import verify

        if SIGNATURE not in files:
            raise ArtifactError(f"{path}: is not signed, need a signature of {os.fspath(trust)}")
        verify(text, files[SIGNATURE], trust, str(path))
    manifest = parse_manifest(text, str(path / MANIFEST))
    listed = manifest.get("files")
    if not isinstance(listed, dict) or not set(LISTED) <= set(listed):
        raise ArtifactError(f"{path / MANIFEST}: key 'files' is missing, need a frozen model")
    reading.check_names([*listed, MANIFEST, SIGNATURE], str(path / MANIFEST))
    if len(listed) > MEMBERS:
        raise ArtifactError(f"{path / MANIFEST}: lists {len(listed)} files, need at most {MEMBERS}")
    extra = set(names) - set(listed) - {MANIFEST, SIGNATURE}
    if extra:
        raise ArtifactError(f"{path / min(extra)}: not listed in the manifest")
    for name, expected in listed.items():
        if not isinstance(expected, str) or name in (MANIFEST, SIGNATURE):
            raise ArtifactError(f"{path / MANIFEST}: file {name!r} has no SHA-256 of its own")
        files[name] = source.read(name)
        found = hashlib.sha256(files[name]).hexdigest()
        if found != expected:
            raise ArtifactError(
                f"{path / name}: SHA-256 is {found[:12]}…, the manifest says {expected[:12]:.12}…"
            )
    check_frozen(manifest, str(path / MANIFEST))
    return Sealed(path, manifest, files)

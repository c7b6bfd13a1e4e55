"""Signatures: Ed25519 (RFC 8032) over the exact bytes of a manifest, which holds every file's hash.

    signature   {"schema": 1, "algorithm": "Ed25519", "key": SHA-256 of the public key,
                 "signature": base64}

Keys are PEM files: PKCS #8 for the private one, SubjectPublicKeyInfo for the public one (RFC 8410).
The arithmetic is the package cryptography's, imported only when a signature is made or checked.
"""

from __future__ import annotations

import base64
import hashlib
import json
import os
from pathlib import Path
from typing import TYPE_CHECKING

from calib.artifact import reading
from calib.errors import ArtifactError, UsageError

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import (
        Ed25519PrivateKey,
        Ed25519PublicKey,
    )

SCHEMA = 1
"""Version of the signature file."""

KEY_BYTES = 1 << 16

Name = str | os.PathLike[str]


def make_key(path: Path) -> Path:
    """Make a key pair: the private key in `path`, the public one beside it, ``.pub``.

    Returns
    -------
    Path
        Of the public key.

    Raises
    ------
    UsageError
        If either file exists, or the folder does not.
    """
    _need_cryptography()
    from cryptography.hazmat.primitives import serialization as form
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    public = path.with_name(path.name + ".pub")
    for each in (path, public):
        if os.path.lexists(each):
            raise UsageError(f"{each}: exists already; a key is never overwritten")
    if not path.parent.is_dir():
        raise UsageError(f"{path.parent}: no such folder")
    key = Ed25519PrivateKey.generate()
    secret = key.private_bytes(form.Encoding.PEM, form.PrivateFormat.PKCS8, form.NoEncryption())
    shown = key.public_key().public_bytes(form.Encoding.PEM, form.PublicFormat.SubjectPublicKeyInfo)
    for each, text, mode in ((path, secret, 0o600), (public, shown, 0o644)):
        with open(os.open(each, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode), "wb") as file:
            file.write(text)
    return public


def sign(manifest: bytes, key_file: Name) -> bytes:
    """Return the signature file for the bytes of a manifest.

    Raises
    ------
    ArtifactError
        If the key cannot be read or is no private Ed25519 key.
    """
    key = _private(key_file)
    signature = {
        "schema": SCHEMA,
        "algorithm": "Ed25519",
        "key": fingerprint(key.public_key()),
        "signature": base64.b64encode(key.sign(manifest)).decode(),
    }
    return (json.dumps(signature, indent=1) + "\n").encode()


def verify(manifest: bytes, signature: bytes, key_file: Name, where: str) -> None:
    """Check a signature over the bytes of a manifest.

    Parameters
    ----------
    manifest, signature : bytes
        Contents of ``manifest.json`` and ``signature``.
    key_file : path
        Public key.
    where : str
        What errors call the model.

    Raises
    ------
    ArtifactError
        If it does not hold.
    """
    key = public_key(key_file)
    from cryptography.exceptions import InvalidSignature

    held = reading.parse_json(signature, f"{where}: signature", KEY_BYTES)
    if held.get("schema") != SCHEMA or held.get("algorithm") != "Ed25519":
        raise ArtifactError(f"{where}: signature: need schema {SCHEMA} and algorithm Ed25519")
    made_with, asked = str(held.get("key")), fingerprint(key)
    if made_with != asked:
        raise ArtifactError(
            f"{where}: signed with key {made_with[:12]}…, {os.fspath(key_file)} is {asked[:12]}…"
        )
    try:
        key.verify(base64.b64decode(str(held.get("signature")), validate=True), manifest)
    except (InvalidSignature, ValueError):
        raise ArtifactError(
            f"{where}: the signature is not of this manifest: do not trust the model"
        ) from None


def fingerprint(key: Ed25519PublicKey) -> str:
    """SHA-256 of the 32 bytes of a public key, in hexadecimal."""
    return hashlib.sha256(key.public_bytes_raw()).hexdigest()


def public_key(file: Name) -> Ed25519PublicKey:
    """Read a public key.

    Raises
    ------
    ArtifactError
        If it cannot be read or is no public Ed25519 key.
    """
    _need_cryptography()
    from cryptography.exceptions import UnsupportedAlgorithm
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
    from cryptography.hazmat.primitives.serialization import load_pem_public_key

    text = _key_text(file)
    try:
        key = load_pem_public_key(text)
    except (ValueError, UnsupportedAlgorithm):
        key = None
    if not isinstance(key, Ed25519PublicKey):
        raise ArtifactError(f"{os.fspath(file)}: need a public Ed25519 key in PEM")
    return key


def _private(file: Name) -> Ed25519PrivateKey:
    _need_cryptography()
    from cryptography.exceptions import UnsupportedAlgorithm
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
    from cryptography.hazmat.primitives.serialization import load_pem_private_key

    text = _key_text(file)
    try:
        key = load_pem_private_key(text, password=None)
    except (ValueError, TypeError, UnsupportedAlgorithm):
        key = None
    if not isinstance(key, Ed25519PrivateKey):
        raise ArtifactError(
            f"{os.fspath(file)}: need a private Ed25519 key in PEM without a password; "
            "'calib sign --new-key FILE' makes one"
        )
    return key


def _key_text(file: Name) -> bytes:
    """Read a key file; it may be a link, as secrets in CI often are."""
    path = Path(file)
    if not path.is_file():
        raise ArtifactError(f"{path}: not found, need a key file")
    return reading.read_file(path.resolve(), KEY_BYTES)


def _need_cryptography() -> None:
    try:
        import cryptography  # noqa: F401
    except ImportError:
        raise ArtifactError(
            "signatures need the package cryptography: pip install 'calib-workbench[trust]'"
        ) from None

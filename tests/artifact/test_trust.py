"""Signatures, against RFC 8032, and what must not be believed."""

from __future__ import annotations

import base64
import json
import sys

import pytest
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

import calib
from calib.artifact import check, store, trust
from calib.errors import ArtifactError, UsageError
from tests.artifact.conftest import reseal

# RFC 8032, section 7.1, tests 1 to 3: secret key, public key, message, signature
VECTORS = [
    (
        "9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60",
        "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a",
        "",
        "e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e065224901555fb8821590a33bac"
        "c61e39701cf9b46bd25bf5f0595bbe24655141438e7a100b",
    ),
    (
        "4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb",
        "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c",
        "72",
        "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da085ac1e43e15996e"
        "458f3613d0f11d8c387b2eaeb4302aeeb00d291612bb0c00",
    ),
    (
        "c5aa8df43f9f837bedb7442f31dcb7b166d38535076f094b85ce3a2e0b4458f7",
        "fc51cd8e6218a1a38da47ed00230f0580816ed13ba3303ac5deb911548908025",
        "af82",
        "6291d657deec24024827e69c3abe01a30ce548a284743a445e3680d7db5ac3ac18ff9b538d16f290"
        "ae67f760984dc6594a7c15e9716ed28dc027beceea1ec40a",
    ),
]


def pem(key: object) -> bytes:
    if hasattr(key, "private_bytes"):
        return key.private_bytes(
            serialization.Encoding.PEM,
            serialization.PrivateFormat.PKCS8,
            serialization.NoEncryption(),
        )
    return key.public_bytes(
        serialization.Encoding.PEM, serialization.PublicFormat.SubjectPublicKeyInfo
    )


@pytest.mark.parametrize(("secret", "public", "message", "signature"), VECTORS)
def test_signatures_are_those_of_rfc_8032(tmp_path, secret, public, message, signature):
    key = Ed25519PrivateKey.from_private_bytes(bytes.fromhex(secret))
    assert key.public_key().public_bytes_raw().hex() == public
    (tmp_path / "key").write_bytes(pem(key))
    (tmp_path / "key.pub").write_bytes(pem(key.public_key()))
    text = bytes.fromhex(message)
    made = trust.sign(text, tmp_path / "key")
    assert base64.b64decode(json.loads(made)["signature"]).hex() == signature
    trust.verify(text, made, tmp_path / "key.pub", "m")
    with pytest.raises(ArtifactError, match="not of this manifest"):
        trust.verify(text + b"x", made, tmp_path / "key.pub", "m")


@pytest.fixture
def keys(tmp_path):
    trust.make_key(tmp_path / "lab.key")
    trust.make_key(tmp_path / "other.key")
    return tmp_path


def test_keys_are_made_once_and_the_private_one_is_private(keys):
    assert (keys / "lab.key").stat().st_mode & 0o777 == 0o600
    with pytest.raises(UsageError, match="never overwritten"):
        trust.make_key(keys / "lab.key")
    with pytest.raises(UsageError, match="no such folder"):
        trust.make_key(keys / "none" / "lab.key")


def test_a_signed_model_is_trusted_by_its_key_alone(small, keys):
    with pytest.raises(ArtifactError, match="is not signed"):
        calib.load("small@1.0.0", trust=keys / "lab.key.pub")
    store.sign("small@1.0.0", keys / "lab.key")
    calib.load("small@1.0.0")
    calib.load("small@1.0.0", trust=keys / "lab.key.pub")
    with pytest.raises(ArtifactError, match="signed with key"):
        calib.load("small@1.0.0", trust=keys / "other.key.pub")
    with pytest.raises(UsageError, match="is there already"):
        store.sign("small@1.0.0", keys / "other.key")


def test_a_manifest_swapped_under_a_valid_signature_is_refused(small, keys):
    """A worse error is called small, every hash is made true again, the signature stays."""
    store.sign("small@1.0.0", keys / "lab.key")
    path = small / "manifest.json"
    manifest = json.loads(path.read_text())
    manifest["analytes"]["SiO2"]["rmsep"] = 0.001
    path.write_text(json.dumps(manifest))
    reseal(small)
    calib.load("small@1.0.0")  # hashes alone cannot tell
    with pytest.raises(ArtifactError, match="not of this manifest"):
        calib.load("small@1.0.0", trust=keys / "lab.key.pub")
    model, verdicts = check.check_artifact("small@1.0.0", trust=keys / "lab.key.pub")
    assert model is None
    assert [(v.name, v.passed) for v in verdicts] == [("files", True), ("signature", False)]


def test_the_check_asks_for_a_signature(small, keys):
    for signed in (False, True):
        if signed:
            store.sign("small@1.0.0", keys / "lab.key")
        _, verdicts = check.check_artifact("small@1.0.0", trust=keys / "lab.key.pub")
        assert verdicts[1].passed is signed


def test_a_damaged_model_is_not_signed(small, keys):
    (small / "card.html").write_text("other")
    with pytest.raises(ArtifactError, match="SHA-256"):
        store.sign("small@1.0.0", keys / "lab.key")
    assert not (small / "signature").exists()


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda s: b"", "not JSON"),
        (lambda s: b"x" * 100_000, "need at most"),
        (lambda s: s.replace(b"Ed25519", b"none"), "need schema 1 and algorithm Ed25519"),
        (lambda s: json.dumps(json.loads(s) | {"signature": "AAAA"}).encode(), "not of this"),
        (lambda s: json.dumps(json.loads(s) | {"signature": "?"}).encode(), "not of this"),
        (lambda s: json.dumps(json.loads(s) | {"signature": None}).encode(), "not of this"),
        (lambda s: json.dumps(json.loads(s) | {"key": None}).encode(), "signed with key"),
    ],
)
def test_damaged_signatures_are_refused(small, keys, change, message):
    path = store.sign("small@1.0.0", keys / "lab.key")
    path.write_bytes(change(path.read_bytes()))
    with pytest.raises(ArtifactError, match=message):
        calib.load("small@1.0.0", trust=keys / "lab.key.pub")


def test_keys_of_another_kind_are_refused(small, keys):
    other = ec.generate_private_key(ec.SECP256R1())
    (keys / "ec").write_bytes(pem(other))
    (keys / "ec.pub").write_bytes(pem(other.public_key()))
    (keys / "text").write_text("none")
    for name in ("ec", "text", "lab.key.pub"):
        with pytest.raises(ArtifactError, match="need a private Ed25519 key"):
            store.sign("small@1.0.0", keys / name)
    store.sign("small@1.0.0", keys / "lab.key")
    for name in ("ec.pub", "text", "lab.key"):
        with pytest.raises(ArtifactError, match="need a public Ed25519 key"):
            calib.load("small@1.0.0", trust=keys / name)
    with pytest.raises(ArtifactError, match="not found, need a key file"):
        calib.load("small@1.0.0", trust=keys / "none")


def test_without_cryptography_it_says_what_to_install(small, keys, monkeypatch):
    store.sign("small@1.0.0", keys / "lab.key")
    monkeypatch.setitem(sys.modules, "cryptography", None)
    calib.load("small@1.0.0")
    with pytest.raises(ArtifactError, match=r"pip install 'calib-workbench\[trust\]'"):
        calib.load("small@1.0.0", trust=keys / "lab.key.pub")

"""One file for transport, and files that only look like it."""

from __future__ import annotations

import io
import json
import os
import shutil
import stat
import struct
import subprocess
import sys
import zipfile
from pathlib import Path

import numpy as np
import pytest

import calib
from calib.artifact import check, store, trust
from calib.errors import ArtifactError, UsageError
from tests.conftest import small_axis


def test_an_exported_model_is_the_same_model(small, tmp_path):
    path = store.export("small@1.0.0", tmp_path)
    assert path.name == "small-1.0.0.calib.zip"
    spectra = np.random.default_rng(0).uniform(1, 2, (5, 180))
    found = calib.load(path).predict(spectra, small_axis())
    assert found.equals(calib.load("small@1.0.0").predict(spectra, small_axis()))
    _, verdicts = check.check_artifact(str(path))
    assert [v.passed for v in verdicts] == [True, True]
    with pytest.raises(UsageError, match="exists already"):
        store.export("small@1.0.0", tmp_path)
    with pytest.raises(UsageError, match="no such folder"):
        store.export("small@1.0.0", tmp_path / "none")
    with pytest.raises(UsageError, match="sign the model, then export"):
        store.sign(str(path), tmp_path / "key")


def test_the_same_model_gives_the_same_bytes(small, tmp_path):
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    first = store.export("small@1.0.0", tmp_path / "a").read_bytes()
    for path in small.iterdir():
        os.utime(path, (1e9, 1e9))
    assert store.export("small@1.0.0", tmp_path / "b").read_bytes() == first


def test_any_unzip_reads_it(small, tmp_path):
    path = store.export("small@1.0.0", tmp_path)
    subprocess.run(
        [sys.executable, "-m", "zipfile", "-e", path, tmp_path / "out"], check=True
    )  # the standard library's own
    assert {p.name: p.read_bytes() for p in (tmp_path / "out").iterdir()} == {
        p.name: p.read_bytes() for p in small.iterdir()
    }


def test_the_signature_travels_along(small, tmp_path):
    trust.make_key(tmp_path / "k")
    store.sign("small@1.0.0", tmp_path / "k")
    path = store.export("small@1.0.0", tmp_path)
    assert calib.load(path, trust=tmp_path / "k.pub").name == "small@1.0.0"
    trust.make_key(tmp_path / "other")
    with pytest.raises(ArtifactError, match="signed with key"):
        calib.load(path, trust=tmp_path / "other.pub")


def packed(small: Path, change=None, *, compress=zipfile.ZIP_STORED, extra=()) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", compress) as archive:
        for path in sorted(small.iterdir()):
            info = zipfile.ZipInfo(path.name)
            info.compress_type = compress
            if change:
                change(info)
            archive.writestr(info, path.read_bytes())
        for name, data in extra:
            archive.writestr(name, data)
    return out.getvalue()


def links(info: zipfile.ZipInfo) -> None:
    info.external_attr = (stat.S_IFLNK | 0o777) << 16


def swollen(small: Path) -> bytes:
    """Claim in the directory that a member is a terabyte long."""
    data = bytearray(packed(small))
    at = data.rindex(b"PK\1\2")
    struct.pack_into("<II", data, at + 20, 0xFFFFFFF0, 0xFFFFFFF0)
    return bytes(data)


HOSTILE = {
    "bomb": (
        lambda small: packed(
            small, compress=zipfile.ZIP_DEFLATED, extra=[("x", b"\0" * 50_000_000)]
        ),
        "compressed or encrypted",
    ),
    "traversal": (lambda small: packed(small, extra=[("../../x", b"")]), "no path"),
    "absolute": (lambda small: packed(small, extra=[("/tmp/x", b"")]), "no path"),
    "backslash": (lambda small: packed(small, extra=[("a\\x", b"")]), "no path"),
    "folder": (lambda small: packed(small, extra=[("a/", b"")]), "no path"),
    "link": (lambda small: packed(small, links), "is a link"),
    "case": (lambda small: packed(small, extra=[("Card.html", b"")]), "differ in case only"),
    "many": (
        lambda small: packed(small, extra=[(f"f{i}", b"") for i in range(20)]),
        "found 24 files, need at most 16",
    ),
    "unlisted": (lambda small: packed(small, extra=[("extra", b"")]), "extra: not listed"),
    "swollen": (swollen, "overlap|not a ZIP"),
    "comment": (lambda small: packed(small) + b"x", "not a ZIP file as 'calib export'"),
    "empty": (lambda small: b"", "not a ZIP file"),
    "cut": (lambda small: packed(small)[100:], "ZIP|zip|header|checksum|CRC|Bad"),
    "nothing": (lambda small: b"PK\5\6" + b"\0" * 18, "manifest.json' not found"),
}


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_archives_are_refused_with_no_effect(small, tmp_path, name):
    make, message = HOSTILE[name]
    path = tmp_path / "x.calib.zip"
    path.write_bytes(make(small))
    before = sorted(tmp_path.rglob("*"))
    with pytest.raises(ArtifactError, match=message):
        calib.load(path)
    assert sorted(tmp_path.rglob("*")) == before


@pytest.mark.filterwarnings("ignore:Duplicate name")
def test_a_name_twice_in_an_archive_is_refused(small, tmp_path):
    path = tmp_path / "x.calib.zip"
    path.write_bytes(packed(small, extra=[("card.html", b"other")]))
    with pytest.raises(ArtifactError, match="stands twice"):
        calib.load(path)


@pytest.mark.parametrize("name", ["manifest.json", "arrays.safetensors", "card.html", "signature"])
def test_links_in_a_folder_are_refused(small, tmp_path, name):
    moved = tmp_path / "elsewhere"
    if (small / name).exists():
        (small / name).rename(moved)
    else:
        moved.write_text("{}")
    (small / name).symlink_to(moved)
    with pytest.raises(ArtifactError, match="is a link"):
        calib.load("small@1.0.0")


def test_a_folder_that_is_a_link_is_refused(small, models):
    small.rename(models / "real")
    small.symlink_to(models / "real")
    for reference in ("small@1.0.0", str(small)):
        with pytest.raises(ArtifactError, match="is a link, need the model's own folder"):
            calib.load(reference)


@pytest.mark.parametrize("name", ["../card.html", "/etc/hostname", "a/b", "..", "", "CARD.html"])
def test_paths_in_a_manifest_are_refused(small, name):
    path = small / "manifest.json"
    manifest = json.loads(path.read_text())
    manifest["files"][name] = "0" * 64
    path.write_text(json.dumps(manifest))
    with pytest.raises(ArtifactError, match=r"no path|differ in case only"):
        calib.load("small@1.0.0")


@pytest.mark.parametrize(
    ("edit", "message"),
    [
        (lambda m: m.update(schema=99), "schema is 99, this calib reads"),
        (lambda m: m.update(schema="1"), "schema is '1'"),
        (lambda m: m.update(schema=True), "schema is True"),
        (lambda m: m.pop("schema"), "schema is None"),
        (lambda m: m.update(files=[]), "key 'files'"),
        (lambda m: m["files"].pop("card.html"), "key 'files'"),
        (lambda m: m["files"].update({"card.html": 1}), "no SHA-256 of its own"),
        (lambda m: m["files"].update({"manifest.json": "0"}), "no SHA-256 of its own"),
        (lambda m: m["files"].update({f"f{i}": "0" for i in range(20)}), "lists 23 files"),
    ],
)
def test_manifests_that_cannot_be_are_refused(small, edit, message):
    path = small / "manifest.json"
    manifest = json.loads(path.read_text())
    edit(manifest)
    path.write_text(json.dumps(manifest))
    with pytest.raises(ArtifactError, match=message):
        calib.load("small@1.0.0")


def test_every_file_must_be_there(small, tmp_path):
    for name in ("arrays.safetensors", "golden.safetensors", "card.html"):
        shutil.copytree(small, tmp_path / name)
        (tmp_path / name / name).unlink()
        with pytest.raises(ArtifactError, match=f"{name}: not found"):
            calib.load(tmp_path / name)

"""A frozen model to copy and spoil."""

from __future__ import annotations

import hashlib
import json
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from calib.artifact import sealing
from calib.artifact.store import find


@pytest.fixture
def models(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("CALIB_MODELS", str(tmp_path / "models"))
    return tmp_path / "models"


@pytest.fixture
def small(models: Path, trained: Path) -> Path:
    """Folder of small@1.0.0, frozen with a short card."""
    return sealing.freeze(trained / "model", "small@1.0.0", "<p>A card.</p>")


def reseal(folder: Path) -> None:
    """Make every hash of a manifest true again: what an attacker, or a mistake, would do."""
    path = folder / "manifest.json"
    manifest = json.loads(path.read_text())
    for name in manifest["files"]:
        manifest["files"][name] = hashlib.sha256((folder / name).read_bytes()).hexdigest()
    path.write_text(json.dumps(manifest))


@pytest.fixture
def changed_run(trained: Path, tmp_path: Path) -> Callable[..., Path]:
    """Copy a run's model folder and change its manifest."""

    def change(edit: Callable[[dict], object] = lambda manifest: None) -> Path:
        folder = tmp_path / "changed"
        shutil.rmtree(folder, ignore_errors=True)
        shutil.copytree(trained / "model", folder)
        path = folder / "manifest.json"
        manifest = json.loads(path.read_text())
        edit(manifest)
        path.write_text(json.dumps(manifest))
        return folder

    return change


@pytest.fixture
def spoil(small: Path) -> Callable[..., Path]:
    """Change a file of small@1.0.0, with the hashes made anew."""

    def change(name: str, edit: Callable[[bytes], bytes]) -> Path:
        path = find("small@1.0.0") / name
        path.write_bytes(edit(path.read_bytes()))
        if name != "manifest.json":
            reseal(small)
        return small

    return change

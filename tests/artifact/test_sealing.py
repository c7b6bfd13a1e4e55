"""Freezing: whole or not at all, never over another, with a version that says what changed."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from safetensors.numpy import load_file, save_file

import calib
from calib.artifact import sealing, store, writing
from calib.errors import UsageError

KILLER = """
import json, os, random, signal, sys, time
from pathlib import Path
from calib.artifact import sealing, store

model, moments = Path(sys.argv[1]), int(sys.argv[2])
card = "x" * 200_000
started = time.perf_counter()
sealing.freeze(model, "a@1.0.0", card)
whole = time.perf_counter() - started
rng, seen = random.Random(1), []
for i in range(moments):
    child = os.fork()
    if child == 0:
        if i == 0:
            os.kill(os.getpid(), signal.SIGKILL)  # before anything is done, however slow the killer
        sealing.freeze(model, f"a@1.{i + 1}.0", card)
        os._exit(0)
    if i == moments - 1:
        os.waitpid(child, 0)
    else:
        time.sleep(rng.uniform(0, 1.5 * whole))
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
    folder = store.models_folder() / "a" / f"1.{i + 1}.0"
    left = len(list(folder.parent.glob(".*.partial-*")))
    if folder.exists():
        store.open_sealed(f"a@1.{i + 1}.0")  # every file there, every hash true
    seen.append([folder.exists(), left])
print(json.dumps(seen))
"""


def test_a_kill_at_any_moment_leaves_the_old_state_or_the_new(models, trained):
    """Fifty freezes, each killed (SIGKILL) at a random moment, the last left to end."""
    done = subprocess.run(
        [sys.executable, "-c", KILLER, str(trained / "model"), "50"],
        capture_output=True, text=True, check=True, env=os.environ, cwd=Path(__file__).parents[2],
    )  # fmt: skip
    seen = json.loads(done.stdout)
    there = [exists for exists, _ in seen]
    assert there[-1]
    assert not there[0]
    assert [v for _, v in store.frozen()] == [
        "1.0.0", *(f"1.{i + 1}.0" for i, exists in enumerate(there) if exists)
    ]  # fmt: skip
    assert max(left for _, left in seen) <= 1  # the next freeze removes what the last one left
    assert seen[-1][1] == 0


def test_a_kill_between_any_two_steps_leaves_nothing_half(models, changed_run, monkeypatch):
    """Stop at each of the syncs and at the rename, as power would."""

    class Killed(BaseException):
        pass

    model = changed_run()
    calls = 0
    plain = os.fsync
    for stop in range(1, 8):
        calls = 0

        def counted(handle, stop=stop):
            nonlocal calls
            calls += 1
            if calls == stop:
                raise Killed
            plain(handle)

        monkeypatch.setattr(os, "fsync", counted)
        version = f"a@1.{stop}.0"
        try:
            sealing.freeze(model, version, "card")
        except Killed:
            whole = (models / "a" / f"1.{stop}.0").exists()
            assert whole == (stop == 6)  # four files, their folder, then the renamed one's
        else:
            assert stop == 7
        monkeypatch.setattr(os, "fsync", plain)
        if (models / "a" / f"1.{stop}.0").exists():
            store.open_sealed(version)


def test_what_a_living_writer_holds_is_not_swept(models, changed_run):
    models.joinpath("a").mkdir(parents=True)
    alive, dead = (models / "a" / f".1.0.{i}.partial-1" for i in range(2))
    alive.mkdir()
    dead.mkdir()
    code = "import sys, time, pathlib; from calib.artifact import writing\n"
    code += "writing.lock(pathlib.Path(sys.argv[1])); print(1, flush=True); time.sleep(60)"
    holder = subprocess.Popen(
        [sys.executable, "-c", code, str(alive)], stdout=subprocess.PIPE,
        cwd=Path(__file__).parents[2],
    )  # fmt: skip
    try:
        holder.stdout.readline()
        sealing.freeze(changed_run(), "a@1.0.0", "card")
        assert alive.exists()
        assert not dead.exists()
    finally:
        holder.kill()
        holder.wait()
        holder.stdout.close()
    sealing.freeze(changed_run(), "a@1.1.0", "card")
    assert not alive.exists()


def test_a_file_is_written_whole_or_not_at_all(tmp_path, monkeypatch):
    (tmp_path / "f").write_bytes(b"old")

    def fail(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", fail)
    with pytest.raises(OSError, match="No space"):
        writing.write_file(tmp_path / "f", b"new")
    assert (tmp_path / "f").read_bytes() == b"old"
    assert len(list(tmp_path.iterdir())) == 1


def freeze_many(model, *versions):
    for version in versions:
        sealing.freeze(model, f"a@{version}", "card")


@pytest.mark.parametrize(
    ("there", "new", "message"),
    [
        (["1.0.0"], "1.0.0", "never overwritten"),
        (["1.0.0", "1.2.0"], "1.1.0", r"a@1\.2\.0 is there already; .* is a@1\.3\.0"),
        (["1.0.0"], "1.0.2", r"a patch follows a@1\.0\.1, a@1\.0\.0 is the last"),
        (["1.0.0"], "1.1.1", r"a patch follows a@1\.1\.0, there is none"),
        (["1.0.0", "1.0.1"], "1.0.1", "never overwritten"),
    ],
)
def test_versions_that_do_not_follow_are_refused(models, changed_run, there, new, message):
    model = changed_run()
    freeze_many(model, *there)
    with pytest.raises(UsageError, match=message):
        sealing.freeze(model, f"a@{new}", "card")


@pytest.mark.parametrize(
    ("there", "new"),
    [
        ([], "0.1.0"),
        ([], "3.0.0"),
        (["1.0.0"], "1.0.1"),
        (["1.0.0", "1.1.0"], "1.0.1"),
        (["2.0.0"], "1.0.0"),
        (["1.0.0"], "1.5.0"),
    ],
)
def test_versions_that_follow_are_taken(models, changed_run, there, new):
    model = changed_run()
    freeze_many(model, *there, new)
    assert store.find(f"a@{new}").is_dir()


def test_a_patch_changes_words_only(models, changed_run):
    freeze_many(changed_run(), "1.0.0")
    renamed = changed_run(lambda m: m["library"].update(title="Better words"))
    freeze_many(renamed, "1.0.1")
    model = changed_run(lambda m: m["analytes"]["SiO2"].update(lod=0.5))
    with pytest.raises(UsageError, match=r"key 'analytes' differs from a@1\.0\.1.*words only"):
        freeze_many(model, "1.0.2")
    model = changed_run()
    arrays = load_file(model / "arrays.safetensors")
    name = next(key for key in arrays if key.endswith("coefficients"))
    arrays[name] = np.nextafter(arrays[name], np.inf)
    save_file(arrays, model / "arrays.safetensors")
    with pytest.raises(UsageError, match=r"arrays\.safetensors differs"):
        freeze_many(model, "1.0.2")
    freeze_many(model, "1.1.0")


def test_references(models, changed_run):
    freeze_many(changed_run(), "1.0.0", "1.9.0", "1.10.0", "1.9.1", "2.0.0")
    assert store.find("a@^1").name == "1.10.0"
    assert store.find("a@^2").name == "2.0.0"
    assert calib.load("a@^1").name == "a@1.10.0"
    with pytest.raises(UsageError, match=r"need NAME@VERSION .* a has 1\.0\.0, .*2\.0\.0"):
        calib.load("a")
    with pytest.raises(calib.ArtifactError, match=r"no frozen model a@\^3"):
        calib.load("a@^3")
    for bad in ("a@^", "a@^1.2", "a@^01", "a@~1", "a@^1\n", "a@*"):
        with pytest.raises(UsageError, match="need three numbers"):
            calib.load(bad)
    with pytest.raises(UsageError, match="need three numbers"):
        freeze_many(changed_run(), "^1")


def test_a_model_under_another_name_is_refused(models, changed_run):
    freeze_many(changed_run(), "1.0.0")
    (models / "a" / "1.0.0").rename(models / "a" / "1.1.0")
    with pytest.raises(calib.ArtifactError, match=r"says it is 'a@1\.0\.0', need a@1\.1\.0"):
        calib.load("a@1.1.0")

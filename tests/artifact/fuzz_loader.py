"""Fuzz the loader: ``python -m tests.artifact.fuzz_loader [--cases N] [--atheris]``.

Cases start from a kept model and change it: bytes anywhere, values of the manifest, headers,
arrays, the members of an exported file; hashes are made true again in most of them, so that what
stands behind the hashes is reached too. A case is loaded, and if it loads, it predicts. What may
come of it is a model or a `CalibError`, in at most a second and 500 MB; anything else is printed
and counts. ``--atheris`` lets coverage guide the bytes (package atheris, Linux) instead of chance.
"""

from __future__ import annotations

import argparse
import collections
import copy
import hashlib
import io
import json
import random
import resource
import signal
import struct
import sys
import tempfile
import time
import warnings
import zipfile
from pathlib import Path

import numpy as np
from safetensors.numpy import load, load_file, save

import calib
from calib.errors import CalibError

DATA = Path(__file__).parent / "data"
NAMES = ("manifest.json", "arrays.safetensors", "golden.safetensors", "card.html")
BURSTS = load_file(DATA / "schema1.safetensors")
SECONDS, MEGABYTES = 1.0, 500.0
ODD = [
    None, True, -1, 0, 2**31, 2**63, 2**64, 1e308, -1e308, 0.5, "", "x", "../x", "NaN", [], {},
    [[]], [None], {"a": 1}, "\u202e", "a/b", [1, 2, 3], 10**30,
]  # fmt: skip


def paths(value: object, here: tuple = ()) -> list[tuple]:
    """List where every value of a tree is."""
    found = [here] if here else []
    items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(
        value, list) else ()  # fmt: skip
    for key, each in items:
        found += paths(each, (*here, key))
    return found


def change_tree(tree: object, rng: random.Random) -> None:
    """Replace, remove, double or rename a few values of a tree."""
    for _ in range(rng.choice([1, 1, 1, 3])):
        every = paths(tree)
        if not every:
            return
        *way, last = rng.choice(every)
        at = tree
        for key in way:
            at = at[key]
        act = rng.randrange(4)
        if act == 0 and isinstance(at, dict):
            del at[last]
        elif act == 1 and isinstance(at, dict):
            at[rng.choice(["x", "schema", "limits", "step0", "\ud800"])] = at.pop(last)
        elif act == 2 and isinstance(at, list):
            at.append(copy.deepcopy(at[last]))
        else:
            at[last] = copy.deepcopy(rng.choice(ODD))


def change_bytes(data: bytes, rng: random.Random) -> bytes:
    """Flip, cut, repeat or overwrite bytes."""
    made = bytearray(data)
    for _ in range(rng.randint(1, 4)):
        if not made:
            break
        at = rng.randrange(len(made))
        act = rng.randrange(5)
        if act == 0:
            made[at] ^= 1 << rng.randrange(8)
        elif act == 1:
            del made[at : at + rng.randrange(1, 64)]
        elif act == 2:
            made[at:at] = made[at : at + rng.randrange(1, 64)]
        elif act == 3:
            made[at : at + 8] = struct.pack("<Q", rng.choice([0, 2**63, 2**64 - 1, len(data)]))
        else:
            made[at : at + 1] = rng.choice([b"[" * 200, b'{"a":' * 100, b'"', b"\\", b"\0" * 99])
    return bytes(made)


def change_arrays(data: bytes, rng: random.Random) -> bytes:
    """Change the header of arrays, or the numbers."""
    length = int.from_bytes(data[:8], "little")
    header = json.loads(data[8 : 8 + length])
    body = bytearray(data[8 + length :])
    if rng.random() < 0.5:
        change_tree(header, rng)
    else:
        entry = header[rng.choice(sorted(header))]
        begin, end = entry["data_offsets"]
        odd = rng.choice([0.0, np.nan, np.inf, -1e300, 1e300, 5e-324, -0.0])
        at = begin + 8 * rng.randrange(max(1, (end - begin) // 8))
        body[at : at + 8] = struct.pack("<d", odd)
    text = json.dumps(header).encode()
    return struct.pack("<Q", len(text)) + text + bytes(body)


def changed(files: dict[str, bytes], rng: random.Random) -> dict[str, bytes]:
    """Change one file or two of a model, with true hashes in most cases."""
    made = dict(files)
    for _ in range(rng.choice([1, 1, 2])):
        name = rng.choice(NAMES[:3])
        act = rng.random()
        if name == "manifest.json" and act < 0.7:
            tree = json.loads(made[name]) if made[name] == files[name] else {}
            change_tree(tree, rng)
            made[name] = json.dumps(tree).encode()
        elif name != "manifest.json" and act < 0.7 and made[name] == files[name]:
            made[name] = change_arrays(made[name], rng)
        else:
            made[name] = change_bytes(made[name], rng)
    return resealed(made) if rng.random() < 0.8 else made


def resealed(files: dict[str, bytes]) -> dict[str, bytes]:
    """Make the manifest's hashes true where it is still JSON."""
    try:
        manifest = json.loads(files["manifest.json"])
        for name in manifest["files"]:
            manifest["files"][name] = hashlib.sha256(files[name]).hexdigest()
        return files | {"manifest.json": json.dumps(manifest).encode()}
    except (ValueError, KeyError, TypeError, RecursionError):
        return files


def packed(files: dict[str, bytes]) -> bytes:
    """Write files as an exported model."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        for name, data in files.items():
            archive.writestr(name, data)
    return out.getvalue()


def _stop(*_: object) -> None:
    raise TimeoutError("busy without end")


def judge(files: dict[str, bytes] | bytes, folder: Path) -> str:
    """Load a case from disk and predict; say what came of it."""
    if isinstance(files, bytes):
        where = folder / "case.calib.zip"
        where.write_bytes(files)
    else:
        where = folder / "case"
        where.mkdir(exist_ok=True)
        for name, data in files.items():
            (where / name).write_bytes(data)
    start = time.process_time()
    signal.signal(signal.SIGPROF, _stop)
    signal.setitimer(signal.ITIMER_PROF, 5 * SECONDS)
    try:
        model = calib.load(where)
        model.predict_arrays(BURSTS["counts"][:2], model.wavelength, dark=BURSTS["dark"])
        word = "predicted"
    except CalibError as error:
        word = "refused" if len(str(error)) < 1000 else f"message of {len(str(error))}"
    except Exception as error:
        word = f"{type(error).__name__}: {error}"
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
    took = time.process_time() - start
    if took > SECONDS:
        word = f"took {took:.1f} s, then {word[:60]}"
    return word


def models() -> list[dict[str, bytes]]:
    """Read the kept models, and make one of every predictor and of more steps."""
    kept = [
        {name: (folder / name).read_bytes() for name in NAMES}
        for folder in sorted(DATA.glob("schema*"))
        if folder.is_dir()
    ]
    return [*kept, varied(kept[1])]


def varied(files: dict[str, bytes]) -> dict[str, bytes]:
    """Give a model of schema 2 members of every predictor, their numbers invented."""
    rng, channels = np.random.default_rng(0), 180
    manifest, arrays = json.loads(files["manifest.json"]), load(files["arrays.safetensors"])
    manifest["branches"][1] = [
        {"step": "snv"}, {"step": "derivative"}, {"step": "denoise"}, {"step": "root"},
    ]  # fmt: skip
    scores = {"weights": rng.normal(0, 0.1, (channels, 4)), "offset": np.zeros(4)}
    parts = {
        "affine": {"coefficients": rng.normal(size=channels), "intercept": np.ones(1)},
        "blended": {"coefficients": rng.normal(size=(3, channels)), "intercept": np.ones(3),
                    "edges": np.array([[10.0, 20.0]])},
        "kernel_sum": scores | {"centres": rng.normal(size=(9, 4)), "dual": rng.normal(size=9),
                                **{k: np.ones(1) for k in ("linear", "radial", "gamma")},
                                "intercept": np.ones(1)},
        "local": scores | {"scores": rng.normal(size=(9, 4)), "values": rng.normal(size=9),
                           "neighbours": np.array([6]), "components": np.array([2])},
        "trees": {"weights": np.zeros((0, 0)), "offset": np.zeros(0), "starts": np.arange(channels),
                  "feature": np.array([3, 0, 0]), "threshold": np.array([1.0, 0, 0]),
                  "children": np.array([[1, 2], [1, 1], [2, 2]]), "value": np.array([0, 1.0, 2]),
                  "roots": np.array([0]), "start": np.zeros(1), "divisor": np.ones(1)},
    }  # fmt: skip
    members = []
    for m, (kind, own) in enumerate(parts.items()):
        arrays |= {f"SiO2/member{m}/{key}": value for key, value in own.items()}
        members.append({"family": kind, "predictor": kind, "arrays": sorted(own), "branch": m % 2})
    manifest["analytes"]["SiO2"] |= {"members": members, "combine": "weights_by_range",
                                     "combine_arrays": ["centre", "knots", "weights"]}  # fmt: skip
    shares = np.full(len(parts), 1 / len(parts))
    arrays |= {"SiO2/combine/centre": shares, "SiO2/combine/knots": np.array([0.0, 50.0]),
               "SiO2/combine/weights": np.stack([shares, shares])}  # fmt: skip
    made = files | {"manifest.json": json.dumps(manifest).encode(),
                    "arrays.safetensors": save(arrays)}  # fmt: skip
    return resealed(made)


def case(number: int, kept: list[dict[str, bytes]], seed: int) -> dict[str, bytes] | bytes:
    """Make one case; a third are exported files, some of those changed as a whole."""
    rng = random.Random(f"{seed}-{number}")
    files = changed(rng.choice(kept), rng)
    if rng.random() < 1 / 3:
        whole = packed(files)
        return change_bytes(whole, rng) if rng.random() < 0.5 else whole
    return files


def by_chance(cases: int, seed: int) -> None:
    kept, found = models(), collections.Counter()
    start = time.monotonic()
    with tempfile.TemporaryDirectory() as name:
        for number in range(cases):
            try:
                made = case(number, kept, seed)
            except (UnicodeEncodeError, ValueError, KeyError, IndexError):
                continue  # the case itself cannot be written
            word = judge(made, Path(name))
            found[word if word in ("predicted", "refused") else "wrong"] += 1
            if word not in ("predicted", "refused"):
                print(f"case {number} of seed {seed}: {word[:200]}", flush=True)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3
    took = time.monotonic() - start
    print(f"{sum(found.values())} cases in {took:.0f} s: {dict(found)}, peak {peak:.0f} MB")
    sys.exit(bool(found["wrong"]) or peak > MEGABYTES)


def by_coverage(cases: int) -> None:
    import atheris

    from calib.artifact import reading, schemas, sealed, store

    for module in (reading, schemas, sealed, store):
        for key, value in vars(module).copy().items():
            if callable(value) and getattr(value, "__module__", "") == module.__name__ and hasattr(
                value, "__code__"
            ):  # fmt: skip
                setattr(module, key, atheris.instrument_func(value))
    kept, folder = models(), Path(tempfile.mkdtemp())

    def one(data: bytes) -> None:
        rng = random.Random(data[:4])
        files = dict(rng.choice(kept))
        name = NAMES[data[0] % 3] if data else NAMES[0]
        at, rest = int.from_bytes(data[4:8], "little") % (len(files[name]) + 1), data[8:]
        files[name] = files[name][:at] + rest + files[name][at + len(rest) :]
        made = resealed(files) if data[:1] > b"\x7f" else files
        word = judge(packed(made) if data[1:2] > b"\xc0" else made, folder)
        if word not in ("predicted", "refused"):
            raise RuntimeError(word)

    options = [sys.argv[0], f"-runs={cases}", "-rss_limit_mb=500", "-timeout=5", "-max_len=4096"]
    atheris.Setup(options, one)
    atheris.Fuzz()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=100_000)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--atheris", action="store_true")
    given = parser.parse_args()
    warnings.simplefilter("ignore")  # numbers made odd may overflow
    if given.atheris:
        by_coverage(given.cases)
    else:
        by_chance(given.cases, given.seed)


if __name__ == "__main__":
    main()

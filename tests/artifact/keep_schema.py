"""Make a frozen model to keep, and its predictions: ``python -m tests.artifact.keep_schema N``.

Run once, when a schema is new; what it wrote is committed and never made again. Expected
predictions come from the code of that commit: what they guard is that numbers never change.
"""

from __future__ import annotations

import json
import os
import sys
import tempfile
from pathlib import Path

import numpy as np
from safetensors.numpy import load_file, save_file

import calib
from calib.artifact import sealing
from calib.artifact.runtime import Model
from tests.conftest import QUICK, write_small_library

DATA = Path(__file__).parent / "data"


def with_branches(folder: Path) -> None:
    """Give SiO2 a second member on the square root of the spectra, and speak by that branch.

    The training of one family has no use for branches; the layout does.
    """
    path = folder / "manifest.json"
    manifest = json.loads(path.read_text(encoding="utf-8"))
    arrays = load_file(folder / "arrays.safetensors")
    golden = load_file(folder / "golden.safetensors")
    manifest["branches"].append([{"step": "root"}])
    manifest["domains"].append(manifest["domains"][0])
    arrays |= {k.replace("branch0", "branch1"): v for k, v in arrays.items() if "branch0" in k}
    entry = manifest["analytes"]["SiO2"]
    entry["members"].append(entry["members"][0] | {"branch": 1})
    entry |= {"combine": "weights", "combine_arrays": ["weights"], "branch": 1}
    for key in ("coefficients", "intercept"):
        arrays[f"SiO2/member1/{key}"] = arrays[f"SiO2/member0/{key}"] * 0.5
    arrays["SiO2/combine/weights"] = np.array([0.75, 0.25])
    model = Model(manifest, arrays)
    for i in range(3):
        row = model.reduce(golden[f"{i}/counts"], golden[f"{i}/dark"]).mean(axis=0, keepdims=True)
        new = model.predict_spectra(row, distance_m=golden[f"{i}/distance_m"])
        golden[f"{i}/predicted"] = np.stack([new.value, new.uncertainty, new.low, new.high])
    path.write_text(json.dumps(manifest, indent=1), encoding="utf-8")
    save_file(arrays, folder / "arrays.safetensors")
    save_file(golden, folder / "golden.safetensors")


def main(schema: str) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        library = calib.open_library(write_small_library(folder / "library"))
        file = folder / "small.toml"
        text = f'library = "library"\nanalytes = ["SiO2", "MgO"]\n{QUICK}'
        file.write_text(text, encoding="utf-8")
        run = calib.train(file, folder / "run")
        with_branches(run.path / "model")
        kept = DATA / f"schema{schema}"
        os.environ["CALIB_MODELS"] = str(folder / "models")
        sealing.freeze(run.path / "model", "kept@1.0.0", "<p>Kept for tests.</p>").rename(kept)
        model = calib.load(kept)
        bursts = np.stack([library.counts(row) for row in (10, 11, 22, 23, 34, 35)])
        bursts[-2:, :, 90:94] += 2000  # a line that no standard has
        found = model.predict_arrays(bursts, library.wavelength, dark=library.dark(0))
        arrays = {key: getattr(found, key) for key in ("value", "uncertainty", "low", "high")}
        arrays |= {"counts": bursts, "dark": library.dark(0)}
        save_file(arrays, DATA / f"schema{schema}.safetensors")
        flags = json.dumps(found.flags.tolist(), indent=1)
        (DATA / f"schema{schema}.json").write_text(flags + "\n", encoding="utf-8")


if __name__ == "__main__":
    main(sys.argv[1])

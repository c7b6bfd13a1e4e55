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
from safetensors.numpy import save_file

import calib
from calib.artifact import sealing
from tests.conftest import QUICK, write_small_library

DATA = Path(__file__).parent / "data"


def main(schema: str) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        library = calib.open_library(write_small_library(folder / "library"))
        file = folder / "small.toml"
        text = f'library = "library"\nanalytes = ["SiO2", "MgO"]\n{QUICK}'
        file.write_text(text, encoding="utf-8")
        run = calib.train(file, folder / "run")
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

"""What each step is worth: RMSECV and RMSEP of each oxide with each step left out, one at a time.

    python tests/benchmarks/preprocess_ablation.py LIBRARY [--try STEPS_JSON] [--held-out]

The chain is the default one. Settings are judged by RMSECV on calibration standards alone;
``--held-out`` also prints the RMSEP, for the record. PLS, ten folds of whole families, the fewest
components within one standard error.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
import warnings
from pathlib import Path

import calib
from calib.preprocess.chain import DEFAULT

OXIDES = ["SiO2", "TiO2", "Al2O3", "FeOT", "MgO", "CaO", "Na2O", "K2O"]


def train(library: Path, steps: list[object], folder: Path, repeats: int) -> dict[str, dict]:
    file = folder / "e.toml"
    listed = ", ".join(_toml(step) for step in steps)
    file.write_text(
        f"library = {json.dumps(str(library.resolve()))}\nanalytes = {json.dumps(OXIDES)}\n"
        f"[preprocess]\nsteps = [{listed}]\n[folds]\nrepeats = {repeats}\n"
        '[models]\nfamilies = ["pls"]\n'
    )
    target = folder / f"run{len(list(folder.iterdir()))}"
    return calib.train(file, target).analytes


def _toml(step: object) -> str:
    if isinstance(step, str):
        return json.dumps(step)
    assert isinstance(step, dict)
    return "{" + ", ".join(f"{key} = {json.dumps(value)}" for key, value in step.items()) + "}"


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("library", type=Path)
    parser.add_argument("--try", dest="tries", action="append", default=[], metavar="NAME=JSON")
    parser.add_argument("--only-tries", action="store_true")
    parser.add_argument("--held-out", action="store_true")
    parser.add_argument("--repeats", type=int, default=3)
    given = parser.parse_args()
    chains: dict[str, list[object]] = {"default": list(DEFAULT)}
    if not given.only_tries:
        for name in DEFAULT:
            if name != "average":  # without it every shot is a row
                chains[f"without {name}"] = [step for step in DEFAULT if step != name]
    for text in given.tries:
        name, _, steps = text.partition("=")
        chains[name] = json.loads(steps)
    warnings.simplefilter("ignore")
    print(f"{'RMSECV, wt%':24s}" + "".join(f"{name:>8s}" for name in OXIDES) + "   ratio")
    with tempfile.TemporaryDirectory() as folder:
        base: dict[str, dict] = {}
        for name, steps in chains.items():
            found = train(given.library, steps, Path(folder), given.repeats)
            base = base or found
            for key in ("rmsecv", "rmsep") if given.held_out else ("rmsecv",):
                ratio = 1.0
                for oxide in OXIDES:
                    ratio *= found[oxide][key] / base[oxide][key]
                label = name if key == "rmsecv" else "  RMSEP"
                print(
                    f"{label:24s}"
                    + "".join(f"{found[oxide][key]:8.3f}" for oxide in OXIDES)
                    + f"   {ratio ** (1 / len(OXIDES)):.3f}"
                )
            sys.stdout.flush()


if __name__ == "__main__":
    main()

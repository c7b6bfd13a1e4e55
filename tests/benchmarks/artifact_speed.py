"""How fast a frozen model loads and predicts, and what it takes in memory.

    python tests/benchmarks/artifact_speed.py [--rows N]

A model of the default chain and eight oxides on 6144 channels, its numbers invented (speed does not
ask where coefficients come from), against a scikit-learn pipeline dumped by joblib that does the
same kinds of work: a function of SciPy and pybaselines calls (`preprocess_speed.plain_loop`), then
StandardScaler and PLSRegression. Best of several; where other work shares the cores, times by
processor are the ones that mean something. Targets: cold load 0.4 s and 120 MB, first prediction
included 1 s, one burst 10 ms warm, 1000 averaged spectra a second on two cores.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import joblib
import numpy as np
from preprocess_speed import AXIS, PARTS, RANGES, best, plain_loop, spectra
from safetensors.numpy import save_file
from sklearn.cross_decomposition import PLSRegression
from sklearn.pipeline import make_pipeline
from sklearn.preprocessing import FunctionTransformer, StandardScaler

import calib
from calib.artifact import sealing
from calib.artifact.schemas import SCORES
from calib.preprocess import Acquisition, Chain
from calib.preprocess.chain import DEFAULT

OXIDES = ("SiO2", "TiO2", "Al2O3", "FeOT", "MgO", "CaO", "Na2O", "K2O")
COMPONENTS, STANDARDS = 10, 400
CODE = {
    "calib, load": "import calib; calib.load(sys.argv[1])",
    "joblib, load": "import joblib; joblib.load(sys.argv[2])",
    "calib, load and predict a burst": "import calib, numpy; "
    "model = calib.load(sys.argv[1]); model.predict_arrays(numpy.load(sys.argv[3])[None], "
    "model.wavelength)",
    "joblib, load and predict its average": "import joblib, numpy; "
    "joblib.load(sys.argv[2]).predict(numpy.load(sys.argv[3]).mean(axis=0, keepdims=True))",
}


def make_model(folder: Path) -> None:
    """Write the model folder of a run."""
    rng = np.random.default_rng(0)
    chain = Chain.of(DEFAULT)
    X = chain.spectra(spectra(32), AXIS, Acquisition(PARTS))
    loadings = np.linalg.svd(X - X.mean(axis=0), full_matrices=False)[2][:COMPONENTS]
    arrays = {"wavelength": AXIS, "branch0/domain/mean": X.mean(axis=0),
              "branch0/domain/loadings": loadings,
              "branch0/domain/deviation": np.ones(COMPONENTS),
              "branch0/domain/scores": rng.normal(size=(STANDARDS, COMPONENTS))}  # fmt: skip
    analytes = {}
    for name in OXIDES:
        arrays[f"{name}/member0/coefficients"] = rng.normal(0, 1e-2, AXIS.size)
        arrays[f"{name}/member0/intercept"] = np.array([10.0])
        arrays[f"{name}/interval/predicted"] = np.linspace(0, 100, 50)
        arrays[f"{name}/interval/error"] = np.ones(50)
        arrays[f"{name}/interval/score"] = np.linspace(0, 4, 2000)
        arrays[f"{name}/interval/weight"] = np.linspace(0, 0.99, 2000)
        member = {"family": "pls", "predictor": "affine",
                  "arrays": ["coefficients", "intercept"], "branch": 0}  # fmt: skip
        analytes[name] = {"unit": "wt%", "range": [0.0, 80.0], "lod": 0.5, "members": [member],
                          "combine": "single", "combine_arrays": [], "branch": 0}  # fmt: skip
        analytes[name] |= dict.fromkeys(SCORES, 1)
    each = [{"name": n, "first_nm": a, "last_nm": b, "channels": 2048}
            for n, (a, b) in zip("UBR", RANGES, strict=True)]  # fmt: skip
    manifest = {"schema": 2, "signal": "emission", "wavelengths": "air", "spectrometers": each,
                "preprocess": chain.settings(), "branches": [[]], "interval_level": 0.9,
                "domains": [{"limits": {"t2": 30.0}}], "analytes": analytes}  # fmt: skip
    manifest["library"] = {"title": "Invented", "sha256": "0" * 64, "held_out_rule": "none"}
    manifest["held_out_standards"] = []
    folder.mkdir()
    (folder / "manifest.json").write_text(json.dumps(manifest))
    save_file(arrays, folder / "arrays.safetensors")
    save_file({"0/counts": np.zeros((1, 1))}, folder / "golden.safetensors")


def make_pipeline_file(path: Path) -> None:
    """Fit and dump the pipeline to compare with."""
    rows, rng = spectra(64), np.random.default_rng(0)
    regression = PLSRegression(COMPONENTS, scale=False)
    pipeline = make_pipeline(FunctionTransformer(plain_loop), StandardScaler(), regression)
    joblib.dump(pipeline.fit(rows, rng.uniform(0, 50, (64, len(OXIDES)))), path)


def cold(label: str, *files: Path) -> tuple[float, float, float]:
    """Run a fresh process; seconds on the clock and of processor, MB at its peak."""
    # not ru_maxrss, which a child has from its parent
    code = f"import sys; {CODE[label]}\nfor line in open('/proc/self/status'):"
    code += "\n    if line.startswith('VmHWM'): print(int(line.split()[1]) / 1e3)"
    env = os.environ | {
        "PYTHONPATH": os.pathsep.join([str(Path.cwd()), str(Path(__file__).parent)])
    }
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    start = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-c", code, *map(str, files)],
        capture_output=True, text=True, check=True, env=env,
    )  # fmt: skip
    clock = time.perf_counter() - start
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    used = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return clock, used, float(done.stdout)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--rows", type=int, default=10_000)
    many = parser.parse_args().rows
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        os.environ["CALIB_MODELS"] = name
        make_model(folder / "run")
        frozen = sealing.freeze(folder / "run", "speed@1.0.0", "<p>A card.</p>" * 20_000)
        make_pipeline_file(folder / "pipeline.joblib")
        np.save(folder / "burst.npy", spectra(25))
        files = (frozen, folder / "pipeline.joblib", folder / "burst.npy")
        for pair in (list(CODE)[:2], list(CODE)[2:]):
            found = [min(cold(label, *files) for _ in range(5)) for label in pair]
            for label, (clock, used, peak) in zip(pair, found, strict=True):
                print(f"cold, {label}: {clock:.2f} s, {used:.2f} s of processor, {peak:.0f} MB")
            print(f"  calib takes {found[0][1] / found[1][1]:.2f} times the pipeline's processor")
        warm(calib.load(frozen), joblib.load(files[1]), np.load(files[2]), many)


def warm(model: calib.Model, pipeline: object, burst: np.ndarray, many: int) -> None:
    def one() -> object:
        return model.predict_arrays(burst[None], AXIS)

    def other() -> object:
        return pipeline.predict(burst.mean(axis=0, keepdims=True))

    one(), other()
    took, alone, ref = best(one, 40), best(one, 20, clock=time.process_time), best(other, 10)
    print(
        f"warm, a burst of {len(burst)} shots: {1e3 * took:.1f} ms, {1e3 * alone:.1f} ms of "
        f"processor; its average by the pipeline: {1e3 * ref:.1f} ms; ratio {took / ref:.2f}"
    )
    few = np.resize(spectra(512), (many, AXIS.size))
    few *= 1 + np.arange(many)[:, None] / many
    rate = many / best(lambda: model.predict_arrays(few, AXIS), 2)
    alone = many / best(lambda: model.predict_arrays(few, AXIS), 1, clock=time.process_time)
    ref = 64 / best(lambda: pipeline.predict(few[:64]), 1)
    print(
        f"warm, {many} averaged spectra: {rate:.0f} a second, {alone:.0f} a second of processor; "
        f"the pipeline {ref:.0f} a second (64 timed); ratio {rate / ref:.2f}"
    )
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3
    print(f"peak of this process: {peak:.0f} MB, of which the spectra {few.nbytes / 1e6:.0f} MB")


if __name__ == "__main__":
    main()

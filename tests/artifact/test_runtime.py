"""The runtime in a pipeline: threads, other axes, what it imports, arrays that do not fit."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tracemalloc
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from safetensors.numpy import load_file, save_file
from scipy.interpolate import interp1d

import calib as package
from calib.errors import ArtifactError, DataError
from calib.experiment.predicting import predict_table
from tests.artifact.conftest import reseal
from tests.conftest import small_axis

PARTS = (slice(0, 60), slice(60, 120), slice(120, 180))


@pytest.fixture
def model(small):
    return package.load(small)


def rows(n: int) -> np.ndarray:
    rng = np.random.default_rng(2)
    lines = np.exp(-0.5 * ((np.arange(180) - rng.integers(0, 180, (n, 1))) / 2) ** 2)
    return 100 + 500 * lines + rng.normal(0, 2, (n, 180))


def test_threads_share_a_model(model):
    given = rows(240)
    alone = [model.predict_arrays(row, model.wavelength) for row in given]
    with ThreadPoolExecutor(8) as pool:
        found = list(pool.map(lambda row: model.predict_arrays(row, model.wavelength), given))
    for one, other in zip(alone, found, strict=True):
        np.testing.assert_array_equal(one.value, other.value)
        assert one.flags.tolist() == other.flags.tolist()


def test_many_rows_are_predicted_as_one(model):
    given = rows(150)  # more than a block
    far = np.linspace(1, 8, 150)
    together = model.predict_arrays(given, model.wavelength, distance_m=far)
    for i in (0, 63, 64, 149):
        alone = model.predict_arrays(given[i], model.wavelength, distance_m=far[i])
        for key in ("value", "uncertainty", "low", "high"):
            np.testing.assert_array_equal(getattr(alone, key)[0], getattr(together, key)[i])
        assert alone.flags[0].tolist() == together.flags[i].tolist()


def finer(first=229.0, last=331.0) -> np.ndarray:
    """An axis of other channels that reaches over every spectrometer."""
    u = np.linspace(first, last, 90)
    return np.concatenate([u, np.linspace(374, 491, 100), np.linspace(499, 881, 110)])


def test_another_axis_is_interpolated_within_each_spectrometer_when_told(model):
    axis = finer()
    curve = 100 + 50 * np.sin(axis / 40) + rows(1)[0, :1]
    with pytest.raises(DataError, match="found 300 channels"):
        model.predict_arrays(curve, axis)
    found = model.predict_arrays(curve, axis, resample=True)
    onto = interp1d(axis, curve)(small_axis())  # SciPy's linear interpolation
    expected = model.predict_arrays(onto, small_axis())
    np.testing.assert_allclose(found.value, expected.value, rtol=1e-9)
    burst = np.stack([curve + i for i in range(9)])
    raw = model.predict_arrays(burst[None], axis, dark=np.ones(300), resample=True)
    expected = model.predict_arrays(
        interp1d(axis, burst)(small_axis())[None], small_axis(), dark=np.ones(180)
    )
    np.testing.assert_allclose(raw.value, expected.value, rtol=1e-9)


def test_resampling_on_its_own_axis_changes_nothing(model):
    given = rows(3)
    plain = model.predict_arrays(given, model.wavelength)
    found = model.predict_arrays(given, model.wavelength, resample=True)
    np.testing.assert_array_equal(plain.value, found.value)


@pytest.mark.parametrize(
    ("axis", "message"),
    [
        (finer(first=235), "found 235.00 to 881.00 nm, spectrometer U .* needs 230.00 to 330.00"),
        (finer()[:-10], "spectrometer R of the model needs 500.00 to 880.00"),
        (finer(last=320), "channels are 54 nm apart at 3.* nm, spectrometer U"),
        (np.linspace(200, 900, 150), "spectrometer U of the model needs at most 3.39 nm"),
        (np.array([500.0]), "spectrometer U"),
        (finer()[::-1], "need an increasing axis"),
    ],
)
def test_nothing_is_made_up_beyond_an_axis_or_in_its_gaps(model, axis, message):
    with pytest.raises(DataError, match=message):
        model.predict_arrays(np.ones(axis.size), axis, resample=True)


def test_the_command_resamples_when_told(calib, small, tmp_path):
    axis = finer()
    spectra = 100 + 50 * np.sin(axis / 40) + np.arange(3)[:, None]
    table = pd.DataFrame(spectra, columns=[f"{w!r}" for w in axis.tolist()])
    table.insert(0, "burst", ["a", "b", "c"])
    table.to_csv(tmp_path / "t.csv", index=False)
    command = ("predict", "small@1.0.0", tmp_path / "t.csv", "-o", tmp_path / "o.csv")
    status, _, err = calib(*command)
    assert status == 2
    assert "found 300 channels" in err
    assert calib(*command, "--resample")[0] == 0
    found = pd.read_csv(tmp_path / "o.csv")
    expected = package.load(small).predict(spectra, axis, resample=True)
    np.testing.assert_allclose(found["SiO2"], expected["SiO2"], rtol=1e-12)


def test_a_library_is_resampled_when_told(calib, small, small_library, tmp_path):
    (tmp_path / "w").mkdir()
    library = package.open_library(small_library)
    model = package.load(small)
    from calib.experiment.predicting import predict_library

    shifted = library.wavelength + 0.4 * np.diff(library.wavelength).min()
    shifted[[0, -1]] = library.wavelength[[0, -1]] + [-0.5, 0.5]
    shifted[[60, 120]] -= 1.5
    shifted[[59, 119]] += 1.5
    library.__dict__["wavelength"] = shifted
    with pytest.raises(DataError, match=r"spectra\.zarr: wavelength: channel"):
        next(predict_library(model, library, library.bursts, lambda *_: None))
    found = next(
        predict_library(model, library, library.bursts, lambda *_: None, resample=True)
    )  # fmt: skip
    assert len(found) == 48


def test_a_table_is_read_a_block_at_a_time(small, tmp_path):
    """Memory does not grow with the table: 3000 spectra take no more than 600."""
    model = package.load(small)
    names = [f"{w!r}" for w in model.wavelength.tolist()]
    peaks = []
    for many in (600, 3000):
        path = tmp_path / f"{many}.csv"
        pd.DataFrame(np.tile(rows(1).round(1), (many, 1)), columns=names).to_csv(path, index=False)
        tracemalloc.start()
        total = sum(len(part) for part in predict_table(model, path, lambda *_: None))
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
        assert total == many
    assert peaks[1] < 1.5 * peaks[0]


def run(code: str, *args: object) -> str:
    done = subprocess.run(
        [sys.executable, "-c", code, *map(str, args)],
        capture_output=True, text=True, check=True, env=os.environ, cwd=Path(__file__).parents[2],
    )  # fmt: skip
    return done.stdout.strip()


def test_loading_imports_numpy_alone_and_predicting_what_the_steps_need(small):
    code = """
import sys
import numpy
before = set(sys.modules)
import calib
model = calib.load(sys.argv[1])
roots = {name.partition(".")[0] for name in set(sys.modules) - before}
print(sorted(roots - set(sys.stdlib_module_names)))
import numpy as np
model.predict_arrays(np.ones((1, 9, 180)) * np.arange(1, 181), model.wavelength)
heavy = {"sklearn", "pandas", "optuna", "matplotlib", "pydantic", "zarr", "jinja2", "click",
         "cryptography", "rich", "dask", "joblib", "onnx", "pywt", "pybaselines"}
print(sorted(heavy & set(sys.modules)))
"""
    loaded, predicted = run(code, small).splitlines()
    assert loaded == "['calib', 'numpy']"  # more of numpy, no scipy yet
    assert predicted == "[]"


def test_a_key_brings_cryptography_and_nothing_else_does(small, tmp_path):
    from calib.artifact import store, trust

    trust.make_key(tmp_path / "k")
    store.sign("small@1.0.0", tmp_path / "k")
    code = """
import sys, calib
calib.load(sys.argv[1])
print("cryptography" in sys.modules)
calib.load(sys.argv[1], trust=sys.argv[2])
print("cryptography" in sys.modules, "pandas" in sys.modules)
"""
    assert run(code, small, tmp_path / "k.pub").splitlines() == ["False", "True False"]


@pytest.mark.parametrize(
    ("key", "value", "message"),
    [
        ("SiO2/member0/coefficients", np.ones(7), "cannot predict"),
        ("SiO2/member0/intercept", np.ones(0), "cannot predict"),
        ("branch0/domain/mean", np.ones(3), "do not fit each other"),
        ("SiO2/interval/predicted", np.ones((2, 2)), "cannot predict"),
        ("wavelength", np.ones((2, 90)), r"found shape \(2, 90\)"),
        ("wavelength", small_axis()[::-1].copy(), "need an increasing axis"),
    ],
)
def test_arrays_that_do_not_fit_are_refused(small, key, value, message):
    arrays = load_file(small / "arrays.safetensors") | {key: value}
    save_file(arrays, small / "arrays.safetensors")
    reseal(small)
    with pytest.raises(ArtifactError, match=message):
        package.load(small).predict_arrays(rows(2), small_axis())


@pytest.mark.parametrize(
    "edit",
    [
        lambda m: m["spectrometers"][0].update(channels=-60),
        lambda m: m["spectrometers"][0].update(channels=60.0),
        lambda m: m.update(spectrometers=[]),
        lambda m: m.update(branches=[]),
        lambda m: m.update(branches=[{}]),
        lambda m: m.update(preprocess={}),
        lambda m: m["preprocess"][0].update(step="os.system"),
        lambda m: m["preprocess"][0].update(step="__class__"),
        lambda m: m["preprocess"][1].update(first=-1),
        # what would keep a pipeline busy for ever
        lambda m: m["preprocess"].append({"step": "despike", "width": 2**40}),
        lambda m: m["preprocess"].append(
            {"step": "derivative", "window": 2001, "polynomial": 1999}
        ),
        lambda m: m["preprocess"].append(
            {"step": "continuum", "method": "asls", "options": {"max_iter": 10**9}}
        ),
        lambda m: m["preprocess"][1].update(learned="x"),
        lambda m: m.update(domains=[{"limits": {"t2": "x"}}]),
        lambda m: m.update(domains=[]),
        lambda m: m.update(interval_level=2),
        lambda m: m.update(analytes={}),
        lambda m: m["analytes"].update({"a\n": m["analytes"]["SiO2"]}),
        lambda m: m["analytes"]["SiO2"].update(range=[1]),
        lambda m: m["analytes"]["SiO2"].update(range=[2, 1]),
        lambda m: m["analytes"]["SiO2"].update(lod="x"),
        lambda m: m["analytes"]["SiO2"].update(unit=None),
        lambda m: m["analytes"]["SiO2"].update(members=[]),
        lambda m: m["analytes"]["SiO2"].update(branch=5),
        lambda m: m["analytes"]["SiO2"]["members"][0].update(branch=-1),
        lambda m: m["analytes"]["SiO2"]["members"][0].update(predictor="__init__"),
        lambda m: m["analytes"]["SiO2"].update(combine="exec"),
        lambda m: m["analytes"]["SiO2"].update(combine=[]),
    ],
)
def test_values_that_cannot_be_are_refused_with_the_file_named(small, edit):
    path = small / "manifest.json"
    manifest = json.loads(path.read_text())
    edit(manifest)
    path.write_text(json.dumps(manifest))
    with pytest.raises(ArtifactError, match=r"1\.0\.0: "):
        package.load(small)

"""The exported graph, run by onnxruntime, says what the model says."""

from __future__ import annotations

import json
import sys

import numpy as np
import onnx
import onnxruntime
import pytest

import calib as package
from calib.artifact.onnx_export import difference, export_onnx, to_onnx
from calib.artifact.runtime import Model
from calib.errors import ArtifactError, UsageError

RNG = np.random.default_rng(11)
CHANNELS, ROWS = 180, 40


def rows() -> np.ndarray:
    return RNG.uniform(100, 900, (ROWS, CHANNELS))


def arrays_of(kind: str) -> dict[str, np.ndarray]:
    """Arrays of a predictor that gives values of some tens."""
    if kind == "affine":
        return {
            "coefficients": RNG.normal(0, 1, CHANNELS), "intercept": np.array([30.0]),
        }  # fmt: skip
    if kind == "blended":
        return {
            "coefficients": RNG.normal(0, 1, (4, CHANNELS)),
            "intercept": np.array([30.0, 20.0, 30.0, 40.0]),
            "edges": np.array([[20.0, 28.0], [30.0, 40.0]]),
        }
    return {
        "weights": RNG.normal(0, 0.1, (CHANNELS, 5)), "offset": RNG.normal(0, 1, 5),
        "centres": RNG.normal(0, 2, (25, 5)), "dual": RNG.normal(0, 5, 25),
        "linear": np.array([0.3]), "radial": np.array([2.0]), "gamma": np.array([0.05]),
        "intercept": np.array([30.0]),
    }  # fmt: skip


def changed(model: Model, *kinds: str, combine: str = "weights") -> Model:
    """Let SiO2 be predicted by members of these kinds."""
    manifest = json.loads(json.dumps(model.manifest))
    arrays = {k: v for k, v in model._arrays.items() if not k.startswith("SiO2/member")}
    members = []
    for m, kind in enumerate(kinds):
        own = arrays_of(kind)
        arrays |= {f"SiO2/member{m}/{key}": value for key, value in own.items()}
        members.append({"family": "x", "predictor": kind, "arrays": sorted(own), "branch": 0})
    entry = manifest["analytes"]["SiO2"]
    entry |= {"members": members, "combine": "single", "combine_arrays": []}
    if len(kinds) > 1:
        entry |= {"combine": combine, "combine_arrays": ["weights"]}
        arrays["SiO2/combine/weights"] = RNG.dirichlet(np.ones(len(kinds)))
    return Model(manifest, arrays)


def run(made: onnx.ModelProto, model: Model, spectra: np.ndarray, dtype: type) -> np.ndarray:
    session = onnxruntime.InferenceSession(
        made.SerializeToString(), providers=["CPUExecutionProvider"]
    )
    X = model.preprocessed(spectra)
    given = {
        each.name: X[int(each.name.removeprefix("spectra"))].astype(dtype)
        for each in session.get_inputs()
    }
    return np.concatenate(session.run(list(model.analytes), given), axis=1)


@pytest.mark.parametrize(
    "kinds",
    [("affine",), ("blended",), ("kernel_sum",), ("affine", "blended", "kernel_sum")],
    ids="+".join,
)
def test_onnxruntime_gives_the_models_values(small, kinds):
    model, spectra = changed(package.load(small), *kinds), rows()
    expected = model.predict_spectra(spectra).value
    assert (expected[:, 0] > 0).any()
    found = run(to_onnx(model), model, spectra, np.float64)
    np.testing.assert_allclose(found, expected, rtol=1e-9, atol=1e-9)
    # sums of many terms in single precision (7 digits), and differences of nearly equal scores
    rough = run(to_onnx(model, "float32"), model, spectra, np.float32)
    np.testing.assert_allclose(rough, expected, rtol=1e-4, atol=1e-3)
    assert np.abs(rough - expected).max() > np.abs(found - expected).max()


def test_concentrations_are_not_below_zero(small):
    model = package.load(small)
    model.parts["MgO"].members[0].arrays["intercept"] = np.array([-1e6])
    found = run(to_onnx(model), model, rows(), np.float64)
    assert (found[:, 1] == 0).all()


def test_what_stands_in_the_graph(small):
    made = to_onnx(package.load(small))
    onnx.checker.check_model(made, full_check=True)
    props = {each.key: each.value for each in made.metadata_props}
    assert props["model"] == "small@1.0.0"
    assert json.loads(props["units"]) == {"SiO2": "wt%", "MgO": "wt%"}
    assert [each.name for each in made.graph.output] == ["SiO2", "MgO"]


def test_the_command_states_the_difference(calib, small, tmp_path):
    for precision, most in (("float64", 1e-9), ("float32", 1e-2)):
        folder = tmp_path / precision
        folder.mkdir()
        status, out, _ = calib("export", "small@1.0.0", "-o", folder, "--onnx", precision)
        assert status == 0
        assert float(out.splitlines()[-1].split()[-3]) < most
        onnx.load(folder / "small-1.0.0.onnx")
    with pytest.raises(UsageError, match="exists already"):
        export_onnx("small@1.0.0", tmp_path / "float64", "float64")


def test_the_difference_is_seen(small):
    model, other = package.load(small), package.load(small)
    made = to_onnx(other)
    other.parts["SiO2"].members[0].arrays["intercept"] = np.array([100.0])
    assert difference(model, made, rows()) < 1e-9
    assert difference(other, made, rows()) > 1


def test_kinds_that_other_runtimes_compute_otherwise_are_refused(small):
    model = package.load(small)
    object.__setattr__(model.parts["MgO"].members[0], "predictor", "trees")
    with pytest.raises(ArtifactError, match="MgO is predicted by 'trees', ONNX is written of"):
        to_onnx(model)
    model = package.load(small)
    object.__setattr__(model.parts["SiO2"], "combine", "weights_by_range")
    with pytest.raises(ArtifactError, match="joined by 'weights_by_range'"):
        to_onnx(model)


def test_without_onnx_it_says_what_to_install(small, monkeypatch):
    monkeypatch.setitem(sys.modules, "onnx", None)
    with pytest.raises(ArtifactError, match=r"pip install 'calib-workbench\[onnx\]'"):
        to_onnx(package.load(small))

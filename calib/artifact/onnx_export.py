"""The regression stage as an ONNX graph, for pipelines that are not in Python.

What goes in is spectra after preprocessing, one input a branch; what comes out is each analyte's
value, concentrations at least zero. Error bars, flags and totals are not in the graph. Kinds of
predictors that another runtime would not compute alike are refused: trees, whose paths flip where
an input is rounded, local models, and stacks whose weights change over the range.

Needs the package onnx, imported only here.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import NDArray

from calib._version import __version__
from calib.artifact import reading, writing
from calib.artifact.runtime import Model
from calib.artifact.store import model_of, new_file, open_sealed
from calib.errors import ArtifactError
from calib.validate.limits import CONCENTRATIONS

if TYPE_CHECKING:
    import onnx

Floats = NDArray[np.floating]

OPSET, IR = 17, 8
"""Versions that runtimes of 2022 and later read."""

Precision = Literal["float64", "float32"]


class _Graph:
    """Nodes and constants under names of their own."""

    def __init__(self, precision: Precision) -> None:
        self.dtype = np.dtype(precision)
        self.nodes: list[Any] = []
        self.constants: list[Any] = []

    def constant(self, value: Any, dtype: Any = None) -> str:
        """Add a constant and return its name."""
        from onnx import numpy_helper

        name = f"c{len(self.constants)}"
        array = np.ascontiguousarray(value, dtype=dtype or self.dtype)
        self.constants.append(numpy_helper.from_array(array, name))
        return name

    def add(self, operator: str, *inputs: str, out: str = "", **attributes: Any) -> str:
        """Add a node and return the name of its output."""
        from onnx import helper

        out = out or f"t{len(self.nodes)}"
        self.nodes.append(helper.make_node(operator, list(inputs), [out], **attributes))
        return out


def _affine(graph: _Graph, X: str, arrays: Mapping[str, Floats]) -> str:
    product = graph.add("MatMul", X, graph.constant(arrays["coefficients"][:, None]))
    return graph.add("Add", product, graph.constant(arrays["intercept"]))


def _blended(graph: _Graph, X: str, arrays: Mapping[str, Floats]) -> str:
    every = zip(arrays["coefficients"], arrays["intercept"], strict=True)
    full, *members = [
        _affine(graph, X, {"coefficients": c, "intercept": np.array([i])}) for c, i in every
    ]
    mixed = members[0]
    for member, (low, high) in zip(members[1:], arrays["edges"], strict=True):
        above = graph.add("Sub", full, graph.constant([low]))
        share = graph.add("Div", above, graph.constant([high - low]))
        share = graph.add("Clip", share, graph.constant(0.0), graph.constant(1.0))
        step = graph.add("Mul", share, graph.add("Sub", member, mixed))
        mixed = graph.add("Add", mixed, step)
    return mixed


def _kernel_sum(graph: _Graph, X: str, arrays: Mapping[str, Floats]) -> str:
    scores = graph.add("MatMul", X, graph.constant(arrays["weights"]))
    scores = graph.add("Add", scores, graph.constant(arrays["offset"]))
    centres, dual = arrays["centres"], arrays["dual"]
    rows = graph.add("Unsqueeze", scores, graph.constant([1], np.int64))
    apart = graph.add("Sub", rows, graph.constant(centres[None]))
    square = graph.add("Mul", apart, apart)
    square = graph.add("ReduceSum", square, graph.constant([2], np.int64), keepdims=0)
    near = graph.add("Exp", graph.add("Mul", square, graph.constant(-arrays["gamma"])))
    radial = graph.constant((dual * arrays["radial"][0])[:, None])
    slope = graph.constant((dual @ centres * arrays["linear"][0])[:, None])
    total = graph.add("Add", graph.add("MatMul", near, radial), graph.add("MatMul", scores, slope))
    return graph.add("Add", total, graph.constant(arrays["intercept"]))


KINDS: Mapping[str, Callable[[_Graph, str, Mapping[str, Floats]], str]] = {
    "affine": _affine,
    "blended": _blended,
    "kernel_sum": _kernel_sum,
}
"""Predictors that can be exported, and what writes them: a result of shape (rows, 1)."""


def to_onnx(model: Model, precision: Precision = "float64") -> onnx.ModelProto:
    """Write the regression stage of a model as an ONNX graph.

    Parameters
    ----------
    model : Model
    precision : {"float64", "float32"}, default "float64"
        Of inputs, constants and outputs. In float32 values differ by parts in a million and more.

    Returns
    -------
    onnx.ModelProto
        Inputs ``spectra0``, ``spectra1``, … of shape (rows, channels), one a branch: the rows of
        `Model.preprocessed`. One output of shape (rows, 1) an analyte, under its name, in its
        unit (metadata ``units``).

    Raises
    ------
    ArtifactError
        If the package onnx is missing, or an analyte's model is of a kind that is refused.
    """
    try:
        from onnx import TensorProto, checker, helper
    except ImportError:
        raise ArtifactError(
            "writing ONNX needs the package onnx: pip install 'calib-workbench[onnx]'"
        ) from None
    graph = _Graph(precision)
    kind = TensorProto.DOUBLE if precision == "float64" else TensorProto.FLOAT
    used: set[int] = set()
    for name in model.analytes:
        used |= _analyte(graph, model, name)
    channels = [domain.mean.size for domain in model.domains]
    inputs = [
        helper.make_tensor_value_info(f"spectra{b}", kind, ["rows", channels[b]])
        for b in sorted(used)
    ]
    outputs = [helper.make_tensor_value_info(n, kind, ["rows", 1]) for n in model.analytes]
    made = helper.make_model(
        helper.make_graph(graph.nodes, "regression", inputs, outputs, graph.constants),
        opset_imports=[helper.make_opsetid("", OPSET)],
        ir_version=IR,
        producer_name="calib",
        producer_version=__version__,
    )
    units = {name: model.unit(name) for name in model.analytes}
    helper.set_model_props(made, {"model": model.name, "units": json.dumps(units)})
    checker.check_model(made)
    return made


def _analyte(graph: _Graph, model: Model, name: str) -> set[int]:
    """Write one analyte; return the branches it takes."""
    own = model.parts[name]
    members, combine = own.members, own.combine
    for each in members:
        if each.predictor not in KINDS:
            raise ArtifactError(
                f"{model.name}: {name} is predicted by {each.predictor!r}, ONNX is written of "
                f"{', '.join(KINDS)} only"
            )
    if combine not in ("single", "weights"):
        raise ArtifactError(
            f"{model.name}: members of {name} are joined by {combine!r}, ONNX is written of "
            "'single' and 'weights' only"
        )
    values = [
        KINDS[each.predictor](graph, f"spectra{each.branch}", each.arrays) for each in members
    ]
    if combine == "weights":
        shares = zip(values, own.combine_arrays["weights"], strict=True)
        values = [graph.add("Mul", value, graph.constant([share])) for value, share in shares]
        while len(values) > 1:
            values = [graph.add("Add", values[0], values[1]), *values[2:]]
    if model.unit(name) in CONCENTRATIONS:
        graph.add("Max", values[0], graph.constant([0.0]), out=name)
    else:
        graph.add("Identity", values[0], out=name)
    return {each.branch for each in members}


def difference(
    model: Model, made: onnx.ModelProto, spectra: Floats, distance_m: Floats | None = None
) -> float:
    """Largest difference of a graph's values from the model's, relative to their uncertainty.

    By the reference evaluator of the package onnx.

    Parameters
    ----------
    model : Model
    made : onnx.ModelProto
        As `to_onnx` returns it.
    spectra : ndarray of shape (rows, channels)
        Averaged, before preprocessing.
    distance_m : ndarray of shape (rows,), optional
    """
    from onnx.reference import ReferenceEvaluator

    single = made.graph.input[0].type.tensor_type.elem_type == 1  # FLOAT
    rows = model.preprocessed(spectra, distance_m)
    given = {
        each.name: rows[int(each.name.removeprefix("spectra"))].astype(
            np.float32 if single else np.float64
        )
        for each in made.graph.input
    }
    values: Any = ReferenceEvaluator(made).run(None, given)
    found = np.concatenate(values, axis=1)
    expected = model.predict_spectra(spectra, distance_m=distance_m)
    return float(np.max(np.abs(found - expected.value) / expected.uncertainty))


def export_onnx(reference: str, folder: Path, precision: Precision) -> tuple[Path, float]:
    """Write the regression stage of a frozen model to ``NAME-VERSION.onnx``.

    Parameters
    ----------
    reference : str
        As `calib.load` takes it.
    folder : Path
    precision : {"float64", "float32"}

    Returns
    -------
    path : Path
    difference : float
        As `difference` measures it, on the golden bursts.

    Raises
    ------
    UsageError
        If the file exists or the folder does not.
    ArtifactError
        If the model's files do not hold, or as `to_onnx`.
    """
    sealed = open_sealed(reference)
    model = model_of(sealed)
    target = new_file(folder, f"{sealed.manifest['name']}-{sealed.manifest['version']}.onnx")
    made = to_onnx(model, precision)
    golden = reading.parse_arrays(sealed.files["golden.safetensors"], "golden", finite=False)
    names = sorted({key.partition("/")[0] for key in golden})
    worst = 0.0
    for name in names:
        row = model.reduce(golden[f"{name}/counts"], golden.get(f"{name}/dark")).mean(axis=0)
        far: Any = golden.get(f"{name}/distance_m")
        worst = max(worst, difference(model, made, row[None], far))
    writing.write_file(target, made.SerializeToString(deterministic=True))
    return target, worst

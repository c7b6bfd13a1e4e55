"""What is written is what the JSON Schemas say (validated by the jsonschema library)."""

from __future__ import annotations

import copy
import json
from pathlib import Path

import pandas as pd
import pytest
from jsonschema import Draft202012Validator

import calib as package
from calib.artifact.schemas import FROZEN, SCORES
from calib.artifact.store import open_sealed
from calib.regress.composition import Total
from tests.conftest import QUICK

FOLDER = Path(package.__file__).parent / "artifact" / "json_schema"


def validator(name: str) -> Draft202012Validator:
    schema = json.loads((FOLDER / f"{name}.json").read_text(encoding="utf-8"))
    Draft202012Validator.check_schema(schema)
    return Draft202012Validator(schema, format_checker=Draft202012Validator.FORMAT_CHECKER)


def test_a_frozen_manifest_is_as_its_schema_says(small):
    validator("manifest").validate(open_sealed("small@1.0.0").manifest)


def test_an_old_manifest_is_as_the_schema_says_once_read():
    model = package.load(Path(__file__).parent / "data" / "schema1")
    validator("manifest").validate(model.manifest)


def test_the_schema_asks_for_what_the_code_asks_for(small):
    manifest = dict(open_sealed("small@1.0.0").manifest)
    asked = validator("manifest")
    for key in ("schema", "spectrometers", "preprocess", "branches", "files", *FROZEN):
        assert not asked.is_valid({k: v for k, v in manifest.items() if k != key})
    for key in ("unit", "range", "members", *SCORES):
        changed = copy.deepcopy(manifest)
        del changed["analytes"]["SiO2"][key]
        assert not asked.is_valid(changed)


@pytest.mark.parametrize(
    "change",
    [
        {"schema": 3},
        {"name": "A b"},
        {"version": "1.0"},
        {"interval_level": 1},
        {"spectrometers": []},
        {"analytes": {}},
        {"files": {"../x": "0" * 64}},
    ],
)
def test_what_the_reader_refuses_the_schema_refuses(small, change):
    manifest = dict(open_sealed("small@1.0.0").manifest) | change
    assert not validator("manifest").is_valid(manifest)


def test_a_manifest_that_lacks_a_frozen_key_is_refused(small):
    path = small / "manifest.json"
    manifest = json.loads(path.read_text())
    del manifest["library"]["sha256"]
    path.write_text(json.dumps(manifest))
    with pytest.raises(package.ArtifactError, match="lacks 'sha256', need a frozen model"):
        package.load(small)


@pytest.mark.parametrize("level", [None, "0.999"])
def test_json_lines_say_what_the_table_says(calib, small, small_library, tmp_path, level):
    """At 99.9 % there are too few standards: the intervals have no end."""
    more = () if level is None else ("--level", level)
    for name in ("o.jsonl", "o.csv"):
        assert calib("predict", small, small_library, "-o", tmp_path / name, *more)[0] == 0
    lines = (tmp_path / "o.jsonl").read_text(encoding="utf-8").splitlines()
    table = pd.read_csv(tmp_path / "o.csv", keep_default_na=False)
    assert len(lines) == len(table)
    asked = validator("prediction")
    for line, row in zip(lines, table.to_dict("records"), strict=True):
        found = json.loads(line)
        asked.validate(found)
        assert (found["burst"], found["model"]) == (row["burst"], "small@1.0.0")
        silica = found["analytes"]["SiO2"]
        assert silica["value"] == pytest.approx(row["SiO2"], rel=1e-14)
        assert silica["unit"] == "wt%"
        assert (silica["high"] is None) == (level is not None)
        assert ";".join(silica["flags"]) == row["SiO2_flags"]


def test_a_model_that_knows_a_total_says_and_guards_it(
    calib, models, experiment, small_library, tmp_path, monkeypatch
):
    text = QUICK.replace("[models.pls]", "total = true\n[models.pls]")
    run = package.train(experiment('analytes = ["SiO2", "MgO"]\n' + text), tmp_path / "run")
    package.freeze(run, "small@1.0.0")
    validator("manifest").validate(open_sealed("small@1.0.0").manifest)
    out = tmp_path / "o.jsonl"
    assert calib("predict", "small@1.0.0", small_library, "-o", out)[0] == 0
    for line in out.read_text(encoding="utf-8").splitlines():
        validator("prediction").validate(json.loads(line))
        assert json.loads(line)["analytes"]["MgO"]["reconciled"]["uncertainty"] > 0
    assert calib("check", "small@1.0.0")[0] == 0
    plain = Total.reconcile
    monkeypatch.setattr(Total, "reconcile", lambda *a: tuple(1.0001 * x for x in plain(*a)))
    assert "FAIL  golden predictions" in calib("check", "small@1.0.0")[1]

"""Hostile files are refused; sound ones read as the safetensors library reads them."""

from __future__ import annotations

import contextlib
import json
import os
import struct
import tracemalloc

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from safetensors.numpy import load, save

from calib.artifact import reading
from calib.errors import ArtifactError


def packed(header: object, data: bytes = b"", *, length: int | None = None) -> bytes:
    text = header if isinstance(header, bytes) else json.dumps(header).encode()
    return struct.pack("<Q", len(text) if length is None else length) + text + data


def entry(dtype="F64", shape=(1,), offsets=(0, 8)):
    return {"dtype": dtype, "shape": list(shape), "data_offsets": list(offsets)}


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (b"[" * 100_000, "nested deeper than 32"),
        (b'{"a":' * 100_000 + b"1" + b"}" * 100_000, "nested deeper than 32"),
        (b'{"a": 1, "b": {"c": 1, "c": 2}}', "key 'c' stands twice"),
        (b'{"a": NaN}', "found NaN, need finite"),
        (b'{"a": -Infinity}', "found -Infinity"),
        (b'{"a": 1e999}', "found 1e999"),
        (b"[]", "found list, need an object"),
        (b"", "not JSON"),
        (b'{"a": "\xff"}', "not JSON"),
        (b'{"a": "\\ud800"}', "not JSON"),
        (b'\xef\xbb\xbf{"a": 1}', "not JSON"),
        (b'{"a": ' + b"9" * 5000 + b"}", "not JSON"),
        (b'{"a": "' + b"x" * reading.JSON_BYTES + b'"}', "need at most"),
    ],
)
def test_json_that_may_be_hostile_is_refused(text, message):
    with pytest.raises(ArtifactError, match=message):
        reading.parse_json(text, "m")


def test_brackets_in_strings_are_no_nesting():
    text = json.dumps({"a": '\\"' + "[" * 1000, "b": [1.5, {"c": None}]})
    assert reading.parse_json(text.encode(), "m") == json.loads(text)


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (b"\x01", "need a header"),
        (packed({}, length=2**63), "header claims 9223372036854775808 bytes"),
        (packed({"a": entry()}, b"", length=10**6), "header claims 1000000 bytes"),
        (packed({"a": entry(shape=(-1,))}, b"0" * 8), r"shape is \[-1\]"),
        (packed({"a": entry(shape=(2**62, 4))}, b"0" * 8), "need at most 8 whole numbers"),
        (packed({"a": entry(shape=(2**31,), offsets=(0, 2**31))}, b""), "does not fill"),
        (packed({"a": entry(shape=(1.0,))}, b"0" * 8), "shape is"),
        (packed({"a": entry(shape=(True,))}, b"0" * 8), "shape is"),
        (packed({"a": entry(shape=(1,) * 9)}, b"0" * 8), "shape is"),
        (packed({"a": entry(dtype="PICKLE")}, b"0" * 8), "dtype is 'PICKLE'"),
        (packed({"a": entry(dtype=["F64"])}, b"0" * 8), "dtype is"),
        (packed({"a": entry(offsets=(8, 0))}, b"0" * 8), "data_offsets is"),
        (packed({"a": entry(offsets=(-8, 0))}, b"0" * 8), "data_offsets is"),
        (packed({"a": entry(), "b": entry()}, b"0" * 8), "'b' overlaps"),
        (packed({"a": entry(offsets=(8, 16))}, b"0" * 16), "leaves a hole"),
        (packed({"a": entry()}, b"0" * 16), "arrays fill 8 bytes, the file has 16"),
        (packed({"a": entry()}, b"0" * 4), "arrays fill 8 bytes, the file has 4"),
        (packed({"a": [1]}), "need the keys"),
        (packed({"a": entry()}, struct.pack("<d", float("nan"))), "not finite"),
        (packed({"a": entry()}, struct.pack("<d", float("-inf"))), "not finite"),
        (packed({"a": entry("BOOL", (1,), (0, 1))}, b"\x02"), "neither true nor false"),
        (packed(b'{"a": {}, "a": {}}'), "stands twice"),
        (packed(b"[" * 100_000), "nested deeper"),
    ],
)
def test_arrays_that_lie_are_refused_before_memory_is_taken(data, message):
    tracemalloc.start()
    try:
        with pytest.raises(ArtifactError, match=message):
            reading.parse_arrays(data, "arrays")
        assert tracemalloc.get_traced_memory()[1] < 10 * len(data) + 200_000
    finally:
        tracemalloc.stop()


NAMED = st.dictionaries(
    st.text(st.characters(codec="utf-8"), max_size=12).filter(lambda name: name != "__metadata__"),
    hnp.arrays(
        st.sampled_from(["<f8", "<f4", "<i8", "|u1", "<u2", "|b1"]),
        hnp.array_shapes(min_dims=0, max_dims=3, min_side=0, max_side=5),
        elements={"allow_nan": False, "allow_infinity": False},
    ),
    max_size=4,
)


@given(NAMED)
@settings(max_examples=60, deadline=None)
def test_sound_arrays_read_as_the_safetensors_library_reads_them(arrays):
    data = save(arrays)
    found, expected = reading.parse_arrays(data, "arrays"), load(data)
    assert found.keys() == expected.keys()
    for name, array in expected.items():
        assert found[name].dtype == array.dtype
        np.testing.assert_array_equal(found[name], array)
        assert found[name].flags.aligned
        assert not found[name].flags.writeable or found[name].base is None


@given(st.binary(max_size=300))
@settings(max_examples=300, deadline=None)
def test_any_bytes_are_arrays_or_an_artifact_error(data):
    for parse in (reading.parse_arrays, reading.parse_json):
        with contextlib.suppress(ArtifactError):
            parse(data, "x")


@given(NAMED, st.data())
@settings(max_examples=100, deadline=None)
def test_changed_bytes_are_arrays_or_an_artifact_error(arrays, data):
    changed = bytearray(save(arrays))
    for _ in range(data.draw(st.integers(1, 4))):
        changed[data.draw(st.integers(0, len(changed) - 1))] = data.draw(st.integers(0, 255))
    with contextlib.suppress(ArtifactError):
        reading.parse_arrays(bytes(changed), "x")


def test_only_plain_files_are_read(tmp_path):
    (tmp_path / "file").write_bytes(b"abc")
    (tmp_path / "link").symlink_to("file")
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "folder").mkdir()
    assert reading.read_file(tmp_path / "file") == b"abc"
    for name, message in (
        ("link", "is a link"),
        ("pipe", "no plain file"),
        ("folder", "irectory"),
        ("none", "not found"),
    ):
        with pytest.raises(ArtifactError, match=message):
            reading.read_file(tmp_path / name)
    with pytest.raises(ArtifactError, match="found 3 bytes, need at most 2"):
        reading.read_file(tmp_path / "file", limit=2)


@pytest.mark.parametrize(
    ("names", "message"),
    [
        (["../x"], "no path"),
        (["/etc/passwd"], "no path"),
        (["a\\b"], "no path"),
        ([".hidden"], "no path"),
        ([""], "no path"),
        (["a\n"], "no path"),
        (["Card.html", "card.html"], "differ in case only"),
    ],
)
def test_file_names_that_are_no_names_are_refused(names, message):
    with pytest.raises(ArtifactError, match=message):
        reading.check_names(names, "m")

"""Writing and opening libraries; what breaks a rule is refused by name."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import zarr

import calib
from calib.errors import DataError, UsageError
from calib.library import Description, LibraryWriter, Spectrometer, split_spectrometers
from tests.conftest import small_axis, write_small_library


@pytest.fixture
def copy(small_library: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(small_library, tmp_path / "copy"))


def edit(path: Path, old: str, new: str) -> None:
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new, 1))


def test_what_was_written_is_read(small_library):
    library = calib.open_library(small_library)
    assert library.analytes == ["SiO2", "MgO", "Cr2O3"]
    assert len(library.bursts) == 48
    np.testing.assert_array_equal(library.wavelength, small_axis())
    assert library.counts(5).shape == (7, 180)
    assert library.dark(0).shape == (180,)
    assert "24 standards, 48 bursts" in repr(library)


def test_bursts_walked_in_any_order_are_the_same(small_library):
    library = calib.open_library(small_library)
    for row, counts in library.walk([40, 3, 4, 17]):
        np.testing.assert_array_equal(counts, library.counts(row))


def test_empty_is_not_certified_and_below_a_limit_is_half_of_it(small_library):
    """Rectangular distribution: JCGM 100:2008 (GUM) 4.3.7, mean L/2, deviation L/√12."""
    library = calib.open_library(small_library)
    assert np.isnan(library.values.loc["T09", "MgO"])
    assert np.isnan(library.values.loc["T00", "Cr2O3"])
    assert library.values.loc["T01", "Cr2O3"] == pytest.approx(0.005)
    assert library.uncertainty.loc["T01", "Cr2O3"] == pytest.approx(0.01 / 12**0.5)


def test_same_seed_gives_the_same_bytes(tmp_path):
    one = calib.open_library(write_small_library(tmp_path / "one"))
    two = calib.open_library(write_small_library(tmp_path / "two"))
    other = calib.open_library(write_small_library(tmp_path / "other", seed=8))
    assert one.digest() == two.digest() != other.digest()


@pytest.mark.parametrize(
    ("file", "old", "new", "message"),
    [
        ("bursts.csv", "T03-1.5,T03", "T03-1.5,T99", "bursts.csv: row 8: standard 'T99' .* not in"),
        ("bursts.csv", "held-out", "training", "need one of calibration, held-out, check"),
        ("bursts.csv", "T03-4.0", "T03-1.5", "burst 'T03-1.5' stands twice"),
        ("bursts.csv", "burst,", "label,", "column 'burst' is missing"),
        ("bursts.csv", "7,calibration", "x,calibration", "shots of burst .* is 'x', need a whole"),
        ("bursts.csv", "329,7", "330,7", "ends beyond the 336 shots"),
        ("bursts.csv", ",7,7,cal", ",6,7,cal", "row 3: burst 'T00-4.0' shares shots .* 'T00-1.5'"),
        ("bursts.csv", "T00,1,1.5", "T00,1,-1.5", "row 2: distance_m is -1.5, need metres above"),
        ("bursts.csv", "burst,", "Burst,", "column 'Burst': need it written 'burst'"),
        ("standards.csv", "T03,", "T03,,", "line 5: found 8 cells, need 7"),
        ("standards.csv", "T03", "T02", "standard 'T02' stands twice"),
        ("standards.csv", "0.2", "-0.2", "SiO2_u of standard .* is '-0.2'"),
        ("standards.csv", "<0.01", "<", "Cr2O3 of standard 'T01' is '<', need a number"),
        ("standards.csv", "SiO2_u", "SiO2", "column 'SiO2' stands twice"),
        ("library.toml", "schema = 1", "schema = 9", "schema is 9, this calib reads 1"),
        ("library.toml", 'signal = "emission"', 'signal = "sound"', "key 'signal' is 'sound'"),
        ("library.toml", "channels = 60", "channels = 61", "library.toml says 181 channels"),
        ("library.toml", "title", "title = ", "not TOML"),
    ],
)  # fmt: skip
def test_broken_tables_are_refused(copy, file, old, new, message):
    edit(copy / file, old, new)
    with pytest.raises(DataError, match=message) as caught:
        calib.open_library(copy)
    assert file.removesuffix(".toml") in str(caught.value) or "zarr" in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("value", "message"),
    [("140", "need at most 100 wt%"), ("-3", "not negative"), ("abc", "need a number")],
)
def test_impossible_compositions_are_refused(copy, value, message):
    table = pd.read_csv(copy / "standards.csv", dtype=str, keep_default_na=False)
    table.loc[4, "SiO2"] = value
    table.to_csv(copy / "standards.csv", index=False)
    with pytest.raises(DataError, match=f"row 6: SiO2 of standard 'T04' is '{value}', .*{message}"):
        calib.open_library(copy)


def test_a_total_of_140_is_refused(copy):
    table = pd.read_csv(copy / "standards.csv", dtype=str, keep_default_na=False)
    table.loc[4, ["SiO2", "MgO"]] = ["90", "50"]
    table.to_csv(copy / "standards.csv", index=False)
    with pytest.raises(DataError, match="row 6: the composition of standard 'T04' adds up to 140"):
        calib.open_library(copy)


def test_an_axis_that_does_not_increase_is_refused(copy):
    group = zarr.open_group(copy / "spectra.zarr", mode="r+")
    group["wavelength"][7] = 1.0
    with pytest.raises(DataError, match=r"channel 7 is 1 nm after .* need an increasing axis"):
        calib.open_library(copy)


def test_a_dark_that_is_not_there_is_named(copy):
    text = (copy / "bursts.csv").read_text().replace(",,0,,7,7,", ",,3,,7,7,")
    (copy / "bursts.csv").write_text(text)
    with pytest.raises(DataError, match=r"row 3: dark 3 is named, spectra\.zarr holds 1 darks"):
        calib.open_library(copy)
    shutil.rmtree(copy / "spectra.zarr" / "darks")
    with pytest.raises(DataError, match=r"row 2: dark 0 is named, spectra\.zarr holds 0 darks"):
        calib.open_library(copy)


@pytest.mark.parametrize("file", ["library.toml", "standards.csv", "bursts.csv"])
def test_a_missing_file_is_named(copy, file):
    (copy / file).unlink()
    with pytest.raises(DataError, match=f"{file}: not found"):
        calib.open_library(copy)


def test_no_folder_says_what_to_do_first(tmp_path):
    with pytest.raises(DataError, match="calib library simulate"):
        calib.open_library(tmp_path / "nothing")


def test_a_failed_writer_leaves_nothing(tmp_path):
    spectrometer = Spectrometer("A", 400.0, 402.0, 3)
    with (
        pytest.raises(DataError, match="row 0, channel 1 is nan"),
        LibraryWriter(tmp_path / "lib", Description("t", (spectrometer,)), [400, 401, 402]) as w,
    ):
        w.add_burst([[1.0, np.nan, 2.0]], burst="b", standard="s")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("counts", [[70000, 1, 2], [-1, 1, 2], [1.5, 1, 2]])
def test_counts_that_the_type_cannot_hold_are_refused(tmp_path, counts):
    description = Description("t", (Spectrometer("A", 400.0, 402.0, 3),))
    with (
        pytest.raises(DataError, match="need whole numbers that uint16 holds"),
        LibraryWriter(tmp_path / "lib", description, [400, 401, 402]) as writer,
    ):
        writer.add_burst([counts], burst="b", standard="s")


def test_a_damaged_chunk_is_named(copy):
    chunk = next((copy / "spectra.zarr" / "counts" / "c").rglob("0"))
    chunk = chunk / "0" if chunk.is_dir() else chunk
    chunk.write_bytes(chunk.read_bytes()[:40])
    with pytest.raises(DataError, match=r"spectra\.zarr: shots 0 to .* cannot be read"):
        calib.open_library(copy).counts(0)


def test_an_existing_folder_is_never_overwritten(small_library):
    with pytest.raises(UsageError, match="exists already"):
        LibraryWriter(small_library, Description("t", ()), [400, 401])


def test_a_wide_gap_begins_a_spectrometer():
    parts = split_spectrometers(small_axis())
    assert [(p.channels, round(p.first_nm)) for p in parts] == [(60, 230), (60, 375), (60, 500)]
    assert len(split_spectrometers(np.linspace(400, 900, 50))) == 1
    assert len(split_spectrometers(small_axis(), gap_factor=np.inf)) == 1

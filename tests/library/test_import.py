"""Importing wide tables, and the one-line errors of malformed ones."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

import calib
from calib.errors import CalibError, CalibWarning, DataError, UsageError
from calib.library import TableSettings, import_table
from calib.library.table import judge_signal


@pytest.fixture
def table() -> pd.DataFrame:
    rng = np.random.default_rng(3)
    spectra = pd.DataFrame(
        rng.uniform(0, 9, (6, 5)).round(3), columns=["400", "401 nm", "402", "403", "404"]
    )
    meta = pd.DataFrame(
        {
            "standard": list("aabbcd"),
            "family": list("ffgghi"),
            "distance_m": [2, 4, 2, 4, 2, 2],
            "SiO2": [50, 50, 60, 60, 70, 55],
            "SiO2_u": ["0.5", "0.5", "", "", "0.1", "0.2"],
        }
    )
    return pd.concat([meta, spectra], axis=1).astype(object)


def make(table: pd.DataFrame, folder, settings=None):
    table.to_csv(folder / "t.csv", index=False)
    return import_table(folder / "t.csv", folder / "lib", settings)


def test_rows_of_a_standard_become_its_bursts(table, tmp_path):
    library = calib.open_library(make(table, tmp_path))
    assert library.standards.index.tolist() == list("abcd")
    assert library.standards["family"].tolist() == list("fghi")
    assert library.bursts["distance_m"].tolist() == [2, 4, 2, 4, 2, 2]
    assert library.values["SiO2"].tolist() == [50, 60, 70, 55]
    assert library.wavelength.tolist() == [400, 401, 402, 403, 404]
    np.testing.assert_array_equal(library.counts(3)[0], table.iloc[3, 5:].astype(float))


def test_without_a_column_every_row_is_a_standard_and_it_is_said(table, tmp_path):
    with pytest.warns(CalibWarning, match="no column 'standard': each row"):
        path = make(table.drop(columns=["standard", "family"]), tmp_path)
    library = calib.open_library(path)
    assert library.standards.index.tolist() == [f"row-{i}" for i in range(1, 7)]


def test_an_axis_names_the_last_columns(table, tmp_path):
    table.columns = [*table.columns[:5], *"vwxyz"]
    library = calib.open_library(make(table, tmp_path, TableSettings(axis=(500.0, 508.0, 5))))
    assert library.wavelength.tolist() == [500, 502, 504, 506, 508]


def test_any_analyte_in_any_unit(table, tmp_path):
    table = table.rename(columns={"SiO2": "gloss", "SiO2_u": "gloss_u"})
    table["gloss"] *= 10
    settings = TableSettings(analytes=("gloss",), units={"gloss": "GU"})
    library = calib.open_library(make(table, tmp_path, settings))
    assert library.description.unit("gloss") == "GU"
    assert library.values["gloss"].max() == 700


def test_held_out_share_keeps_families_whole(table, tmp_path):
    library = calib.open_library(make(table, tmp_path, TableSettings(held_out=0.25)))
    families = library.bursts["standard"].map(library.standards["family"])
    held = set(families[library.bursts["use"] == "held-out"])
    assert len(held) == 1
    assert held.isdisjoint(families[library.bursts["use"] == "calibration"])
    assert "chosen at import with seed 1" in library.description.held_out_rule


def spoil(table, row, column, value):
    table.loc[row, column] = value
    return table


@pytest.mark.parametrize(
    ("change", "error", "message"),
    [
        (lambda t: spoil(t, 2, "402", "nan"), DataError, "row 4, column '402': found 'nan'"),
        (lambda t: spoil(t, 2, "402", "inf"), DataError, "row 4, column '402': found 'inf'"),
        (lambda t: spoil(t, 2, "402", ""), DataError, "row 4, column '402': found ''"),
        (lambda t: spoil(t, 2, "402", "1,5"), DataError, "row 4, column '402': found '1,5'"),
        (lambda t: spoil(t, 1, "SiO2", 51), DataError, "row 3: SiO2 of standard 'a' is '51'"),
        (lambda t: spoil(t, 4, "SiO2", 140), DataError, "row 6: SiO2 of standard 'c' is '140'"),
        (lambda t: spoil(t, 4, "SiO2", -1), DataError, "row 6: .* need a value that is not neg"),
        (lambda t: t.assign(use="train"), DataError, "row 2: use is 'train'"),
        (lambda t: t.rename(columns={"403": "399"}), DataError, "need an increasing axis"),
        (lambda t: t.rename(columns={"403": "402"}), DataError, "column '402' stands twice"),
        (lambda t: t.iloc[:, :6], DataError, "found 1 columns named by a wavelength"),
        (lambda t: t.iloc[:0], DataError, "found no rows"),
        (lambda t: t.rename(columns={"SiO2": "x"}), UsageError, "name the analytes with --analy"),
    ],
)
def test_malformed_tables_are_refused_and_leave_nothing(table, tmp_path, change, error, message):
    with pytest.raises(error, match=message) as caught:
        make(change(table), tmp_path)
    assert "t.csv" in str(caught.value)
    assert "\n" not in str(caught.value)
    assert [p.name for p in tmp_path.iterdir()] == ["t.csv"]


@pytest.mark.parametrize("text", ["", "\n\n", 'a,"b\n1,2', "\xff\xfe\x00"])
def test_what_is_no_table_is_refused(tmp_path, text):
    (tmp_path / "t.csv").write_bytes(text.encode("latin-1"))
    with pytest.raises(CalibError, match=r"t\.csv"):
        import_table(tmp_path / "t.csv", tmp_path / "lib")
    assert [p.name for p in tmp_path.iterdir()] == ["t.csv"]


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("\na,f,", "\na,f,9,", "line 2: found 11 cells, need 10 as in the header"),
        ("\na,f,", "\na,", "line 2: found 9 cells, need 10"),
        ("\na,f,2,50,0.5", '\na,f,2,50,"0.5', "not UTF-8 CSV"),
        ("standard,", "Standard,", "column 'Standard': need it written 'standard'"),
        ("family,", "family ,", "column 'family ': need it written 'family'"),
        ("404\n", "404,\n", "column 11 has no name"),
        ("\na,f,2,", "\na,f,-2,", "row 2: distance_m is '-2', need metres above 0"),
    ],
)
def test_cells_in_wrong_columns_are_never_read(table, tmp_path, old, new, message):
    table.to_csv(tmp_path / "t.csv", index=False)
    text = (tmp_path / "t.csv").read_text()
    assert old in text
    (tmp_path / "t.csv").write_text(text.replace(old, new, 1))
    with pytest.raises(DataError, match=message):
        import_table(tmp_path / "t.csv", tmp_path / "lib")
    assert [p.name for p in tmp_path.iterdir()] == ["t.csv"]


@pytest.mark.parametrize(
    ("settings", "message"),
    [
        (TableSettings(units={"Sio2": "ppm"}), "a unit is given for 'Sio2', need one of SiO2"),
        (TableSettings(analytes=("SiO2", "SiO2")), "'SiO2' stands twice"),
        (TableSettings(analytes=("SiO2", "SiO2_u")), "analyte 'SiO2_u': the name is taken"),
        (TableSettings(analytes=("source",)), "no column 'source'"),
    ],
)
def test_settings_that_do_not_fit_the_table_are_refused(table, tmp_path, settings, message):
    with pytest.raises(UsageError, match=message):
        make(table, tmp_path, settings)


def test_a_unit_that_is_guessed_is_said(table, tmp_path):
    table = table.rename(columns={"SiO2": "gloss", "SiO2_u": "gloss_u"})
    with pytest.warns(CalibWarning, match="no unit given for gloss: taken as wt%"):
        make(table, tmp_path, TableSettings(analytes=("gloss",)))


def test_columns_that_are_not_used_are_said(table, tmp_path):
    with pytest.warns(CalibWarning, match="columns not used: operator"):
        make(table.assign(operator="x"), tmp_path)


def test_a_column_use_forbids_choosing_anew(table, tmp_path):
    with pytest.raises(UsageError, match="has a column 'use'"):
        make(table.assign(use="calibration"), tmp_path, TableSettings(held_out=0.2))


def test_a_standard_called_na_keeps_its_name(table, tmp_path):
    table["standard"] = ["NA", "NA", "null", "null", "c", "d"]
    library = calib.open_library(make(table, tmp_path))
    assert library.standards.index.tolist() == ["NA", "null", "c", "d"]


def test_signal_is_judged_by_shape():
    x = np.arange(400)
    bands = np.exp(-0.5 * ((x - 200) / 30.0) ** 2)
    lines = sum(np.exp(-0.5 * ((x - at) / 1.3) ** 2) for at in range(10, 400, 23))
    rng = np.random.default_rng(0)
    assert judge_signal(bands) == "absorption"
    assert judge_signal(lines + rng.normal(0, 0.01, 400)) == "emission"
    assert judge_signal(np.ones(5)) == "emission"

"""PDS4 labels written by hand after the PDS4 Information Model; the trade's reader has no writer.

Classes and attributes: PDS4 Information Model 1.16 (Planetary Data System), Table_Delimited,
Table_Binary, Group_Field_Binary, Array_2D and Array_1D.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from calib.errors import DataError
from tests.library.test_importers import AXIS, META, SPECTRA, check, made

pytest.importorskip("pds4_tools")

HEAD = """<?xml version="1.0" encoding="UTF-8"?>
<Product_Observational xmlns="http://pds.nasa.gov/pds4/pds/v1">
  <Identification_Area>
    <logical_identifier>urn:nasa:pds:invented:data:one</logical_identifier>
    <version_id>1.0</version_id><title>Invented</title>
    <information_model_version>1.16.0.0</information_model_version>
    <product_class>Product_Observational</product_class>
  </Identification_Area>
"""


def area(file: str, body: str) -> str:
    return (
        f"<File_Area_Observational><File><file_name>{file}</file_name></File>{body}"
        "</File_Area_Observational>"
    )


def write(path: Path, *areas: str) -> Path:
    path.write_text(HEAD + "".join(areas) + "</Product_Observational>")
    return path


def delimited(folder: Path, unit: str = "nm", records: int = 21, last: str = "") -> Path:
    """One channel a record: a field of wavelengths and one field a spectrum."""
    names = ["Wavelength", *(f"shot {i}" for i in range(4))]
    rows = [",".join(f"{v:.6f}" for v in row) for row in np.column_stack([AXIS, SPECTRA.T])]
    if last:
        rows[-1] = last
    text = "\r\n".join(rows) + "\r\n"
    (folder / "data.csv").write_text(text, newline="")
    fields = "".join(
        f"<Field_Delimited><name>{name}</name><field_number>{i}</field_number>"
        f"<data_type>ASCII_Real</data_type><unit>{unit if i == 1 else 'count'}</unit>"
        "</Field_Delimited>"
        for i, name in enumerate(names, start=1)
    )
    return write(
        folder / "label.xml",
        area(
            "data.csv",
            f'<Table_Delimited><name>spectra</name><offset unit="byte">0</offset>'
            "<parsing_standard_id>PDS DSV 1</parsing_standard_id>"
            f"<records>{records}</records><record_delimiter>Carriage-Return Line-Feed"
            "</record_delimiter><field_delimiter>Comma</field_delimiter><Record_Delimited>"
            f"<fields>5</fields><groups>0</groups>{fields}</Record_Delimited></Table_Delimited>",
        ),
    )


def array(file: str, name: str, values: np.ndarray, unit: str = "") -> str:
    kind = {1: "Array_1D", 2: "Array_2D"}[values.ndim]
    axes = "".join(
        f"<Axis_Array><axis_name>axis {i}</axis_name><elements>{n}</elements>"
        f"<sequence_number>{i}</sequence_number></Axis_Array>"
        for i, n in enumerate(values.shape, start=1)
    )
    return area(
        file,
        f'<{kind}><name>{name}</name><offset unit="byte">0</offset><axes>{values.ndim}</axes>'
        "<axis_index_order>Last Index Fastest</axis_index_order><Element_Array>"
        f"<data_type>IEEE754MSBDouble</data_type>{f'<unit>{unit}</unit>' if unit else ''}"
        f"</Element_Array>{axes}</{kind}>",
    )


def arrays(folder: Path, **change: object) -> Path:
    """Spectra in an array of two dimensions, wavelengths in one of one dimension."""
    values = np.asarray(change.get("spectra", SPECTRA))
    (folder / "counts.dat").write_bytes(values.astype(">f8").tobytes())
    (folder / "axis.dat").write_bytes((AXIS / 1e3).astype(">f8").tobytes())
    return write(
        folder / "label.xml",
        array("counts.dat", "counts", SPECTRA),
        array("axis.dat", str(change.get("axis", "wavelength")), AXIS, "micrometer"),
    )


def binary(folder: Path) -> Path:
    """One spectrum a record: a standard's name and a group of counts; the axis is an array."""
    record = np.dtype([("standard", "S8"), ("counts", ">f8", (21,))])
    data = np.empty(4, record)
    data["standard"], data["counts"] = META["standard"].to_numpy(dtype="S8"), SPECTRA
    (folder / "table.dat").write_bytes(data.tobytes())
    (folder / "axis.dat").write_bytes(AXIS.astype(">f8").tobytes())
    table = (
        '<Table_Binary><name>shots</name><offset unit="byte">0</offset><records>4</records>'
        "<Record_Binary><fields>1</fields><groups>1</groups>"
        '<record_length unit="byte">176</record_length>'
        "<Field_Binary><name>standard</name><field_number>1</field_number>"
        '<field_location unit="byte">1</field_location><data_type>ASCII_String</data_type>'
        '<field_length unit="byte">8</field_length></Field_Binary>'
        "<Group_Field_Binary><repetitions>21</repetitions><fields>1</fields><groups>0</groups>"
        '<group_location unit="byte">9</group_location><group_length unit="byte">168'
        "</group_length><Field_Binary><name>counts</name><field_number>1</field_number>"
        '<field_location unit="byte">1</field_location><data_type>IEEE754MSBDouble</data_type>'
        '<field_length unit="byte">8</field_length></Field_Binary></Group_Field_Binary>'
        "</Record_Binary></Table_Binary>"
    )
    return write(
        folder / "label.xml",
        area("table.dat", table),
        array("axis.dat", "wavelength", AXIS, "nm"),
    )


@pytest.fixture
def meta(tmp_path):
    META.to_csv(tmp_path / "meta.csv", index=False)
    return tmp_path / "meta.csv"


def test_a_delimited_table_of_channels(tmp_path, meta):
    check(made(delimited(tmp_path), meta))


def test_arrays_with_an_axis_in_micrometres(tmp_path, meta):
    check(made(arrays(tmp_path), meta))


def test_a_binary_table_of_spectra_with_their_names(tmp_path):
    META.drop(columns="standard").to_csv(tmp_path / "meta.csv", index=False)
    check(made(binary(tmp_path), tmp_path / "meta.csv"))


@pytest.mark.parametrize(
    ("build", "message"),
    [
        (lambda d: (d / "label.xml").write_text("<Product"), "not readable as PDS4"),
        (lambda d: delimited(d, unit="furlong"), "unit of the axis is 'furlong'"),
        (lambda d: delimited(d, last="420.0,1,2,x,4"), "not readable as PDS4"),
        (lambda d: (delimited(d), (d / "data.csv").unlink()), "not readable as PDS4"),
        (lambda d: arrays(d, axis="abscissa"), "need a field or an array whose name holds"),
        (lambda d: arrays(d, spectra=SPECTRA[:2]), "not readable as PDS4"),
        (lambda d: arrays(d, spectra=SPECTRA * np.nan), "spectrum 1, channel 1 is nan"),
    ],
)
def test_malformed_products_are_named(tmp_path, meta, build, message):
    build(tmp_path)
    with pytest.raises(DataError, match=message) as caught:
        made(tmp_path / "label.xml", meta)
    assert "label.xml" in str(caught.value)
    assert "\n" not in str(caught.value)

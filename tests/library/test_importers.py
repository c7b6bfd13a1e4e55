"""Every format, written by its own reference library, and each malformed in five ways."""

from __future__ import annotations

import dataclasses
import struct
import textwrap
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import calib
from calib.errors import CalibError, DataError, UsageError
from calib.library import TableSettings, import_table
from calib.library.importers import source as sources
from calib.library.importers.axis import join_axis

AXIS = np.linspace(400.0, 420.0, 21)
SPECTRA = np.random.default_rng(8).uniform(0, 900, (4, 21)).round(3)
META = pd.DataFrame(
    {"standard": ["a", "a", "b", "c"], "distance_m": ["2", "4", "2", "2"],
     "SiO2": ["50", "50", "60", "70"], "SiO2_u": ["0.5", "0.5", "", "0.1"]}
)  # fmt: skip


@pytest.fixture
def meta(tmp_path) -> Path:
    """Metadata in the spectra's order."""
    META.to_csv(tmp_path / "meta.csv", index=False)
    return tmp_path / "meta.csv"


def made(source: Path, table: Path | None, **settings: object) -> calib.Library:
    """Import and open."""
    chosen = TableSettings(table=table, **settings)  # type: ignore[arg-type]
    return calib.open_library(import_table(source, source.parent / "lib", chosen))


def check(library: calib.Library, axis=AXIS, spectra=SPECTRA, *, rtol=1e-12) -> None:
    np.testing.assert_allclose(library.wavelength, axis, rtol=1e-9)
    found = np.concatenate([library.counts(i) for i in range(len(library.bursts))])
    np.testing.assert_allclose(found, spectra, rtol=rtol)
    assert library.bursts["standard"].tolist() == META["standard"].tolist()
    assert library.bursts["distance_m"].tolist() == [2, 4, 2, 2]
    assert library.values["SiO2"].tolist() == [50, 60, 70]


# wide CSV and metadata


def test_shots_of_one_burst_stay_together(tmp_path):
    table = META.assign(burst=["x", "x", "y", "z"], acquired_at="2031-03-03T07:00:00Z")
    table = pd.concat([table, pd.DataFrame(SPECTRA, columns=AXIS.astype(str))], axis=1)
    table.to_csv(tmp_path / "t.csv", index=False)
    library = made(tmp_path / "t.csv", None)
    assert library.bursts["shots"].tolist() == [2, 1, 1]
    np.testing.assert_array_equal(library.counts(0), SPECTRA[:2])
    assert library.bursts["acquired_at"].iloc[0] == "2031-03-03T07:00:00Z"


def folder(tmp_path: Path, axis=AXIS) -> Path:
    made_in = tmp_path / "shots"
    made_in.mkdir()
    for i, spectrum in enumerate(SPECTRA):
        np.savetxt(made_in / f"s{i}.txt", np.column_stack([axis, spectrum]), fmt="%.6f",
                   header="wavelength counts")  # fmt: skip
    return made_in


def named(tmp_path: Path, order=(2, 0, 3, 1)) -> Path:
    """A table that names its files, in another order."""
    table = META.assign(file=[f"s{i}.txt" for i in range(4)]).iloc[list(order)]
    table.to_csv(tmp_path / "named.csv", index=False)
    return tmp_path / "named.csv"


@pytest.mark.parametrize("separator", [" ", ",", "\t", ";"])
def test_text_files_with_a_table_that_names_them(tmp_path, separator):
    where = folder(tmp_path)
    for file in where.iterdir():
        file.write_text(file.read_text().replace(" ", separator).replace(f"#{separator}", "# "))
    check(made(where, named(tmp_path)))


@pytest.mark.parametrize(
    ("spoil", "message"),
    [
        (lambda d: (d / "s1.txt").write_text("wavelength counts\n400 x\n"), "found 0 pairs"),
        (lambda d: (d / "s1.txt").write_text("400 1\n401 nan\n402 3\n"), "line 2: found '401 nan"),
        (lambda d: (d / "s1.txt").write_text("400 1\n401 2 3\n"), "line 2: found '401 2 3'"),
        (lambda d: np.savetxt(d / "s2.txt", np.column_stack([AXIS[:9], AXIS[:9]])),
         "s2.txt: found 9 channels, s0.txt has 21"),
        (lambda d: np.savetxt(d / "s2.txt", np.column_stack([AXIS + 1, AXIS])),
         "s2.txt: channel 1 is at 401 nm, s0.txt has 400 nm"),
        (lambda d: (d / "s3.txt").write_bytes(b"400 \xff\n"), "s3.txt: not UTF-8 text"),
        (lambda d: [each.unlink() for each in d.iterdir()], "found no file that ends in .txt"),
        (lambda d: (d / "s3.txt").unlink(), "row 4: no spectrum s3.txt in"),
        (lambda d: np.savetxt(d / "s9.txt", np.column_stack([AXIS, AXIS])),
         "no row for 's9.txt' row 1"),
    ],
)  # fmt: skip
def test_malformed_text_files_are_named(tmp_path, spoil, message):
    where = folder(tmp_path)
    spoil(where)
    with pytest.raises(CalibError, match=message) as caught:
        made(where, named(tmp_path))
    assert "\n" not in str(caught.value)
    assert not (tmp_path / "lib").exists()


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda t: t.iloc[:3], "found 3 rows, .* holds 4 spectra; need one row each"),
        (lambda t: t.assign(file="s0.txt"), "file 's0.txt' stands twice; a column 'row'"),
        (lambda t: t.assign(SiO2="many"), "row 2: SiO2 of standard 'a' is 'many'"),
        (lambda t: t.assign(use="test"), "use is 'test', need one of calibration"),
        (lambda t: t.assign(SiO2=["50", "51", "60", "70"]), "row 3: SiO2 of standard 'a' is '51'"),
        (lambda t: t.assign(burst="one"), "burst 'one' is of standard 'b', its earlier rows"),
    ],
)
def test_a_wrong_table_of_metadata_is_named(tmp_path, change, message):
    change(META).to_csv(tmp_path / "meta.csv", index=False)
    with pytest.raises(DataError, match=message):
        made(folder(tmp_path), tmp_path / "meta.csv")


def test_a_table_that_is_not_there_is_named(tmp_path):
    with pytest.raises(UsageError, match=r"none\.csv: no such table of metadata"):
        made(folder(tmp_path), tmp_path / "none.csv")


# FITS, written by astropy


def fits_image(path: Path, **header: object) -> Path:
    fits = pytest.importorskip("astropy.io.fits")
    hdu = fits.PrimaryHDU(SPECTRA)
    hdu.header.update(
        {"CTYPE1": "AWAV", "CUNIT1": "nm", "CRPIX1": 1.0, "CRVAL1": 400.0, "CDELT1": 1.0}
    )
    for key, value in header.items():
        if value is None:
            del hdu.header[key]
        else:
            hdu.header[key] = value
    hdu.writeto(path)
    return path


def fits_table(path: Path, unit: str = "Angstrom") -> Path:
    fits = pytest.importorskip("astropy.io.fits")
    columns = [
        fits.Column("standard", "1A", array=META["standard"]),
        fits.Column("distance_m", "D", array=META["distance_m"].astype(float)),
        fits.Column("COUNTS", "21D", array=SPECTRA),
    ]
    axis = fits.Column("WAVELENGTH", "D", unit=unit, array=AXIS * 10)
    fits.HDUList(
        [fits.PrimaryHDU(), fits.BinTableHDU.from_columns(columns),
         fits.BinTableHDU.from_columns([axis], name="AXIS")]
    ).writeto(path)  # fmt: skip
    return path


def test_fits_image_rows_with_a_linear_axis(tmp_path, meta):
    from astropy.wcs import WCS

    path = fits_image(tmp_path / "s.fits", CRPIX1=3.0, CRVAL1=402.0)
    library = made(path, meta)
    check(library)
    assert library.description.wavelengths == "air"
    # astropy's own reading of the same header, in metres
    header = sources.need("astropy.io.fits", "FITS").getheader(path)
    expected = WCS(header, naxis=[1]).all_pix2world(np.arange(21), 0)[0] * 1e9
    np.testing.assert_allclose(library.wavelength, expected, rtol=1e-12)


def test_fits_table_with_vectors_and_an_axis_in_angstrom(tmp_path):
    path = fits_table(tmp_path / "t.fits")
    META[["SiO2", "SiO2_u"]].to_csv(tmp_path / "meta.csv", index=False)
    check(made(path, tmp_path / "meta.csv"))


def test_fits_table_of_one_spectrum(tmp_path):
    fits = pytest.importorskip("astropy.io.fits")
    columns = [fits.Column("WAVE", "D", unit="um", array=AXIS / 1e3),
               fits.Column("FLUX", "E", array=SPECTRA[0])]  # fmt: skip
    fits.BinTableHDU.from_columns(columns).writeto(tmp_path / "one.fits")
    META.iloc[:1].to_csv(tmp_path / "meta.csv", index=False)
    library = made(tmp_path / "one.fits", tmp_path / "meta.csv")
    np.testing.assert_allclose(library.counts(0)[0], SPECTRA[0], rtol=1e-6)  # single precision
    np.testing.assert_allclose(library.wavelength, AXIS)


def cut(path: Path, share: float = 0.5) -> Path:
    data = path.read_bytes()
    path.write_bytes(data[: int(share * len(data))])
    return path


@pytest.mark.filterwarnings("ignore:.*truncated.*", "ignore:.*Error validating header.*")
@pytest.mark.parametrize(
    ("build", "message"),
    [
        (lambda p: p.write_text("SIMPLE = no") and p, "not readable as FITS"),
        (lambda p: fits_image(p, CUNIT1="furlong"), "unit of the axis is 'furlong'"),
        (lambda p: fits_image(p, CRVAL1=None), "no wavelengths: need a linear WCS"),
        (lambda p: fits_image(p, CTYPE1="FREQ"), "CTYPE1 is 'FREQ', need WAVE"),
        (lambda p: fits_image(p, CRVAL1=-5.0), "channel 0 is at -5.0, need a positive"),
        (lambda p: fits_image(p, CDELT1=0.0), "CDELT1 is 0.0, need the channel spacing"),
        (lambda p: fits_table(p, unit="parsec"), "unit of the axis is 'parsec'"),
        (lambda p: cut(fits_image(p), 0.52), "cut off|not readable as FITS"),
    ],
)
def test_malformed_fits_is_named(tmp_path, meta, build, message):
    path = tmp_path / "bad.fits"
    build(path)
    with pytest.raises(DataError, match=message) as caught:
        made(path, meta)
    assert "bad.fits" in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_value_that_is_not_finite_is_placed(tmp_path, meta):
    path = fits_image(tmp_path / "nan.fits")
    data = bytearray(path.read_bytes())
    data[2880 + 8 * (21 + 4) : 2880 + 8 * (21 + 5)] = struct.pack(">d", np.nan)
    path.write_bytes(bytes(data))
    with pytest.raises(DataError, match="spectrum 2, channel 5 is nan, need a finite number"):
        made(path, meta)


# JCAMP-DX, written by the jcamp package


def jcamp_file(path: Path, i: int = 0, **change: object) -> Path:
    jcamp = pytest.importorskip("jcamp")
    data = {
        "title": f"shot {i}", "jcamp-dx": "4.24", "data type": "EMISSION SPECTRUM",
        "origin": "invented", "owner": "invented", "xunits": "NANOMETERS",
        "yunits": "COUNTS", "xfactor": 1.0, "yfactor": 0.001, "firstx": 400.0, "lastx": 420.0,
        "npoints": 21, "x": AXIS, "y": SPECTRA[i],
    }  # fmt: skip
    jcamp.writefile(str(path), {**data, **change})
    return path


def test_jcamp_files_in_a_folder(tmp_path, meta):
    where = tmp_path / "jdx"
    where.mkdir()
    for i in range(4):
        jcamp_file(where / f"s{i}.jdx", i)
    check(made(where, meta), rtol=1e-5)  # the writer keeps six digits


# The packed forms of one ordinate sequence, written out by hand from the definition of the
# pseudo-digits (McDonald & Wilks 1988, table I): @ABC… is 0 to 9 with a space before (SQZ),
# %JKL… a positive difference, jkl… a negative one (DIF), STU… a repeat count (DUP).
FORMS = {
    "AFFN": "400 12 13 15 15 15 14\n",
    "PAC": "400+12+13+15+15+15+14\n",
    "SQZ": "400A2A3A5A5A5A4\n",
    "DIF": "400A2JK%%j\n405A4\n",
    "DIFDUP": "400A2JK%Tj\n405A4\n",
}


@pytest.mark.parametrize("form", FORMS)
def test_jcamp_forms_all_decode(tmp_path, form):
    pytest.importorskip("jcamp")
    text = textwrap.dedent("""\
        ##TITLE=packed
        ##JCAMP-DX=4.24
        ##DATA TYPE=EMISSION SPECTRUM
        ##XUNITS=NANOMETERS
        ##YUNITS=COUNTS
        ##FIRSTX=400
        ##LASTX=405
        ##XFACTOR=1
        ##YFACTOR=1
        ##NPOINTS=6
        ##XYDATA=(X++(Y..Y))
        {}##END=
        """).format(FORMS[form])
    (tmp_path / "p.jdx").write_text(text)
    META.iloc[:1].to_csv(tmp_path / "meta.csv", index=False)
    library = made(tmp_path / "p.jdx", tmp_path / "meta.csv")
    np.testing.assert_array_equal(library.counts(0), [[12, 13, 15, 15, 15, 14]])
    np.testing.assert_allclose(library.wavelength, np.arange(400, 406))


def test_wavenumbers_become_wavelengths_in_vacuum(tmp_path):
    jcamp_file(tmp_path / "n.jdx", x=np.linspace(20000.0, 20500.0, 21), firstx=20000.0,
               lastx=20500.0, xunits="1/CM")  # fmt: skip
    META.iloc[:1].to_csv(tmp_path / "meta.csv", index=False)
    library = made(tmp_path / "n.jdx", tmp_path / "meta.csv")
    np.testing.assert_allclose(library.wavelength, 1e7 / np.linspace(20500.0, 20000.0, 21))
    np.testing.assert_allclose(library.counts(0)[0], SPECTRA[0, ::-1], rtol=1e-5)
    assert library.description.wavelengths == "vacuum"
    assert "reversed" in library.description.notes


@pytest.mark.parametrize(
    ("spoil", "message"),
    [
        (lambda p: p.write_text("hello\n"), "not JCAMP-DX: no labelled record"),
        (lambda p: cut(p), "ends without ##END=, is it cut off"),
        (lambda p: p.write_text(p.read_text().replace("NANOMETERS", "FURLONGS")), "'FURLONGS'"),
        (lambda p: p.write_text(p.read_text().replace("=21", "=25")), "NPOINTS says 25|block 1"),
        (lambda p: p.write_text("##TITLE=x\n##JCAMP-DX=4.24\n##END=\n"), "found no ##XYDATA"),
    ],
)
def test_malformed_jcamp_is_named(tmp_path, meta, spoil, message):
    path = jcamp_file(tmp_path / "bad.jdx")
    spoil(path)
    with pytest.raises(DataError, match=message) as caught:
        made(path, meta)
    assert "bad.jdx" in str(caught.value)
    assert "\n" not in str(caught.value)


# NetCDF and Zarr, written by xarray


def grid(path: Path, **change: object) -> Path:
    xarray = pytest.importorskip("xarray")
    pytest.importorskip("netCDF4")
    variables = {
        "counts": (("shot", "channel"), change.get("counts", SPECTRA)),
        "standard": ("shot", META["standard"].to_numpy(dtype=str)),
        "distance_m": ("shot", META["distance_m"].astype(float)),
    }
    data = xarray.Dataset(variables)
    if "axis" not in change:
        data["wavelength"] = ("channel", AXIS)
        data["wavelength"].attrs["units"] = change.get("units", "nm")
    if path.suffix == ".zarr":
        data.to_zarr(path, zarr_format=3, consolidated=False)
    else:
        data.to_netcdf(path, engine="netcdf4")
    return path


@pytest.mark.filterwarnings("ignore::zarr.errors.UnstableSpecificationWarning")
@pytest.mark.parametrize("name", ["g.nc", "g.zarr"])
def test_netcdf_and_zarr(tmp_path, name):
    META[["SiO2", "SiO2_u"]].to_csv(tmp_path / "meta.csv", index=False)
    check(made(grid(tmp_path / name), tmp_path / "meta.csv"))


@pytest.mark.parametrize(
    ("build", "message"),
    [
        (lambda p: p.write_bytes(b"CDF\x01 no"), "not readable as netcdf4"),
        (lambda p: grid(p, axis=None), "need one of wavelength"),
        (
            lambda p: grid(p, units="furlong"),
            "variable 'wavelength': unit of the axis is 'furlong'",
        ),
        (lambda p: grid(p, counts=np.where(SPECTRA > 800, np.nan, SPECTRA)), "is nan, need a fin"),
        (lambda p: grid(p, counts=np.full((4, 21), "x")), "found no variable of numbers over"),
        (lambda p: cut(grid(p)), "not readable as netcdf4|is nan"),
    ],
)
def test_malformed_netcdf_is_named(tmp_path, meta, build, message):
    path = tmp_path / "bad.nc"
    build(path)
    with pytest.raises(DataError, match=message) as caught:
        made(path, meta)
    assert "bad.nc" in str(caught.value)
    assert "\n" not in str(caught.value)


# formats and axes


def test_what_is_missing_is_said_with_the_line_that_adds_it(tmp_path, monkeypatch):
    monkeypatch.setitem(__import__("sys").modules, "jcamp", None)
    (tmp_path / "s.jdx").write_text("##TITLE=x")
    with pytest.raises(UsageError, match=r"pip install 'calib-workbench\[jcamp\]'"):
        made(tmp_path / "s.jdx", None)


def test_overlapping_spectrometers_are_cut_in_the_middle_and_never_mixed():
    one, two = np.linspace(400, 410, 11), np.linspace(408, 420, 25)
    joined = join_axis(np.r_[one, two])
    assert (np.diff(joined.wavelength) > 0).all()
    assert set(joined.wavelength) <= set(one) | set(two)
    assert [s.channels for s in joined.spectrometers] == [10, 22]
    np.testing.assert_array_equal(joined.wavelength, np.r_[one, two][joined.channels])
    assert joined.notes[0] == "overlap from 408 to 410 nm cut at 409 nm: 4 channels dropped"
    with pytest.raises(DataError, match="overlap from 408 to 410 nm; remove the channels of one"):
        join_axis(np.r_[one, two], overlap="refuse")


def test_a_gap_starts_a_spectrometer_and_can_be_overridden():
    axis = np.r_[np.linspace(400, 410, 11), np.linspace(430, 440, 11)]
    joined = join_axis(axis)
    assert [(s.first_nm, s.last_nm) for s in joined.spectrometers] == [(400, 410), (430, 440)]
    assert joined.notes == ["2 spectrometers: S1 400 to 410 nm, S2 430 to 440 nm"]
    assert len(join_axis(axis, gap_factor=np.inf).spectrometers) == 1


@pytest.mark.parametrize(
    ("axis", "message"),
    [
        ([400, 402, 401, 403, 404, 405, 406, 407, 408, 409.0], "channel 3 is 401 nm after 402 nm"),
        (np.r_[np.linspace(400, 440, 41), np.linspace(410, 420, 11)], "lies within the one to 440"),
    ],
)
def test_an_axis_that_cannot_be_ordered_is_refused(axis, message):
    with pytest.raises(DataError, match=message):
        join_axis(np.asarray(axis, dtype=float))


def test_the_command_says_what_it_joined(tmp_path, calib):
    axis = np.r_[np.linspace(430, 440, 11), np.linspace(400, 409, 10)]
    status, out, _ = calib(
        "library", "import", folder(tmp_path, axis), tmp_path / "lib", "--table", named(tmp_path)
    )
    assert status == 0
    assert "note: 2 spectrometers: S1 400 to 409 nm, S2 430 to 440 nm" in out


def test_settings_are_frozen():
    with pytest.raises(dataclasses.FrozenInstanceError):
        TableSettings().overlap = "refuse"  # type: ignore[misc]

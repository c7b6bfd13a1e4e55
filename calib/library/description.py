"""``library.toml``: what the spectra are, which instrument shot them, in which units.

schema = 1
title = "Hall campaign"
signal = "emission"            # or "absorption": what the channels hold
wavelengths = "air"            # or "vacuum"
atmosphere = "air at 84 kPa"
licence = "CC0-1.0"
notes = "Invented for demonstration."
[instrument]
name = "Heron"
spectrometers = [{ name = "U", first_nm = 228.0, last_nm = 332.0, channels = 2048 }]
[units]                        # analytes not listed are wt%
SiO2 = "wt%"
[held_out]
rule = "one family in five, stratified on SiO2, seed 1"
"""

from __future__ import annotations

import itertools
import json
import tomllib
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from calib.errors import DataError

SCHEMA = 1
"""Version of the library's layout. To change it: raise the number, keep a reader of the old
one in this module, and keep a library of the old schema in ``tests/library``."""

GAP_FACTOR = 5.0
"""A step this many times the median channel spacing begins a new spectrometer."""


@dataclass(frozen=True)
class Spectrometer:
    """One spectrometer: its name, first and last wavelength in nm, number of channels."""

    name: str
    first_nm: float
    last_nm: float
    channels: int


@dataclass(frozen=True)
class Description:
    """What ``library.toml`` says; wavelengths in nm.

    Parameters
    ----------
    title : str
        One line for people.
    spectrometers : tuple of Spectrometer
        In the order of their channels.
    instrument : str
        Name of the instrument.
    signal : {"emission", "absorption"}
        Emission spectra have lines on a continuum, in counts; absorption spectra are
        absorbances. Steps that need lines or counts are left out for the latter.
    wavelengths : {"air", "vacuum"}
        Which wavelengths the axis holds.
    units : dict of str to str
        Unit of each analyte; wt% where not listed.
    atmosphere, licence, notes, held_out_rule : str
        For people; empty where not known.
    """

    title: str
    spectrometers: tuple[Spectrometer, ...]
    instrument: str = ""
    signal: Literal["emission", "absorption"] = "emission"
    wavelengths: Literal["air", "vacuum"] = "air"
    units: dict[str, str] = field(default_factory=dict)
    atmosphere: str = ""
    licence: str = ""
    notes: str = ""
    held_out_rule: str = ""

    def unit(self, analyte: str) -> str:
        """Return the unit of an analyte, wt% unless the library says otherwise."""
        return self.units.get(analyte, "wt%")

    @property
    def channels(self) -> int:
        """Channels of all spectrometers together."""
        return sum(each.channels for each in self.spectrometers)

    def slices(self) -> tuple[slice, ...]:
        """Return the channels of each spectrometer, as slices of the whole axis."""
        edges = np.cumsum([0, *(each.channels for each in self.spectrometers)]).tolist()
        return tuple(slice(a, b) for a, b in itertools.pairwise(edges))


def split_spectrometers(
    wavelength: NDArray[np.float64], *, gap_factor: float = GAP_FACTOR
) -> tuple[Spectrometer, ...]:
    """Cut an axis into spectrometers where a step is much wider than the spacing around it.

    Parameters
    ----------
    wavelength : ndarray of shape (channels,)
        Increasing, nm.
    gap_factor : float, default 5
        A step wider than this many times the median step of the whole axis *and* of the
        smaller of its two neighbouring steps is a gap. Infinity keeps one spectrometer.

    Returns
    -------
    tuple of Spectrometer
        Named S1, S2, … in order.
    """
    steps = np.diff(wavelength)
    cuts: list[int] = []
    if steps.size >= 3:
        around = np.minimum(np.r_[np.inf, steps[:-1]], np.r_[steps[1:], np.inf])
        wide = (steps > gap_factor * np.median(steps)) & (steps > gap_factor * around)
        cuts = (np.flatnonzero(wide) + 1).tolist()
    edges = [0, *cuts, wavelength.size]
    return tuple(
        Spectrometer(f"S{i + 1}", float(wavelength[a]), float(wavelength[b - 1]), b - a)
        for i, (a, b) in enumerate(itertools.pairwise(edges))
    )


def _text(value: str) -> str:
    """Quote a TOML basic string (JSON's escapes are a subset of TOML's)."""
    return json.dumps(value, ensure_ascii=False)


def dump(description: Description) -> str:
    """Write a description as the text of ``library.toml``."""
    lines = [
        f"schema = {SCHEMA}",
        f"title = {_text(description.title)}",
        f"signal = {_text(description.signal)}",
        f"wavelengths = {_text(description.wavelengths)}",
        f"atmosphere = {_text(description.atmosphere)}",
        f"licence = {_text(description.licence)}",
        f"notes = {_text(description.notes)}",
        "",
        "[instrument]",
        f"name = {_text(description.instrument)}",
        "spectrometers = [",
        *(
            f"  {{ name = {_text(s.name)}, first_nm = {float(s.first_nm)!r}, "
            f"last_nm = {float(s.last_nm)!r}, channels = {s.channels} }},"
            for s in description.spectrometers
        ),
        "]",
        "",
        "[units]",
        *(f"{_text(name)} = {_text(unit)}" for name, unit in description.units.items()),
        "",
        "[held_out]",
        f"rule = {_text(description.held_out_rule)}",
    ]
    return "\n".join(lines) + "\n"


def load(path: Path) -> Description:
    """Read ``library.toml``.

    Raises
    ------
    DataError
        If the file is missing, is not TOML, is of an unknown schema, or lacks a key.
    """
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise DataError(
            f"{path}: not found; a library is a folder with library.toml, standards.csv, "
            "bursts.csv and spectra.zarr"
        ) from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise DataError(f"{path}: not TOML: {error}") from None
    if data.get("schema") != SCHEMA:
        raise DataError(f"{path}: schema is {data.get('schema')!r}, this calib reads {SCHEMA}")
    instrument = _table(data, "instrument", path)
    return Description(
        title=_string(data, "title", path),
        spectrometers=_spectrometers(instrument, path),
        instrument=_string(instrument, "name", path),
        signal=_choice(data, "signal", ("emission", "absorption"), path),  # type: ignore[arg-type]
        wavelengths=_choice(data, "wavelengths", ("air", "vacuum"), path),  # type: ignore[arg-type]
        units={str(k): str(v) for k, v in _table(data, "units", path).items()},
        atmosphere=_string(data, "atmosphere", path),
        licence=_string(data, "licence", path),
        notes=_string(data, "notes", path),
        held_out_rule=_string(_table(data, "held_out", path), "rule", path),
    )


def _table(data: dict[str, Any], key: str, path: Path) -> dict[str, Any]:
    value = data.get(key, {})
    if not isinstance(value, dict):
        raise DataError(f"{path}: key {key!r} is {value!r}, need a table")
    return value


def _string(data: dict[str, Any], key: str, path: Path) -> str:
    value = data.get(key, "")
    if not isinstance(value, str):
        raise DataError(f"{path}: key {key!r} is {value!r}, need text")
    return value


def _choice(data: dict[str, Any], key: str, allowed: tuple[str, ...], path: Path) -> str:
    value = data.get(key, allowed[0])
    if value not in allowed:
        raise DataError(f"{path}: key {key!r} is {value!r}, need one of {', '.join(allowed)}")
    return str(value)


def _spectrometers(instrument: dict[str, Any], path: Path) -> tuple[Spectrometer, ...]:
    rows = instrument.get("spectrometers")
    if not isinstance(rows, list) or not rows:
        raise DataError(f"{path}: key 'instrument.spectrometers' is missing or empty")
    try:
        return tuple(
            Spectrometer(
                str(row["name"]),
                float(row["first_nm"]),
                float(row["last_nm"]),
                int(row["channels"]),
            )
            for row in rows
        )
    except (KeyError, TypeError, ValueError) as error:
        raise DataError(
            f"{path}: key 'instrument.spectrometers': {error}; need name, first_nm, last_nm, "
            "channels in each"
        ) from None

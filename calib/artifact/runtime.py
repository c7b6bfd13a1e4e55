"""The frozen model at work: numpy, safetensors, and the preprocess steps it meets.

A model is a manifest (plain data) and named arrays. Training builds one with the same class that a
pipeline loads, so a trained and a frozen model cannot disagree.
"""

from __future__ import annotations

import itertools
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self

import numpy as np
from numpy.typing import ArrayLike, NDArray
from safetensors import SafetensorError
from safetensors.numpy import load_file

from calib import _checks
from calib.errors import ArtifactError, DataError
from calib.preprocess.chain import Chain
from calib.preprocess.step import Acquisition
from calib.regress import predictors
from calib.validate.domain import ARRAYS as DOMAIN
from calib.validate.domain import Domain, words
from calib.validate.intervals import LocalError
from calib.validate.limits import reported

if TYPE_CHECKING:
    import pandas as pd

Floats = NDArray[np.floating]

SCHEMA = 1
"""Version of the artifact's layout. To change it: raise the number, keep reading the old one here,
and add a frozen artifact of the old schema to ``tests/artifact/data``."""

KEYS = ("signal", "wavelengths", "spectrometers", "preprocess", "interval_level", "analytes")
"""What a manifest must say for the runtime; a frozen one says more."""

ANALYTE_KEYS = ("unit", "predictor", "arrays", "range", "lod")
"""What a manifest must say of each analyte for the runtime."""

INTERVAL_ARRAYS = ("predicted", "error", "score", "weight")
"""Arrays of an analyte's error bars, the fields of `calib.validate.intervals.LocalError`."""

AXIS_TOLERANCE = 0.1
"""Channels by which an axis may differ from the model's before it is refused."""


@dataclass(frozen=True)
class Predictions:
    """Predictions of some spectra, arrays of shape (rows, analytes) in each analyte's unit.

    Attributes
    ----------
    analytes : tuple of str
    value : ndarray
    uncertainty : ndarray
        Standard uncertainty: the local RMSEP at the predicted value.
    low, high : ndarray
        Ends of the interval of `level`; infinite where too few standards were known for it.
    flags : ndarray of str
        Words joined by ``;``, empty where there is nothing to say (see `Model.predict`).
    level : float
    """

    analytes: tuple[str, ...]
    value: Floats
    uncertainty: Floats
    low: Floats
    high: Floats
    flags: NDArray[np.str_]
    level: float

    def columns(self) -> dict[str, NDArray[Any]]:
        """Return the columns of a predictions table, in order."""
        out: dict[str, NDArray[Any]] = {}
        for j, name in enumerate(self.analytes):
            out[name] = self.value[:, j]
            out[f"{name}_u"] = self.uncertainty[:, j]
            out[f"{name}_low"] = self.low[:, j]
            out[f"{name}_high"] = self.high[:, j]
            out[f"{name}_flags"] = self.flags[:, j]
        return out


class Model:
    """A composition model: preprocess chain and one predictor an analyte.

    Parameters
    ----------
    manifest : mapping
        As in ``manifest.json``.
    arrays : mapping of str to ndarray
        As in ``arrays.safetensors``.
    path : Path, optional
        Where it was loaded from.

    Raises
    ------
    ArtifactError
        If a key or array is missing, of a wrong shape, or not finite.
    """

    def __init__(
        self, manifest: Mapping[str, Any], arrays: Mapping[str, Floats], path: Path | None = None
    ) -> None:
        self.manifest = manifest
        self.path = path
        self._arrays = arrays
        where = str(path or "model")
        try:
            for key in KEYS:
                manifest[key]  # a KeyError names what is missing
            self.wavelength = np.asarray(arrays["wavelength"], dtype=np.float64)
            self.analytes: tuple[str, ...] = tuple(manifest["analytes"])
            learned = [
                {key: arrays[f"step{i}/{key}"] for key in step.get("learned", ())}
                for i, step in enumerate(manifest["preprocess"])
            ]
            steps = [
                {key: value for key, value in step.items() if key != "learned"}
                for step in manifest["preprocess"]
            ]
            self.chain = Chain.of(steps, learned)
            edges = np.cumsum([0, *(s["channels"] for s in manifest["spectrometers"])]).tolist()
            for name in self.analytes:
                self._check_analyte(name)
            limits = manifest["domain"]["limits"]
            self.domain = Domain.of({key: arrays[f"domain/{key}"] for key in DOMAIN}, limits)
            self._level = float(manifest["interval_level"])
        except (KeyError, TypeError, AttributeError, ValueError) as error:
            if isinstance(error, ArtifactError):
                raise
            raise ArtifactError(f"{where}: manifest or arrays lack {error}") from None
        if edges[-1] != self.wavelength.size:
            raise ArtifactError(
                f"{where}: spectrometers hold {edges[-1]} channels, wavelength "
                f"{self.wavelength.size}"
            )
        self._spectrometers = tuple(slice(a, b) for a, b in itertools.pairwise(edges))

    def _check_analyte(self, name: str) -> None:
        entry = self.manifest["analytes"][name]
        if entry["predictor"] not in predictors.PREDICTORS:
            raise ArtifactError(f"analyte {name}: unknown predictor {entry['predictor']!r}")
        for key in ANALYTE_KEYS:
            entry[key]  # a KeyError names what is missing
        needed = predictors.array_names(entry["predictor"])
        if set(entry["arrays"]) != needed:
            raise ArtifactError(
                f"analyte {name}: found arrays {', '.join(entry['arrays'])}, "
                f"{entry['predictor']} needs {', '.join(sorted(needed))}"
            )
        for key in (*entry["arrays"], *(f"interval/{key}" for key in INTERVAL_ARRAYS)):
            if not np.isfinite(self._arrays[f"{name}/{key}"]).all():
                raise ArtifactError(f"analyte {name}: array {key!r} holds a number not finite")

    @classmethod
    def open(cls, folder: Path) -> Self:
        """Read manifest and arrays from a folder, without checking hashes.

        Raises
        ------
        ArtifactError
            If a file is missing or cannot be read.
        """
        manifest = read_manifest(folder)
        try:
            arrays = load_file(folder / "arrays.safetensors")
        except (OSError, SafetensorError) as error:
            raise ArtifactError(f"{folder / 'arrays.safetensors'}: {error}") from None
        return cls(manifest, arrays, folder)

    @property
    def name(self) -> str:
        """``NAME@VERSION``, or ``unfrozen``."""
        if "name" not in self.manifest:
            return "unfrozen"
        return f"{self.manifest['name']}@{self.manifest['version']}"

    def unit(self, analyte: str) -> str:
        """Return the unit of an analyte's predictions."""
        return str(self.manifest["analytes"][analyte]["unit"])

    def check_axis(self, wavelength: ArrayLike) -> None:
        """Refuse an axis that is not the model's.

        Raises
        ------
        DataError
            If the number of channels differs, or a channel is off by more than a tenth of the
            channel spacing there.
        """
        axis = _checks.wavelength_axis(wavelength)
        own = self.wavelength
        if axis.size != own.size:
            raise DataError(
                f"wavelength: found {axis.size} channels from {axis[0]:g} to {axis[-1]:g} nm, "
                f"{self.name} needs {own.size} from {own[0]:g} to {own[-1]:g} nm"
            )
        off = np.abs(axis - own) / (np.gradient(own) if own.size > 1 else 1.0)
        worst = int(np.argmax(off))
        if off[worst] > AXIS_TOLERANCE:
            raise DataError(
                f"wavelength: channel {worst} is {axis[worst]:.4f} nm, {self.name} needs "
                f"{own[worst]:.4f} nm"
            )

    def reduce(self, counts: ArrayLike, dark: ArrayLike | None = None) -> Floats:
        """Run the steps on shots over one burst.

        Parameters
        ----------
        counts : array_like of shape (shots, channels)
        dark : array_like of shape (channels,), optional

        Returns
        -------
        ndarray of shape (rows, channels)
            One row, where the chain averages.

        Raises
        ------
        DataError
            If counts are not finite or of another number of channels, or too few shots.
        """
        rows = _checks.spectra(counts, channels=self.wavelength.size)
        level = None if dark is None else _checks.spectra(dark, channels=rows.shape[1])[0]
        shot = Acquisition(self._spectrometers, dark=level)
        return self.chain.burst(rows, self.wavelength, shot)

    def predict_spectra(
        self,
        spectra: Floats,
        *,
        distance_m: Floats | None = None,
        no_dark: NDArray[np.bool_] | None = None,
        level: float | None = None,
    ) -> Predictions:
        """Predict from rows that `reduce` made.

        Parameters
        ----------
        spectra : ndarray of shape (rows, channels)
        distance_m : ndarray of shape (rows,), optional
        no_dark : ndarray of bool, shape (rows,), optional
            Raw bursts from which no dark was subtracted; flagged where the model subtracts it.
        level : float, optional
            Of the intervals.
        """
        shot = Acquisition(self._spectrometers, distance_m=distance_m)
        X, untreated = self.chain.spectra_flagged(spectra, self.wavelength, shot)
        shape = (len(X), len(self.analytes))
        value, error = np.empty(shape), np.empty(shape)
        low, high = np.empty(shape), np.empty(shape)
        marks = np.empty(shape, dtype=object)
        level = self._level if level is None else level
        unusual = self.domain.flags(X)
        undark = self._undark(len(X), no_dark)
        for j, name in enumerate(self.analytes):
            entry = self.manifest["analytes"][name]
            arrays = {key: self._arrays[f"{name}/{key}"] for key in entry["arrays"]}
            raw = predictors.predict(entry["predictor"], X, arrays)
            value[:, j] = y = reported(raw, entry["unit"])
            local = LocalError(*(self._arrays[f"{name}/interval/{key}"] for key in INTERVAL_ARRAYS))
            error[:, j] = local.at(y)
            half = local.multiple(level) * error[:, j]
            low[:, j], high[:, j] = reported(y - half, entry["unit"]), y + half
            marks[:, j] = _flags(y, entry, (unusual, untreated, undark))
        return Predictions(self.analytes, value, error, low, high, marks.astype(str), level)

    def _undark(self, rows: int, no_dark: NDArray[np.bool_] | None) -> list[str]:
        subtracts = any(step.name == "dark" for step in self.chain.steps)
        if no_dark is None or not subtracts:
            return [""] * rows
        return ["no-dark" if missing else "" for missing in no_dark]

    def predict_arrays(
        self,
        counts: ArrayLike | Sequence[ArrayLike],
        wavelength: ArrayLike,
        *,
        dark: ArrayLike | None = None,
        level: float | None = None,
        distance_m: ArrayLike | None = None,
    ) -> Predictions:
        """Predict, without pandas; see `predict`."""
        self.check_axis(wavelength)
        bursts, raw = _bursts(counts)
        rows = [self.reduce(burst, dark).mean(axis=0) for burst in bursts]
        far = None if distance_m is None else _distances(distance_m, len(rows))
        no_dark = np.full(len(rows), raw and dark is None)
        return self.predict_spectra(np.stack(rows), distance_m=far, no_dark=no_dark, level=level)

    def predict(
        self,
        counts: ArrayLike | Sequence[ArrayLike],
        wavelength: ArrayLike,
        *,
        dark: ArrayLike | None = None,
        level: float | None = None,
        distance_m: ArrayLike | None = None,
    ) -> pd.DataFrame:
        """Predict compositions.

        Parameters
        ----------
        counts : array_like
            (channels,) one spectrum; (rows, channels) averaged spectra, one a target;
            (bursts, shots, channels) or a list of (shots, channels), raw bursts.
        wavelength : array_like of shape (channels,)
            nm; must be the model's axis.
        dark : array_like of shape (channels,), optional
            Dark counts to subtract. Without it, averaged spectra are taken as dark-subtracted, and
            raw bursts are flagged where the model subtracts darks.
        level : float, optional
            Of the intervals, between 0 and 1. Default: the model's, 0.90.
        distance_m : float or array_like of shape (targets,), optional
            Stand-off distance, for a chain that corrects for it.

        Returns
        -------
        DataFrame
            For each analyte A: A, A_u (standard uncertainty), A_low and A_high (ends of the
            interval of `level`), and A_flags, words joined by ``;``, empty where there is nothing
            to say:

            - ``below-lod``: below the limit of detection. Report it as such: A is then no more
              than "between zero and A_high", and never below zero.
            - ``outside-range``: beyond the certified values trained on.
            - ``high-t2``: known things in an unusual mixture (Hotelling T²).
            - ``high-q``: something that no training spectrum has (residual).
            - ``high-leverage``: far from the middle of the training spectra.
            - ``no-neighbour``: farther from every training spectrum than these are from each
              other.
            - ``unregistered``: the wavelengths could not be found again.
            - ``no-dark``: no dark was subtracted, and the model was trained on raw counts.

        Raises
        ------
        DataError
            If the axis or the counts are not the model's, or not finite, or the chain needs
            distances and there are none, or `level` is not between 0 and 1.

        Examples
        --------
        >>> import calib
        >>> model = calib.load("majors@1.0.0")  # doctest: +SKIP
        >>> model.predict(burst[None], wavelength, dark=dark)  # doctest: +SKIP
        """
        import pandas as pd

        found = self.predict_arrays(
            counts, wavelength, dark=dark, distance_m=distance_m, level=level
        )
        return pd.DataFrame(found.columns())


def _bursts(counts: ArrayLike | Sequence[ArrayLike]) -> tuple[list[Floats], bool]:
    """Return one (shots, channels) array a target, and whether they are raw bursts."""
    if isinstance(counts, list | tuple) and counts and np.ndim(counts[0]) == 2:
        return [np.asarray(burst) for burst in counts], True
    try:
        array = np.asarray(counts)
    except ValueError:
        raise DataError("counts: found rows of different lengths, need one a channel") from None
    raw = array.ndim == 3
    if array.ndim == 1:
        array = array[np.newaxis]
    if array.ndim == 2:
        array = array[:, np.newaxis]
    if array.ndim != 3 or len(array) == 0:
        raise DataError(
            f"counts: found shape {array.shape}, need (channels), (rows, channels) or "
            "(bursts, shots, channels)"
        )
    return list(array), raw


def _distances(distance_m: ArrayLike, targets: int) -> Floats:
    given = np.asarray(distance_m, dtype=np.float64)
    if given.shape not in ((), (targets,)):
        raise DataError(f"distance_m: found shape {given.shape}, need one number or {targets}")
    return np.broadcast_to(given, (targets,))


def _flags(
    value: Floats,
    entry: Mapping[str, Any],
    spectrum: Sequence[Sequence[str]],
) -> NDArray[np.object_]:
    """Join what is to be said of each prediction of one analyte, and of its spectrum."""
    low, high = entry["range"]
    lod = entry["lod"]
    below = np.zeros(value.shape, dtype=bool) if lod is None else value < lod
    outside = (value > high) | ((value < low) & ~below)
    own = words({"below-lod": below, "outside-range": outside})
    joined = [";".join(filter(None, row)) for row in zip(own, *spectrum, strict=True)]
    return np.array(joined, dtype=object)


def read_manifest(folder: Path) -> dict[str, Any]:
    """Read ``manifest.json`` of a folder.

    Raises
    ------
    ArtifactError
        If it is missing, no JSON object, or of an unknown schema.
    """
    path = folder / "manifest.json"
    try:
        manifest = json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise ArtifactError(f"{path}: not found, need a frozen model or a run") from None
    except (ValueError, RecursionError, OSError) as error:
        raise ArtifactError(f"{path}: not JSON: {error}") from None
    if not isinstance(manifest, dict):
        raise ArtifactError(f"{path}: found {type(manifest).__name__}, need an object")
    if manifest.get("schema") != SCHEMA:
        raise ArtifactError(
            f"{path}: schema is {manifest.get('schema')!r}, this calib reads {SCHEMA}"
        )
    return manifest

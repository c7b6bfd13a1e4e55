"""The frozen model at work: numpy, safetensors, and the preprocess steps it meets.

A model is a manifest (plain data) and named arrays. Training builds one with the same class that a
pipeline loads, so a trained and a frozen model cannot disagree.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calib import _checks
from calib._show import scores_html
from calib.artifact import inputs, reading
from calib.artifact.schemas import check, parse_manifest, upgrade
from calib.errors import ArtifactError, CalibError
from calib.preprocess.chain import BLOCK, THREADS, Chain
from calib.preprocess.step import Acquisition
from calib.regress import predictors
from calib.regress.composition import Total
from calib.validate.domain import ARRAYS as DOMAIN
from calib.validate.domain import Domain, words
from calib.validate.intervals import LocalError
from calib.validate.limits import reported

if TYPE_CHECKING:
    import pandas as pd

Floats = NDArray[np.floating]

KEYS = (
    "signal", "wavelengths", "spectrometers", "preprocess", "branches", "domains",
    "interval_level", "analytes",
)  # fmt: skip
"""What a manifest must say for the runtime; a frozen one says more."""

ANALYTE_KEYS = ("unit", "members", "combine", "combine_arrays", "branch", "range", "lod")
"""What a manifest must say of each analyte for the runtime."""

INTERVAL_ARRAYS = ("predicted", "error", "score", "weight", "widening")
"""Arrays of an analyte's error bars, the fields of `calib.validate.intervals.LocalError`; models
may lack the last."""


@dataclass(frozen=True)
class Reconciled:
    """Predictions reconciled to the total, arrays of shape (rows, analytes).

    Attributes
    ----------
    analytes : tuple of str
        Those that add up.
    value, uncertainty : ndarray
        See `calib.regress.composition.Total.reconcile`.
    """

    analytes: tuple[str, ...]
    value: Floats
    uncertainty: Floats

    @classmethod
    def joined(cls, parts: Sequence[Reconciled]) -> Reconciled:
        """Return the rows of several, one after the other."""
        names = ("value", "uncertainty")
        arrays = (np.concatenate([getattr(e, name) for e in parts]) for name in names)
        return cls(parts[0].analytes, *arrays)


@dataclass(frozen=True)
class Predictions:
    """Predictions of some spectra, arrays of shape (rows, analytes) in each analyte's unit.

    Attributes
    ----------
    analytes : tuple of str
    value : ndarray
    uncertainty : ndarray
        Standard uncertainty: the local RMSEP at the predicted value, more for unusual spectra.
    low, high : ndarray
        Ends of the interval of `level`; infinite where too few standards were known for it.
    flags : ndarray of str
        Words joined by ``;``, empty where there is nothing to say (see `Model.predict`).
    level : float
    reconciled : Reconciled, optional
        Where the model knows a total.
    """

    analytes: tuple[str, ...]
    value: Floats
    uncertainty: Floats
    low: Floats
    high: Floats
    flags: NDArray[np.str_]
    level: float
    reconciled: Reconciled | None = None

    @classmethod
    def joined(cls, parts: Sequence[Predictions]) -> Predictions:
        """Return the rows of several, one after the other."""
        names = ("value", "uncertainty", "low", "high", "flags")
        arrays = {name: np.concatenate([getattr(e, name) for e in parts]) for name in names}
        closed = [each.reconciled for each in parts if each.reconciled is not None]
        return cls(
            parts[0].analytes,
            level=parts[0].level,
            reconciled=Reconciled.joined(closed) if closed else None,
            **arrays,
        )

    def columns(self) -> dict[str, NDArray[Any]]:
        """Return the columns of a predictions table, in order."""
        out: dict[str, NDArray[Any]] = {}
        for j, name in enumerate(self.analytes):
            out[name] = self.value[:, j]
            out[f"{name}_u"] = self.uncertainty[:, j]
            out[f"{name}_low"] = self.low[:, j]
            out[f"{name}_high"] = self.high[:, j]
            out[f"{name}_flags"] = self.flags[:, j]
        if self.reconciled is not None:
            for j, name in enumerate(self.reconciled.analytes):
                out[f"{name}_reconciled"] = self.reconciled.value[:, j]
                out[f"{name}_reconciled_u"] = self.reconciled.uncertainty[:, j]
        return out


@dataclass(frozen=True)
class Member:
    """One predictor of an analyte and the branch whose spectra it takes."""

    predictor: str
    branch: int
    arrays: dict[str, Floats]


@dataclass(frozen=True)
class Analyte:
    """What predicts one analyte."""

    members: tuple[Member, ...]
    combine: str
    combine_arrays: dict[str, Floats]
    local: LocalError
    branch: int

    def predict(self, spectra: Sequence[Floats]) -> Floats:
        """Predict from the spectra of every branch, each (rows, channels)."""
        each = [predictors.predict(m.predictor, spectra[m.branch], m.arrays) for m in self.members]
        return predictors.combine(self.combine, np.stack(each), self.combine_arrays)


class Model:
    """A composition model: preprocess chain and predictors for each analyte.

    The chain is a stem, run once, and branches that go on from it; an analyte has one or more
    members, each of which predicts from the spectra of a branch. Predicting changes nothing, so
    threads may share a model.

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
        self.path = path
        where = str(path or "model")
        try:
            self.manifest, self._arrays = upgrade(manifest, arrays)
            edges = self._build()
        except CalibError as error:
            raise ArtifactError(f"{where}: {error}") from None
        except (KeyError, TypeError, AttributeError, ValueError, IndexError) as error:
            raise ArtifactError(f"{where}: manifest or arrays lack {error}") from None
        if edges[-1] != self.wavelength.size:
            raise ArtifactError(
                f"{where}: spectrometers hold {edges[-1]} channels, wavelength "
                f"{self.wavelength.size}"
            )
        self._spectrometers = tuple(slice(a, b) for a, b in itertools.pairwise(edges))

    def _build(self) -> list[int]:
        """Build chains, domains and members; return the spectrometers' edges."""
        for key in KEYS:
            self.manifest[key]  # a KeyError names what is missing
        check(self.manifest)
        self.wavelength = _checks.wavelength_axis(self._arrays["wavelength"])
        self.analytes: tuple[str, ...] = tuple(self.manifest["analytes"])
        self.stem = self._chain(self.manifest["preprocess"], "")
        branches, domains = self.manifest["branches"], self.manifest["domains"]
        if not branches or len(branches) != len(domains):
            raise ArtifactError(
                f"manifest: found {len(branches)} branches and {len(domains)} domains, need one "
                "domain a branch and at least one branch"
            )
        self.branches = tuple(self._chain(steps, f"branch{b}/") for b, steps in enumerate(branches))
        self.domains = tuple(
            Domain.of({key: self._arrays[f"branch{b}/domain/{key}"] for key in DOMAIN},
                      each["limits"])
            for b, each in enumerate(domains)
        )  # fmt: skip
        self.parts = {name: self._analyte(name) for name in self.analytes}
        self._level = float(self.manifest["interval_level"])
        self._total = self._summed()
        channels = (each["channels"] for each in self.manifest["spectrometers"])
        edges: list[int] = np.cumsum([0, *channels]).tolist()
        return edges

    def _summed(self) -> tuple[list[int], Total] | None:
        """Return which analytes are reconciled to a total, as columns, and the total."""
        entry = self.manifest.get("total")
        if entry is None:
            return None
        columns = [self.analytes.index(name) for name in entry["analytes"]]
        correlation = self._arrays["total/correlation"]
        total = Total(float(entry["mean"]), float(entry["sd"]), correlation)
        if correlation.shape != (len(columns), len(columns)) or not total.finite:
            raise ArtifactError(
                f"total: found an array 'correlation' of shape {correlation.shape}, mean "
                f"{total.mean}, sd {total.sd}; need finite numbers, one row an analyte"
            )
        return columns, total

    def _chain(self, steps: Sequence[Mapping[str, Any]], where: str) -> Chain:
        """Build steps from a manifest with what they learned, arrays under ``WHEREstep0/``."""
        learned = [
            {key: self._arrays[f"{where}step{i}/{key}"] for key in step.get("learned", ())}
            for i, step in enumerate(steps)
        ]
        plain = [{k: v for k, v in step.items() if k != "learned"} for step in steps]
        return Chain.of(plain, learned)

    def _analyte(self, name: str) -> Analyte:
        """Check what the manifest says of an analyte and gather its arrays."""
        entry = self.manifest["analytes"][name]
        for key in ANALYTE_KEYS:
            entry[key]  # a KeyError names what is missing
        if entry["combine"] not in predictors.COMBINATIONS:
            raise ArtifactError(f"analyte {name}: unknown combination {entry['combine']!r}")
        members = []
        for m, each in enumerate(entry["members"]):
            if each["predictor"] not in predictors.PREDICTORS:
                raise ArtifactError(f"analyte {name}: unknown predictor {each['predictor']!r}")
            arrays = self._named(name, f"member{m}", each["predictor"], each["arrays"])
            fault = predictors.fault(each["predictor"], arrays)
            if fault is not None:
                raise ArtifactError(f"analyte {name}: {fault}")
            members.append(Member(each["predictor"], self._branch(name, each["branch"]), arrays))
        joined = self._named(name, "combine", entry["combine"], entry["combine_arrays"])
        if not members or (entry["combine"] == "single") != (len(members) == 1):
            raise ArtifactError(
                f"analyte {name}: combination {entry['combine']!r} of {len(members)} members"
            )
        interval = {
            key: self._finite(f"{name}/interval/{key}")
            for key in INTERVAL_ARRAYS
            if key != "widening" or f"{name}/interval/{key}" in self._arrays
        }
        branch = self._branch(name, entry["branch"])
        return Analyte(tuple(members), entry["combine"], joined, LocalError(**interval), branch)

    def _named(self, name: str, part: str, kind: str, found: Sequence[str]) -> dict[str, Floats]:
        """Gather the arrays of a predictor or combination, all that it needs and no more."""
        needed = predictors.array_names(kind)
        if set(found) != needed:
            raise ArtifactError(
                f"analyte {name}: found arrays {', '.join(found) or 'none'}, "
                f"{kind} needs {', '.join(sorted(needed)) or 'none'}"
            )
        return {key: self._finite(f"{name}/{part}/{key}") for key in found}

    def _finite(self, key: str) -> Floats:
        array = self._arrays[key]
        if not np.isfinite(array).all():
            raise ArtifactError(f"array {key!r} holds a number not finite")
        return array

    def _branch(self, name: str, branch: Any) -> int:
        if type(branch) is not int or not 0 <= branch < len(self.branches):
            raise ArtifactError(
                f"analyte {name}: branch is {branch!r}, need 0 to {len(self.branches) - 1}"
            )
        return branch

    @classmethod
    def open(cls, folder: Path) -> Self:
        """Read manifest and arrays from a folder, without checking hashes.

        Raises
        ------
        ArtifactError
            If a file is missing or cannot be read.
        """
        where = folder / "manifest.json", folder / "arrays.safetensors"
        text, data = (reading.read_file(path) for path in where)
        return cls.of(parse_manifest(text, str(where[0])), data, folder)

    @classmethod
    def of(cls, manifest: Mapping[str, Any], data: bytes, path: Path) -> Self:
        """Make a model of a parsed manifest and the bytes of ``arrays.safetensors``.

        Raises
        ------
        ArtifactError
            If they are no model.
        """
        arrays: Any = reading.parse_arrays(data, str(path / "arrays.safetensors"))
        return cls(manifest, arrays, path)

    @property
    def name(self) -> str:
        """``NAME@VERSION``, or ``unfrozen``."""
        if "name" not in self.manifest:
            return "unfrozen"
        return f"{self.manifest['name']}@{self.manifest['version']}"

    def __repr__(self) -> str:
        """Say its name and what it predicts."""
        return f"Model {self.name}: {', '.join(self.analytes)}"

    def _repr_html_(self) -> str:
        """Show the scores in a notebook."""
        return scores_html(f"Model {self.name}", dict(self.manifest["analytes"]))

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
        inputs.check_axis(_checks.wavelength_axis(wavelength), self.wavelength, self.name)

    def resampled(self, wavelength: ArrayLike) -> inputs.Resampled | None:
        """Prepare linear interpolation of counts on another axis; None where it is the model's.

        Interpolation stays within each spectrometer. It blurs noise and lines a little, which the
        error bars do not know of: an instrument that differs is better calibrated anew.

        Raises
        ------
        DataError
            If the axis does not reach over a spectrometer of the model, or is more than twice as
            coarse.
        """
        axis, own = _checks.wavelength_axis(wavelength), self.wavelength
        if np.array_equal(axis, own):
            return None
        names = [str(each["name"]) for each in self.manifest["spectrometers"]]
        return inputs.Resampled.onto(axis, own, list(zip(names, self._spectrometers, strict=True)))

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
        with self._blamed():
            return self.stem.burst(rows, self.wavelength, shot)

    @contextmanager
    def _blamed(self) -> Iterator[None]:
        """Blame the model for what fails on input that was checked."""
        try:
            yield
        except CalibError:
            raise
        except (ArithmeticError, LookupError, TypeError, ValueError, MemoryError) as error:
            raise ArtifactError(
                f"{self.path or self.name}: cannot predict: {type(error).__name__}: {error}"
            ) from error

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

        Raises
        ------
        DataError
            If `level` is not between 0 and 1, or the chain needs distances and there are none.
        ArtifactError
            If the model's arrays do not fit its steps or each other.
        """

        def block(rows: slice) -> Predictions:
            far = None if distance_m is None else distance_m[rows]
            undark = None if no_dark is None else no_dark[rows]
            with self._blamed():
                return self._predict(spectra[rows], far, undark, level)

        return _in_blocks(block, len(spectra))

    def _predict(
        self,
        spectra: Floats,
        distance_m: Floats | None,
        no_dark: NDArray[np.bool_] | None,
        level: float | None,
    ) -> Predictions:
        branches, marks, far = self._branched(spectra, distance_m)
        shape = (len(spectra), len(self.analytes))
        value, error, raw = np.empty(shape), np.empty(shape), np.empty(shape)
        low, high = np.empty(shape), np.empty(shape)
        flags = np.empty(shape, dtype=object)
        level = self._level if level is None else level
        undark = self._undark(len(spectra), no_dark)
        for j, name in enumerate(self.analytes):
            entry, own = self.manifest["analytes"][name], self.parts[name]
            raw[:, j] = own.predict(branches)
            value[:, j] = y = reported(raw[:, j], entry["unit"])
            error[:, j] = own.local.at(y, far[own.branch])
            half = own.local.multiple(level) * error[:, j]
            low[:, j], high[:, j] = reported(y - half, entry["unit"]), y + half
            flags[:, j] = _flags(y, entry, (*marks[own.branch], undark))
        closed = self._reconciled(raw, error)
        return Predictions(self.analytes, value, error, low, high, flags.astype(str), level, closed)

    def _reconciled(self, raw: Floats, error: Floats) -> Reconciled | None:
        """Reconcile predictions, negative ones as they are, to the total."""
        if self._total is None:
            return None
        columns, total = self._total
        names = tuple(self.analytes[j] for j in columns)
        return Reconciled(names, *total.reconcile(raw[:, columns], error[:, columns]))

    def preprocessed(self, spectra: Floats, distance_m: Floats | None = None) -> list[Floats]:
        """Run the steps on spectra over rows that `reduce` made.

        Returns
        -------
        list of ndarray of shape (rows, channels')
            One a branch: what the members of the analytes predict from.
        """
        with self._blamed():
            return self._branched(spectra, distance_m)[0]

    def _branched(
        self, spectra: Floats, distance_m: Floats | None
    ) -> tuple[list[Floats], dict[int, tuple[list[str], list[str]]], dict[int, Floats]]:
        """Run the stem once and every branch on from it.

        Returns
        -------
        spectra : list of ndarray, one a branch
        marks : dict of int to lists of str
            For each branch that speaks for an analyte: what is unusual in each row, and what a
            step could not treat.
        far : dict of int to ndarray of shape (rows,)
            For each of these branches, how unusual each row is.
        """
        shot = Acquisition(self._spectrometers, distance_m=distance_m)
        stem, untreated = self.stem.spectra_flagged(spectra, self.wavelength, shot)
        axis, shot = self.stem.after(self.wavelength, shot)
        speak = {own.branch for own in self.parts.values()}
        out, marks, far = [], {}, {}
        for b, chain in enumerate(self.branches):
            X, more = chain.spectra_flagged(stem, axis, shot)
            out.append(X)
            if b in speak:
                said = [";".join(filter(None, row)) for row in zip(untreated, more, strict=True)]
                flags, far[b] = self.domains[b].judge(X)
                marks[b] = flags, said
        return out, marks, far

    def _undark(self, rows: int, no_dark: NDArray[np.bool_] | None) -> list[str]:
        subtracts = any(step.name == "dark" for step in self.stem.steps)
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
        resample: bool = False,
    ) -> Predictions:
        """Predict, without pandas; see `predict`."""
        onto = self.resampled(wavelength) if resample else None
        if onto is None:
            self.check_axis(wavelength)
        else:
            dark = None if dark is None else onto(dark)
        bursts, raw = inputs.bursts(counts)
        far = None if distance_m is None else inputs.distances(distance_m, len(bursts))

        def block(rows: slice) -> Predictions:
            given = bursts[rows] if onto is None else [onto(each) for each in bursts[rows]]
            spectra = np.stack([self.reduce(each, dark).mean(axis=0) for each in given])
            undark = np.full(len(spectra), raw and dark is None)
            with self._blamed():
                return self._predict(spectra, None if far is None else far[rows], undark, level)

        return _in_blocks(block, len(bursts))

    def predict(
        self,
        counts: ArrayLike | Sequence[ArrayLike],
        wavelength: ArrayLike,
        *,
        dark: ArrayLike | None = None,
        level: float | None = None,
        distance_m: ArrayLike | None = None,
        resample: bool = False,
    ) -> pd.DataFrame:
        """Predict compositions.

        Parameters
        ----------
        counts : array_like
            (channels,) one spectrum; (rows, channels) averaged spectra, one a target;
            (bursts, shots, channels) or a list of (shots, channels), raw bursts.
        wavelength : array_like of shape (channels,)
            nm; must be the model's axis, unless `resample`.
        dark : array_like of shape (channels,), optional
            Dark counts to subtract. Without it, averaged spectra are taken as dark-subtracted, and
            raw bursts are flagged where the model subtracts darks.
        level : float, optional
            Of the intervals, between 0 and 1. Default: the model's, 0.90.
        distance_m : float or array_like of shape (targets,), optional
            Stand-off distance, for a chain that corrects for it.
        resample : bool, default False
            Interpolate counts onto the model's axis where `wavelength` is another; see `resampled`.

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

            Where the model knows a total, also A_reconciled and A_reconciled_u for each oxide.

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
            counts,
            wavelength,
            dark=dark,
            distance_m=distance_m,
            level=level,
            resample=resample,
        )
        return pd.DataFrame(found.columns())


def _in_blocks(block: Callable[[slice], Predictions], rows: int) -> Predictions:
    """Predict blocks of rows on threads; a row's numbers do not depend on its block."""
    slices = [slice(start, start + BLOCK) for start in range(0, max(1, rows), BLOCK)]
    if len(slices) == 1 or THREADS == 1:
        done = [block(each) for each in slices]
    else:
        with ThreadPoolExecutor(THREADS) as pool:
            done = list(pool.map(block, slices))
    return done[0] if len(done) == 1 else Predictions.joined(done)


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

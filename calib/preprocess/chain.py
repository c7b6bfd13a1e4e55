"""The chain: steps in order, built from an experiment, run alike in training and operation."""

from __future__ import annotations

import importlib
import os
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

from calib.errors import SettingsError
from calib.preprocess.step import Acquisition, Flags, Floats, Need, Step, from_settings

STEPS: Mapping[str, tuple[str, str]] = {
    "dark": ("shots", "Dark"),
    "drop_shots": ("shots", "DropShots"),
    "reject_shots": ("shots", "RejectShots"),
    "average": ("shots", "Average"),
    "despike": ("despike", "Despike"),
    "denoise": ("denoise", "Denoise"),
    "register": ("register", "Register"),
    "continuum": ("continuum", "Continuum"),
    "response": ("response", "Response"),
    "solid_angle": ("response", "SolidAngle"),
    "mask": ("scale", "Mask"),
    "normalise": ("scale", "Normalise"),
    "distance": ("distance", "Distance"),
    "line_areas": ("line_areas", "LineAreas"),
    "root": ("scale", "Root"),
    "snv": ("scatter", "SNV"),
    "msc": ("scatter", "MSC"),
    "derivative": ("scatter", "Derivative"),
}
"""Module (under ``calib.preprocess``) and class of every step, by its name in an experiment file.
A new step is one class and one line here; modules are imported when a chain needs them."""

DEFAULT: tuple[str, ...] = (
    "dark", "drop_shots", "reject_shots", "average", "despike", "register", "continuum",
    "normalise",
)  # fmt: skip
"""The default chain, for raw bursts and averaged spectra, emission and absorption alike: steps
that need what a library lacks are left out."""

BLOCK = 64
"""Rows taken through the whole chain at once, so that they stay in a processor's cache."""

THREADS = min(4, os.cpu_count() or 1)
"""Blocks under way at once; NumPy and SciPy let go of the interpreter while they compute."""


def step_class(name: str) -> type[Step]:
    """Return the class of a step by its name in an experiment file.

    Raises
    ------
    SettingsError
        If there is no such step.
    """
    if name not in STEPS:
        raise SettingsError(
            f"preprocess: unknown step {name!r}, need one of {', '.join(sorted(STEPS))}"
        )
    module, kind = STEPS[name]
    found: type[Step] = getattr(importlib.import_module(f"calib.preprocess.{module}"), kind)
    return found


@dataclass(frozen=True)
class Chain:
    """Steps in order: those on shots first, then those on spectra.

    Parameters
    ----------
    steps : tuple of Step

    Raises
    ------
    SettingsError
        If a shot step stands after a spectrum step.

    Examples
    --------
    >>> import numpy as np
    >>> chain = Chain.of(["average", {"step": "normalise", "by": "whole"}])
    >>> chain.burst(np.array([[1.0, 3.0], [1.0, 3.0]]), np.array([400.0, 401.0]))
    array([[1., 3.]])
    >>> chain.spectra(np.array([[1.0, 3.0]]), np.array([400.0, 401.0]))
    array([[0.5, 1.5]])
    """

    steps: tuple[Step, ...]

    def __post_init__(self) -> None:
        levels = [step.level for step in self.steps]
        if levels != sorted(levels):
            late = next(s.name for i, s in enumerate(self.steps) if s.level == "shot"
                        and "spectrum" in levels[:i])  # fmt: skip
            raise SettingsError(
                f"preprocess: step {late!r} works on shots and stands after a step on spectra; "
                "move it before them"
            )

    @classmethod
    def of(
        cls,
        steps: Sequence[str | Mapping[str, Any]],
        arrays: Sequence[Mapping[str, NDArray[np.generic]]] | None = None,
    ) -> Self:
        """Build a chain from plain data.

        Parameters
        ----------
        steps : sequence of str or mapping
            Names of steps, or mappings with ``step`` and the step's settings.
        arrays : sequence of mapping, optional
            What each step learned.

        Raises
        ------
        SettingsError
            If a step, key or value is wrong.
        """
        built = []
        for i, each in enumerate(steps):
            settings = {"step": each} if isinstance(each, str) else each
            settings = dict(settings) if isinstance(settings, Mapping) else {}
            name = settings.pop("step", None)
            if not isinstance(name, str):
                raise SettingsError(
                    f"preprocess: steps[{i}] is {each!r}, need a name or a table with 'step'"
                )
            learned = dict(arrays[i]) if arrays is not None else None
            built.append(from_settings(step_class(name), settings, learned))
        return cls(tuple(built))

    @property
    def learns(self) -> bool:
        """Whether any step learns from the rows it is fitted on."""
        return any(step.learns for step in self.steps)

    def split_learning(self) -> tuple[Chain, Chain]:
        """Cut the steps on spectra before the first one that learns.

        Returns
        -------
        fixed, rest : Chain
            The rows after `fixed` are the same whatever rows `rest` is fitted on. Steps on
            shots are in neither.
        """
        steps = tuple(step for step in self.steps if step.level == "spectrum")
        at = next((i for i, step in enumerate(steps) if step.learns), len(steps))
        return Chain(steps[:at]), Chain(steps[at:])

    def without(self, lacking: frozenset[Need] | set[Need]) -> tuple[Chain, list[str]]:
        """Leave out the steps that need what is lacking.

        Returns
        -------
        chain : Chain
        left_out : list of str
            One line for each step left out, with the reason.
        """
        words = {
            "dark": "no darks", "shots": "one shot a burst",
            "lines": "no emission lines", "distance": "no distances",
        }  # fmt: skip
        kept, left_out = [], []
        for step in self.steps:
            missing = sorted(step.needs & lacking)
            if missing:
                left_out.append(f"{step.name}: {' and '.join(words[m] for m in missing)}")
            else:
                kept.append(step)
        return Chain(tuple(kept)), left_out

    def burst(
        self, counts: Floats, wavelength: NDArray[np.float64], shot: Acquisition | None = None
    ) -> Floats:
        """Run the steps on shots over one burst, (shots, channels) to (rows, channels)."""
        for step in self.steps:
            if step.level == "shot":
                counts = step.apply(counts, wavelength, shot)
        return counts

    def spectra(
        self, counts: Floats, wavelength: NDArray[np.float64], shot: Acquisition | None = None
    ) -> Floats:
        """Run the steps on spectra over many rows, (rows, channels) to (rows, channels')."""
        return self.spectra_flagged(counts, wavelength, shot)[0]

    def spectra_flagged(
        self, counts: Floats, wavelength: NDArray[np.float64], shot: Acquisition | None = None
    ) -> tuple[Floats, list[str]]:
        """Run the steps on spectra, and say which rows a step could not treat.

        Parameters
        ----------
        counts : ndarray of shape (rows, channels)
        wavelength : ndarray of shape (channels,)
            nm.
        shot : Acquisition, optional

        Returns
        -------
        counts : ndarray of shape (rows, channels')
        flags : list of str
            For each row the words of the steps, joined by ``;``.
        """
        shot = shot or Acquisition()
        steps = [step for step in self.steps if step.level == "spectrum"]
        if not steps:
            return counts, [""] * len(counts)
        starts = range(0, max(1, len(counts)), BLOCK)
        blocks = [slice(start, start + BLOCK) for start in starts]

        def run(rows: slice) -> tuple[Floats, list[str]]:
            return _through(steps, counts[rows], wavelength, shot.rows(rows))

        if len(blocks) == 1 or THREADS == 1:
            done = [run(rows) for rows in blocks]
        else:
            with ThreadPoolExecutor(THREADS) as pool:
                done = list(pool.map(run, blocks))
        if len(done) == 1:
            return done[0]
        return np.concatenate([d[0] for d in done]), [word for d in done for word in d[1]]

    def fit_spectra(
        self, counts: Floats, wavelength: NDArray[np.float64], shot: Acquisition | None = None
    ) -> tuple[Chain, Floats]:
        """Fit the steps that learn, in order; return the fitted chain and the rows after it."""
        shot = shot or Acquisition()
        fitted = list(self.steps)
        run: list[Step] = []

        def pending() -> Floats:
            return Chain(tuple(run)).spectra(counts, wavelength, shot) if run else counts

        for i, step in enumerate(self.steps):
            if step.level != "spectrum":
                continue
            if step.learns:
                counts = pending()
                wavelength, shot = Chain(tuple(run)).after(wavelength, shot)
                run = []
                step = step.fit(counts, wavelength, shot)
                fitted[i] = step
            run.append(step)
        return Chain(tuple(fitted)), pending()

    def after(
        self, wavelength: NDArray[np.float64], shot: Acquisition
    ) -> tuple[NDArray[np.float64], Acquisition]:
        """Return axis (nm) and acquisition after all steps."""
        for step in self.steps:
            wavelength, shot = step.after(wavelength, shot)
        return wavelength, shot

    def axis(
        self, wavelength: NDArray[np.float64], shot: Acquisition | None = None
    ) -> NDArray[np.float64]:
        """Return the wavelength axis after all steps, nm."""
        return self.after(wavelength, shot or Acquisition())[0]

    def settings(self) -> list[dict[str, Any]]:
        """Return the steps as plain data, as `of` takes them."""
        return [step.settings() for step in self.steps]

    def arrays(self) -> list[dict[str, NDArray[np.generic]]]:
        """Return what each step learned, as `of` takes it."""
        return [step.arrays() for step in self.steps]


def branched(chains: Sequence[Chain]) -> tuple[Chain, list[Chain]]:
    """Split chains into the steps they all begin with and what follows in each.

    Parameters
    ----------
    chains : sequence of Chain
        Fitted; at least one.

    Returns
    -------
    stem : Chain
    branches : list of Chain
    """
    steps = [chain.steps for chain in chains]
    at = 0
    while at < min(map(len, steps)) and all(_same(each[at], steps[0][at]) for each in steps):
        at += 1
    return Chain(steps[0][:at]), [Chain(each[at:]) for each in steps]


def _same(one: Step, other: Step) -> bool:
    """Say whether two fitted steps do the same."""
    mine, yours = one.arrays(), other.arrays()
    return (
        one.settings() == other.settings()
        and mine.keys() == yours.keys()
        and all(np.array_equal(mine[key], yours[key]) for key in mine)
    )


def _through(
    steps: Sequence[Step], counts: Floats, wavelength: NDArray[np.float64], shot: Acquisition
) -> tuple[Floats, list[str]]:
    """Take one block of rows through the steps; what is masked stays zero."""
    words: list[Flags] = []
    for step in steps:
        counts, flags = step.apply_flagged(counts, wavelength, shot)
        if flags is not None:
            words.append(flags)
        wavelength, shot = step.after(wavelength, shot)
        if shot.masked is not None:
            counts = np.where(shot.masked, counts.dtype.type(0), counts)
    return counts, list(_joined(words, len(counts)))


def _joined(words: Sequence[Flags], rows: int) -> Iterator[str]:
    for row in range(rows):
        yield ";".join(dict.fromkeys(word[row] for word in words if word[row]))

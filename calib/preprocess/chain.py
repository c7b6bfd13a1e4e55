"""The chain: steps in order, built from an experiment, run alike in training and operation."""

from __future__ import annotations

import importlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

from calib.errors import SettingsError
from calib.preprocess.step import Acquisition, Floats, Need, Step, from_settings

STEPS: Mapping[str, tuple[str, str]] = {
    "dark": ("shots", "Dark"),
    "drop_shots": ("shots", "DropShots"),
    "reject_shots": ("shots", "RejectShots"),
    "average": ("shots", "Average"),
    "continuum": ("continuum", "Continuum"),
    "mask": ("scale", "Mask"),
    "normalise": ("scale", "Normalise"),
    "root": ("scale", "Root"),
    "snv": ("scale", "SNV"),
    "derivative": ("scale", "Derivative"),
}
"""Module (under ``calib.preprocess``) and class of every step, by its name in an experiment file.
A new step is one class and one line here; modules are imported when a chain needs them."""

DEFAULT: tuple[str, ...] = (
    "dark", "drop_shots", "reject_shots", "average", "continuum", "normalise",
)  # fmt: skip
"""The default chain, for raw bursts and averaged spectra, emission and absorption alike: steps
that need what a library lacks are left out."""


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
        If a shot step stands after a spectrum step, or a step stands twice.

    Examples
    --------
    >>> import numpy as np
    >>> chain = Chain.of(["average", {"step": "normalise", "by": "whole"}])
    >>> chain.burst(np.array([[1.0, 3.0], [1.0, 3.0]]), np.array([400.0, 401.0]))
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
            settings = {"step": each} if isinstance(each, str) else dict(each)
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
        for step in self.steps:
            if step.level == "spectrum":
                counts = step.apply(counts, wavelength, shot)
                wavelength = step.axis(wavelength)
        return counts

    def fit_spectra(
        self, counts: Floats, wavelength: NDArray[np.float64], shot: Acquisition | None = None
    ) -> tuple[Chain, Floats]:
        """Fit the steps that learn, in order; return the fitted chain and the rows after it."""
        fitted = []
        for step in self.steps:
            if step.level == "spectrum":
                step = step.fit(counts, wavelength, shot)
                counts = step.apply(counts, wavelength, shot)
                wavelength = step.axis(wavelength)
            fitted.append(step)
        return Chain(tuple(fitted)), counts

    def axis(self, wavelength: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the wavelength axis after all steps, nm."""
        for step in self.steps:
            wavelength = step.axis(wavelength)
        return wavelength

    def settings(self) -> list[dict[str, Any]]:
        """Return the steps as plain data, as `of` takes them."""
        return [step.settings() for step in self.steps]

    def arrays(self) -> list[dict[str, NDArray[np.generic]]]:
        """Return what each step learned, as `of` takes it."""
        return [step.arrays() for step in self.steps]

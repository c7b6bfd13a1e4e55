"""What a preprocess step is.

A step is a frozen dataclass of its settings with ``apply(counts, wavelength)``, vectorised over
rows. Two kinds differ in what a row is: a *shot* step sees the shots of one burst, a *spectrum*
step sees one averaged spectrum a row. Steps of the first kind come before those of the second.

A step that learns has ``fit(counts, wavelength)``, which returns a new frozen step that holds what
it learned in fields marked `LEARNED`; everything else it holds is settings.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass, fields, replace
from typing import Any, ClassVar, Literal, Self

import numpy as np
from numpy.typing import NDArray

from calib.errors import DataError, SettingsError

Floats = NDArray[np.floating]
Flags = NDArray[np.object_]


@dataclass(frozen=True)
class Acquisition:
    """What is known of how the rows were shot, beside their counts.

    Attributes
    ----------
    spectrometers : tuple of slice
        Channels of each spectrometer; empty means one spectrometer.
    dark : ndarray of shape (channels,), optional
        Counts with no light, for a burst.
    distance_m : ndarray of shape (rows,), optional
        Stand-off distance of each row; NaN where not known.
    standards : ndarray of shape (rows,), optional
        Standard of each row, while a step is fitted.
    masked : ndarray of bool, shape (channels,), optional
        Channels an earlier step masked: they stay zero, and no step computes with them.
    """

    spectrometers: tuple[slice, ...] = ()
    dark: Floats | None = None
    distance_m: Floats | None = None
    standards: NDArray[np.generic] | None = None
    masked: NDArray[np.bool_] | None = None

    def parts(self, channels: int) -> tuple[slice, ...]:
        """Return the spectrometers' channels, or all channels as one."""
        return self.spectrometers or (slice(0, channels),)

    def rows(self, which: slice | NDArray[np.generic]) -> Acquisition:
        """Return the same for some of the rows."""
        return replace(
            self,
            distance_m=None if self.distance_m is None else self.distance_m[which],
            standards=None if self.standards is None else self.standards[which],
        )

    def used(self, channels: int) -> NDArray[np.bool_]:
        """Return which channels are not masked."""
        return np.ones(channels, dtype=bool) if self.masked is None else ~self.masked


Need = Literal["dark", "shots", "lines", "distance"]
"""What a library must have for a step to make sense: darks, more than one shot a burst, emission
lines in counts, stand-off distances."""


LEARNED: dict[str, bool] = {"learned": True}
"""Metadata of a dataclass field that `Step.fit` fills with an array; None before."""


@dataclass(frozen=True)
class Step:
    """Base of the steps.

    Subclasses set `name` (the word in an experiment file), `level`, and `needs`.
    """

    name: ClassVar[str]
    level: ClassVar[Literal["shot", "spectrum"]] = "spectrum"
    needs: ClassVar[frozenset[Need]] = frozenset()

    @property
    def learns(self) -> bool:
        """Whether `fit` learns from the rows; most steps learn nothing."""
        return False

    def apply(
        self, counts: Floats, wavelength: NDArray[np.float64], shot: Acquisition | None = None
    ) -> Floats:
        """Return the changed rows; the input is left as it is.

        Parameters
        ----------
        counts : ndarray of shape (rows, channels)
        wavelength : ndarray of shape (channels,)
            nm.
        shot : Acquisition, optional
            Darks, distances and the spectrometers' channels, for the steps that use them.

        Returns
        -------
        ndarray
            Of as many rows, unless the step drops or averages shots.
        """
        raise NotImplementedError

    def apply_flagged(
        self, counts: Floats, wavelength: NDArray[np.float64], shot: Acquisition | None = None
    ) -> tuple[Floats, Flags | None]:
        """Apply, and say which rows the step could not treat.

        Returns
        -------
        counts : ndarray
        flags : ndarray of str, shape (rows,), optional
            A word for each row, empty where there is nothing to say; None for none.
        """
        return self.apply(counts, wavelength, shot), None

    def fit(
        self, counts: Floats, wavelength: NDArray[np.float64], shot: Acquisition | None = None
    ) -> Self:
        """Return a step that holds what it learned from the rows; most steps learn nothing."""
        return self

    def after(
        self, wavelength: NDArray[np.float64], shot: Acquisition
    ) -> tuple[NDArray[np.float64], Acquisition]:
        """Return axis (nm) and acquisition as the next step sees them; most steps keep both."""
        return wavelength, shot

    def settings(self) -> dict[str, Any]:
        """Return the step as plain data for a TOML or JSON file, ``step`` its name."""
        plain = {
            each.name: getattr(self, each.name)
            for each in fields(self)
            if not each.metadata.get("learned")
        }
        return {"step": self.name} | plain

    def arrays(self) -> dict[str, NDArray[np.generic]]:
        """Return what the step learned, by field name."""
        held = {e.name: getattr(self, e.name) for e in fields(self) if e.metadata.get("learned")}
        return {name: value for name, value in held.items() if value is not None}

    def fitted(self, value: NDArray[np.generic] | None) -> NDArray[np.generic]:
        """Return a learned array, or refuse because `fit` was not called.

        Raises
        ------
        DataError
            If the step was not fitted.
        """
        if value is None:
            raise DataError(f"preprocess step {self.name!r}: not fitted, call fit first")
        return value


def from_settings(
    kind: type[Step], settings: dict[str, Any], arrays: dict[str, Any] | None = None
) -> Step:
    """Build a step from plain data, checking the keys.

    Raises
    ------
    SettingsError
        If a key is unknown or a value is refused by the step.
    """
    known = {e.name for e in dataclasses.fields(kind) if not e.metadata.get("learned")}
    for key in settings:
        if key not in known:
            raise SettingsError(
                f"preprocess step {kind.name!r}: unknown key {key!r}, "
                f"need one of {', '.join(sorted(known)) or 'none'}"
            )
    plain = {k: tuple(map(_tuples, v)) if isinstance(v, list) else v for k, v in settings.items()}
    try:
        return kind(**plain, **(arrays or {}))
    except TypeError as error:
        raise SettingsError(f"preprocess step {kind.name!r}: {error}") from None


def _tuples(value: Any) -> Any:
    return tuple(value) if isinstance(value, list) else value


def require(step: Step, key: str, good: bool, need: str) -> None:
    """Refuse a setting: raise `SettingsError` naming step, key, value and what is needed."""
    if not good:
        raise SettingsError(
            f"preprocess step {step.name!r}: {key} is {getattr(step, key)!r}, need {need}"
        )


def is_count(value: Any, least: int = 0) -> bool:
    """Say whether a setting is a whole number of at least `least`."""
    return type(value) is int and value >= least


def is_number(value: Any, above: float = -np.inf) -> bool:
    """Say whether a setting is a finite number above `above`."""
    return type(value) in (int, float) and bool(np.isfinite(value)) and value > above

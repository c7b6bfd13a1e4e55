"""What a preprocess step is.

A step is a frozen dataclass of its settings with ``apply(counts, wavelength)``, vectorised over
rows. Two kinds differ in what a row is: a *shot* step sees the shots of one burst, a *spectrum*
step sees one averaged spectrum a row. Steps of the first kind come before those of the second.

A step that learns has ``fit(counts, wavelength)``, which returns a new frozen step that holds what
it learned in fields annotated as arrays; everything else it holds is settings.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass, fields
from typing import Any, ClassVar, Literal, Self

import numpy as np
from numpy.typing import NDArray

from calib.errors import SettingsError

Floats = NDArray[np.floating]


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
        Stand-off distance of each row.
    """

    spectrometers: tuple[slice, ...] = ()
    dark: Floats | None = None
    distance_m: Floats | None = None

    def parts(self, channels: int) -> tuple[slice, ...]:
        """Return the spectrometers' channels, or all channels as one."""
        return self.spectrometers or (slice(0, channels),)


Need = Literal["dark", "shots", "lines", "distance"]
"""What a library must have for a step to make sense: darks, more than one shot a burst, emission
lines in counts, stand-off distances."""


@dataclass(frozen=True)
class Step:
    """Base of the steps.

    Subclasses set `name` (the word in an experiment file), `level`, and `needs`.
    """

    name: ClassVar[str]
    level: ClassVar[Literal["shot", "spectrum"]] = "spectrum"
    needs: ClassVar[frozenset[Need]] = frozenset()
    learns: ClassVar[bool] = False

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

    def fit(
        self, counts: Floats, wavelength: NDArray[np.float64], shot: Acquisition | None = None
    ) -> Self:
        """Return a step that holds what it learned from the rows; most steps learn nothing."""
        return self

    def axis(self, wavelength: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the wavelength axis after the step, nm; most steps keep it."""
        return wavelength

    def settings(self) -> dict[str, Any]:
        """Return the step as plain data for a TOML or JSON file, ``step`` its name."""
        plain = {
            each.name: getattr(self, each.name)
            for each in fields(self)
            if not isinstance(getattr(self, each.name), np.ndarray)
        }
        return {"step": self.name} | plain

    def arrays(self) -> dict[str, NDArray[np.generic]]:
        """Return what the step learned, by field name."""
        held = {each.name: getattr(self, each.name) for each in fields(self)}
        return {name: value for name, value in held.items() if isinstance(value, np.ndarray)}


def from_settings(
    kind: type[Step], settings: dict[str, Any], arrays: dict[str, Any] | None = None
) -> Step:
    """Build a step from plain data, checking the keys.

    Raises
    ------
    SettingsError
        If a key is unknown or a value is refused by the step.
    """
    known = {each.name for each in dataclasses.fields(kind)}
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

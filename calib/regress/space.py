"""What a family's search may vary: plain data, free of the library that searches it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from calib.errors import UsageError


@dataclass(frozen=True)
class Whole:
    """A whole number from `low` to `high`, both included.

    Attributes
    ----------
    low, high : int
    log : bool
        Whether ratios matter, not differences; then ``low ≥ 1``.
    """

    low: int
    high: int
    log: bool = False

    def __post_init__(self) -> None:
        if not self.low <= self.high or (self.log and self.low < 1):
            raise UsageError(f"range {self.low}–{self.high}: need low ≤ high, and low ≥ 1 for log")


@dataclass(frozen=True)
class Real:
    """A number from `low` to `high`.

    Attributes
    ----------
    low, high : float
    log : bool
        Whether ratios matter, not differences; then ``low > 0``.
    """

    low: float
    high: float
    log: bool = False

    def __post_init__(self) -> None:
        if not self.low <= self.high or (self.log and self.low <= 0):
            raise UsageError(f"range {self.low}–{self.high}: need low ≤ high, and low > 0 for log")


@dataclass(frozen=True)
class Choice:
    """One of a few values, simplest first.

    Attributes
    ----------
    values : tuple
        Text, numbers or booleans.
    """

    values: tuple[Any, ...]

    def __post_init__(self) -> None:
        if not self.values:
            raise UsageError("choice: found no value, need one or more")


Space = Mapping[str, Whole | Real | Choice]
"""Settings that a search varies, by name; empty where there is nothing to vary."""


def drawn(space: Space, rng: np.random.Generator) -> dict[str, Any]:
    """Draw settings of a space at random, evenly (evenly in the logarithm where ratios matter).

    Parameters
    ----------
    space : Space
    rng : numpy.random.Generator
    """
    return {name: _drawn(each, rng) for name, each in space.items()}


def _drawn(each: Whole | Real | Choice, rng: np.random.Generator) -> Any:
    if isinstance(each, Choice):
        return each.values[int(rng.integers(len(each.values)))]
    low, high = (np.log(each.low), np.log(each.high)) if each.log else (each.low, each.high)
    value = rng.uniform(low, high)
    value = float(np.clip(np.exp(value) if each.log else value, each.low, each.high))
    return round(value) if isinstance(each, Whole) else value

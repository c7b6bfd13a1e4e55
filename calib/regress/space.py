"""What a family's search may vary: plain data, free of the library that searches it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

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

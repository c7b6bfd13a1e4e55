"""Checking what stands under ``[models.NAME]``."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from calib.errors import SettingsError


def filled(name: str, given: Mapping[str, Any], defaults: Mapping[str, Any]) -> dict[str, Any]:
    """Fill the defaults of a family's options.

    Raises
    ------
    SettingsError
        If a key is unknown.
    """
    for key in given:
        if key not in defaults:
            needed = f"need one of {', '.join(defaults)}" if defaults else "need none"
            raise SettingsError(f"key 'models.{name}.{key}' is unknown, {needed}")
    return {**defaults, **given}


def need_whole(name: str, options: Mapping[str, Any], key: str, low: int = 1) -> None:
    """Refuse an option that is no whole number from `low` up."""
    value = options[key]
    if type(value) is not int or value < low:
        raise SettingsError(f"key 'models.{name}.{key}' is {value!r}, need a whole number ≥ {low}")


def need_flag(name: str, options: Mapping[str, Any], key: str) -> None:
    """Refuse an option that is neither true nor false."""
    if type(options[key]) is not bool:
        raise SettingsError(f"key 'models.{name}.{key}' is {options[key]!r}, need true or false")


def need_one_of(name: str, options: Mapping[str, Any], key: str, allowed: tuple[Any, ...]) -> None:
    """Refuse an option that is not among the allowed values."""
    if options[key] not in allowed:
        raise SettingsError(
            f"key 'models.{name}.{key}' is {options[key]!r}, "
            f"need one of {', '.join(str(each) for each in allowed)}"
        )

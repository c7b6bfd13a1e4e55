"""How numbers are shown to people, and data made plain for JSON: one way for every room."""

from __future__ import annotations

import math
from typing import Any


def number(value: float | None, digits: int = 3) -> str:
    """Format a number with so many significant digits; a dash where there is none.

    Examples
    --------
    >>> number(2.7), number(1113.0), number(None)
    ('2.70', '1113', '–')
    """
    if value is None:
        return "–"
    if abs(value) >= 10**digits:
        return f"{value:.0f}"
    return f"{value:#.{digits}g}".rstrip(".")


def plain(data: Any) -> Any:
    """Turn numpy scalars into Python's and numbers that are not finite into null, for JSON."""
    if isinstance(data, dict):
        return {str(key): plain(each) for key, each in data.items()}
    if isinstance(data, list | tuple):
        return [plain(each) for each in data]
    if hasattr(data, "item"):
        data = data.item()
    return None if isinstance(data, float) and not math.isfinite(data) else data

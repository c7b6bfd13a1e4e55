"""Trying a family on the training spectra, wherever the work runs."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, is_dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from calib.experiment.cache import opened
from calib.experiment.variants import Prepared, loaded
from calib.regress.family import Problem, Selection, Watch, family, unwatched

if TYPE_CHECKING:
    from calib.experiment.search import Unit

Floats = NDArray[np.floating]

MEMO_BYTES = 400 << 20
"""What a process may keep of scores and the like, for the next trial."""

_MEMOS: dict[Path, dict[Any, Any]] = {}
"""What families worked out in this process, for each matrix on disk."""


@dataclass(frozen=True, eq=False)
class Attempts:
    """The training rows in every variant, and how to try a family on them.

    It can be sent to workers: spectra on disk are named by their path and mapped into memory there.

    Attributes
    ----------
    prepared : dict of str to Prepared
    values : ndarray of shape (n, analytes)
        Certified values, NaN where not certified.
    folds : ndarray of int, shape (repeats, n)
    standards : ndarray of shape (n,)
    analytes : tuple of str
    options : mapping of str to dict
        Of each family, filled.
    """

    prepared: Mapping[str, Prepared]
    values: Floats
    folds: NDArray[np.intp]
    standards: NDArray[np.generic]
    analytes: tuple[str, ...]
    options: Mapping[str, dict[str, Any]]
    _memos: dict[str, dict[Any, Any]] = field(default_factory=dict, repr=False)

    def __call__(
        self, unit: Unit, variant: str, settings: dict[str, Any], watch: Watch = unwatched
    ) -> Selection:
        """Cross-validate one trial of a search."""
        return self.attempt(unit.analyte, unit.family, variant, settings, watch)

    def attempt(
        self,
        analyte: str,
        name: str,
        variant: str,
        settings: Mapping[str, Any],
        watch: Watch = unwatched,
    ) -> Selection:
        """Cross-validate a family with settings drawn from its space."""
        column, options = self.analytes.index(analyte), self.options[name]
        try:
            return family(name).attempt(self.problem(variant), column, options, settings, watch)
        finally:
            _forget()

    def problem(self, variant: str) -> Problem:
        """Return the training rows of a variant."""
        prepared = self.prepared[variant]
        if isinstance(prepared.spectra, Path):
            memo = _MEMOS.setdefault(prepared.spectra, {})
        else:
            memo = self._memos.setdefault(variant, {})
        if prepared.gram is not None and "gram" not in memo:
            memo["gram"] = opened(prepared.gram)
        return Problem(
            loaded(prepared.spectra), self.values, self.folds, self.standards, self.analytes,
            prepared.refit, memo,
        )  # fmt: skip

    def __getstate__(self) -> dict[str, Any]:
        """Send no memo along."""
        return {**self.__dict__, "_memos": {}}


def _forget() -> None:
    """Drop what this process worked out once it is too much; it is worked out again."""
    if sum(_size(memo) for memo in _MEMOS.values()) > MEMO_BYTES:
        _MEMOS.clear()


def _size(value: Any) -> int:
    """Return about how many bytes of arrays a value holds; those on disk do not count."""
    if isinstance(value, np.ndarray):
        return 0 if isinstance(value.base, np.memmap) else value.nbytes
    if isinstance(value, Mapping):
        return sum(map(_size, value.values()))
    if isinstance(value, list | tuple):
        return sum(map(_size, value))
    if is_dataclass(value):
        return sum(map(_size, vars(value).values()))
    return 0

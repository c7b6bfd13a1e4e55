"""Ways to preprocess that a search tries: the experiment's chain and changes to its steps."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from calib.errors import SettingsError
from calib.preprocess import Chain
from calib.preprocess.step import Need

Steps = Sequence[str | Mapping[str, Any]]

BASE = "base"
"""Name of the experiment's own chain."""

BUILT_IN: Mapping[str, tuple[str | dict[str, Any], ...]] = {
    "root": ("root",),
    "snv": ("snv",),
    "derivative": ("derivative",),
    "whole": ({"step": "normalise", "by": "whole"},),
    "whole-root": ({"step": "normalise", "by": "whole"}, "root"),
}
"""Changes that a search tries unless an experiment names its own. None learns from the spectra."""


def varied(base: Chain, changes: Steps) -> Chain:
    """Return a chain with some steps changed.

    Parameters
    ----------
    base : Chain
    changes : sequence of str or mapping
        Steps on spectra. One that `base` has takes its place, with its own settings; others follow
        at the end.

    Raises
    ------
    SettingsError
        If a step or setting is wrong, or a step works on shots.

    Examples
    --------
    >>> chain = varied(Chain.of(["average", "normalise"]), ["root"])
    >>> [step.name for step in chain.steps]
    ['average', 'normalise', 'root']
    """
    steps = list(base.steps)
    for step in Chain.of(changes).steps:
        if step.level == "shot":
            raise SettingsError(
                f"preprocess: a variant changes step {step.name!r}, which works on shots; need "
                "steps on spectra"
            )
        at = next((i for i, old in enumerate(steps) if old.name == step.name), None)
        if at is None:
            steps.append(step)
        else:
            steps[at] = step
    return Chain(tuple(steps))


def chains(base: Chain, changes: Mapping[str, Steps], lacking: set[Need]) -> dict[str, Chain]:
    """Return every different chain by name, the base first.

    Parameters
    ----------
    base : Chain
        Without the steps that need what is lacking.
    changes : mapping of str to steps
    lacking : set of str
        What the library lacks; a variant without its step is the base again and is dropped.
    """
    found = {BASE: base}
    for name, steps in changes.items():
        chain = varied(base, Chain.of(steps).without(lacking)[0].settings())
        if all(chain.settings() != other.settings() for other in found.values()):
            found[name] = chain
    return found

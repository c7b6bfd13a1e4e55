"""Write a simulated campaign as a library on disk."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

from calib.library import Description, LibraryWriter
from calib.simulate.campaign import Campaign
from calib.simulate.compositions import TRACES_PPM
from calib.simulate.instrument import SPECTROMETERS
from calib.simulate.settings import SimulationSettings
from calib.simulate.standards import HELD_OUT_RULE


def simulate_library(
    directory: str | os.PathLike[str],
    settings: SimulationSettings | None = None,
    *,
    progress: Callable[[int, int], None] | None = None,
    workers: int = 1,
) -> Path:
    """Simulate a campaign and write it burst by burst, in bounded memory.

    Parameters
    ----------
    directory : path
        Where the library will be; must not exist.
    settings : SimulationSettings, optional
    progress : callable, optional
        Called after each burst with the bursts done and their total.
    workers : int, default 1
        Processes that make bursts, see `Campaign.bursts`; the bytes do not depend on it.

    Returns
    -------
    Path
        The library.

    Raises
    ------
    UsageError
        If `directory` exists.

    Examples
    --------
    >>> simulate_library("heron", SimulationSettings(n_standards=20))  # doctest: +SKIP
    PosixPath('heron')
    """
    settings = settings or SimulationSettings()
    campaign = Campaign(settings)
    description = describe(settings)
    total = len(campaign.plans)
    with LibraryWriter(directory, description, campaign.wavelength) as writer:
        writer.add_darks(campaign.darks())
        for done, burst in enumerate(campaign.bursts(workers), start=1):
            writer.add_burst(burst.counts, **burst.facts)  # type: ignore[arg-type]
            if progress is not None:
                progress(done, total)
        return writer.finish(campaign.standards)


def describe(settings: SimulationSettings) -> Description:
    """Say in ``library.toml`` what the library is, and that it is invented."""
    switched_off = [
        name
        for name in (
            "matrix_effect", "self_absorption", "distance", "drift", "dust", "fluctuation",
            "heterogeneity", "noise",
        )
        if not getattr(settings, name)
    ]  # fmt: skip
    notes = (
        "Invented for demonstration: simulated by calib.simulate, no real instrument, place or "
        f"material. Seed {settings.seed}. The first shots of a burst hit dust. Targets CT are "
        "check targets visited through a year; NF are natural faces without certificates, "
        "coated or layered, for depth profiles."
    )
    if switched_off:
        notes += " Switched off: " + ", ".join(switched_off) + "."
    return Description(
        title="Heron at Skarn Hollow (simulated)",
        spectrometers=SPECTROMETERS,
        instrument="Heron",
        units=dict.fromkeys(TRACES_PPM, "ppm"),
        atmosphere="air at 84 kPa",
        licence="CC0-1.0",
        notes=notes,
        held_out_rule=HELD_OUT_RULE,
    )

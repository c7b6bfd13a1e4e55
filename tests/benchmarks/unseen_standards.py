"""Libraries and unseen standards of other seeds, all shot with one instrument.

What `validation_coverage.py` trains and tests on. Simulated once and kept where it says.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from dataclasses import replace
from multiprocessing import get_context
from pathlib import Path

import numpy as np
import pandas as pd

from calib.artifact.runtime import Model
from calib.library.tables import check_standards
from calib.library.writer import LibraryWriter
from calib.simulate.campaign import Burst, Campaign
from calib.simulate.compositions import OXIDES, TRACES_PPM, Target, close
from calib.simulate.library import describe
from calib.simulate.settings import SimulationSettings

INSTRUMENT_SEED = 1
UNLIKE = {
    "rutile": {"TiO2": 100.0},
    "halite": {"Cl": 60.7, "Na2O": 53.0},
    "fluorite": {"F": 48.7, "CaO": 71.8},
    "barite": {"Ba": 58.8, "SO3": 34.3},
}
"""Materials that the demo library does not hold, wt%; ideal formulas."""


def settings_of(seed: int, standards: int) -> SimulationSettings:
    return SimulationSettings(n_standards=standards, seed=seed, n_check_visits=0)


def campaign_of(seed: int, standards: int) -> Campaign:
    """Return the demo campaign of a seed, shot with the instrument of `INSTRUMENT_SEED`."""
    campaign = Campaign(settings_of(seed, standards))
    campaign.instrument = Campaign(settings_of(INSTRUMENT_SEED, 5)).instrument
    return campaign


_campaign: Campaign | None = None  # of this worker process


def _open(seed: int, standards: int) -> None:
    global _campaign
    _campaign = campaign_of(seed, standards)


def _shoot(number: int) -> Burst:
    assert _campaign is not None
    return _campaign.shoot(_campaign.plans[number])


def _bursts(seed: int, standards: int, numbers: list[int], workers: int) -> Iterator[Burst]:
    """Shoot some plans of a campaign, a few at a time."""
    with ProcessPoolExecutor(
        workers, get_context("spawn"), initializer=_open, initargs=(seed, standards)
    ) as pool:
        waiting: deque[Future[Burst]] = deque()
        for number in numbers:
            waiting.append(pool.submit(_shoot, number))
            if len(waiting) >= 8 * workers:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()


def library(directory: Path, seed: int, standards: int, workers: int) -> Path:
    """Simulate a training library, unless it is there."""
    if directory.exists():
        return directory
    campaign = campaign_of(seed, standards)
    shot = [i for i, p in enumerate(campaign.plans) if p.target.certified]
    description = describe(campaign.settings)
    with LibraryWriter(directory, description, campaign.wavelength) as writer:
        writer.add_darks(campaign.darks())
        for burst in _bursts(seed, standards, shot, workers):
            writer.add_burst(burst.counts, **burst.facts)  # type: ignore[arg-type]
        return writer.finish(campaign.standards)


def unseen(folder: Path, model: Model, seed: int, standards: int, workers: int) -> pd.DataFrame:
    """Shoot one spot of every standard of a campaign at every distance, unless it is there.

    Returns a table with a row a burst: standard, distance_m, A_certified of each oxide and trace,
    and ``spectrum``, as `Model.reduce` gives it.
    """
    campaign = campaign_of(seed, standards)
    numbers = [i for i, p in enumerate(campaign.plans) if p.spot == 1 and p.target.certified]
    kept = folder / f"unseen-{seed}-{standards}.npy"
    if not kept.exists():
        darks = campaign.darks()
        rows = [
            model.reduce(burst.counts, darks[int(str(burst.facts["dark"]))]).mean(axis=0)
            for burst in _bursts(seed, standards, numbers, workers)
        ]
        np.save(kept, np.stack(rows))
    plans = [campaign.plans[i] for i in numbers]
    names = [p.target.standard for p in plans]
    units = dict.fromkeys(TRACES_PPM, "ppm")
    _, values, _ = check_standards(campaign.standards, units, where=f"seed {seed}")
    table = values.reindex(names).add_suffix("_certified").reset_index(drop=True)
    return table.assign(
        standard=[f"{name}/{seed}" for name in names],
        distance_m=[p.distance_m for p in plans],
        spectrum=list(np.load(kept)),
    )


def unlike(model: Model, seed: int, standards: int) -> pd.DataFrame:
    """Shoot the materials that no library holds, as `unseen` does."""
    campaign = campaign_of(seed, standards)
    darks = campaign.darks()
    hosts = [p for p in campaign.plans if p.spot == 1 and p.target.certified and p.number % 37 == 0]
    rows = []
    for target in _unlike_targets():
        for host in hosts:
            counts = campaign.shoot(replace(host, target=target)).counts
            spectrum = model.reduce(counts, darks[host.dark]).mean(axis=0)
            rows.append((target.standard, host.distance_m, spectrum))
    return pd.DataFrame(rows, columns=["standard", "distance_m", "spectrum"])


def _unlike_targets() -> list[Target]:
    out = []
    for name, parts in UNLIKE.items():
        bulk = np.full(len(OXIDES), 1e-4)
        for component, share in parts.items():
            bulk[OXIDES.index(component)] = share
        out.append(Target(name, name, name, name, "pressed powder", close(bulk), 0.01, (0.0, 0.0)))
    return out

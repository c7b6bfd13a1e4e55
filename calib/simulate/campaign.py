"""A campaign: which target is shot when, and the counts of every burst.

Every burst has a random stream of its own, named by the seed and the burst's number, so that
bursts may be made in any order and in parallel and still be the same bytes.

**Shots of a burst without a plasma for each.** The full line-by-line model runs at a few states
of a burst: the mean plasma; two temperatures and one mass beside it, which give the derivatives
of each channel's logarithm (second order in temperature, first in mass); and the mixture with
the surface layer of every shot whose layer is more than a hundredth of the ablated mass. The
other shots are the mean times the exponential of those derivatives. Layered natural faces get the
full model at every shot. Against the full model at
every shot the relative error of a channel has a median near 0.01 % and a 99.9 % quantile near
1 %: ``tests/simulate/test_campaign.py`` holds it to bounds.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from multiprocessing import get_context

import numpy as np
from numpy.typing import NDArray

from calib.simulate.ablation import (
    ENERGY_MJ,
    REFERENCE_DISTANCE_M,
    Conditions,
    beam_conditions,
    element_matrix,
    matrix_conditions,
    plasma_state,
)
from calib.simulate.compositions import DUST, Target, close
from calib.simulate.instrument import Instrument, collected_light
from calib.simulate.settings import SimulationSettings
from calib.simulate.standards import certify, draw_targets

START = datetime(2031, 3, 3, 7, 0, tzinfo=UTC)
BURSTS_PER_DAY = 48
BURSTS_PER_DARK = 24
PRESSURE_PA = 84_000.0
CHECK_DISTANCE_M = 3.0
FACE_LENGTHENING = 2  # natural faces get this many times the shots
SHOT_SIGMA = {"energy": 0.02, "temperature": 0.008, "mass": 0.08, "light": 0.05}
STEP_T, STEP_M = 0.02, 0.15  # of the logarithms, for the derivatives
LAYER_FLOOR = 0.01  # a surface layer below this share of the ablated mass is left out


@dataclass(frozen=True)
class Plan:
    """One burst to be shot: who, where, when."""

    number: int
    target: Target
    spot: int
    distance_m: float
    acquired_at: datetime
    detector_c: float
    dark: int
    shots: int


@dataclass(frozen=True)
class Burst:
    """Counts (shots, channels) of one burst and its row of ``bursts.csv``."""

    counts: NDArray[np.uint16]
    facts: dict[str, object]


class Campaign:
    """All of a simulated campaign, made burst by burst.

    Parameters
    ----------
    settings : SimulationSettings

    Attributes
    ----------
    targets : list of Target
        With their true compositions.
    standards : DataFrame of str
        ``standards.csv``.
    wavelength : ndarray of shape (channels,)
        nm in air.
    plans : list of Plan
        One for each burst.
    """

    def __init__(self, settings: SimulationSettings) -> None:
        self.settings = settings
        self.instrument = Instrument(self._rng(4))
        self.wavelength = self.instrument.wavelength
        self.targets = draw_targets(settings.n_standards, settings.seed)
        self.standards = certify(self.targets, settings.seed)
        self._matrix = element_matrix(self.instrument.model.atoms)
        self._dark_temperatures: list[float] = []
        self.plans = self._schedule()

    def _rng(self, *key: int) -> np.random.Generator:
        return np.random.default_rng(np.random.SeedSequence(self.settings.seed, spawn_key=key))

    def _schedule(self) -> list[Plan]:
        s = self.settings
        rng = self._rng(5)
        standards = [t for t in self.targets if t.use != "check"]
        jobs: list[tuple[Target, int, float, int]] = []
        for distance in s.distances_m:
            for index in rng.permutation(len(standards)):
                jobs += [
                    (standards[index], spot, distance, s.shots) for spot in range(1, s.spots + 1)
                ]
        faces = [t for t in self.targets if not t.certified]
        jobs += [(face, 1, CHECK_DISTANCE_M, FACE_LENGTHENING * s.shots) for face in faces]
        plans: list[Plan] = []
        for first in range(0, len(jobs), BURSTS_PER_DAY):
            day = START + timedelta(days=first // BURSTS_PER_DAY)
            self._plan_day(plans, jobs[first : first + BURSTS_PER_DAY], day, rng)
        checks = [t for t in self.targets if t.use == "check" and t.certified]
        begin = START + timedelta(days=45)
        for visit in range(s.n_check_visits):
            day = begin + timedelta(days=round(365 * visit / max(s.n_check_visits - 1, 1)))
            jobs = [(target, visit + 1, CHECK_DISTANCE_M, s.shots) for target in checks]
            self._plan_day(plans, jobs, day, rng)
        return plans

    def _plan_day(
        self,
        plans: list[Plan],
        jobs: list[tuple[Target, int, float, int]],
        day: datetime,
        rng: np.random.Generator,
    ) -> None:
        """Give each burst of a day its time and temperature; a dark opens every half day."""
        season = -7.0 * np.cos(2 * np.pi * (day.timetuple().tm_yday - 15) / 365.25)
        level = 19.0 + season + 2.5 * rng.standard_normal()
        for place, (target, spot, distance, shots) in enumerate(jobs):
            warming = 5.0 * np.sin(np.pi * place / BURSTS_PER_DAY) - 2.5
            detector_c = round(float(level + warming + 0.2 * rng.standard_normal()), 1)
            if place % BURSTS_PER_DARK == 0:
                self._dark_temperatures.append(detector_c)
            plans.append(
                Plan(
                    len(plans), target, spot, distance, day + timedelta(minutes=10 * place),
                    detector_c, len(self._dark_temperatures) - 1, shots,
                )
            )  # fmt: skip

    def darks(self) -> NDArray[np.float32]:
        """Dark frames, (darks, channels), counts; ``Plan.dark`` is an index into them."""
        frames = [
            self.instrument.dark_frame(self._seen(t), self._rng(6, k), noise=self.settings.noise)
            for k, t in enumerate(self._dark_temperatures)
        ]
        return np.stack(frames)

    def _seen(self, detector_c: float) -> float:
        return detector_c if self.settings.drift else 20.0

    def bursts(self, workers: int = 1) -> Iterator[Burst]:
        """Make the bursts in the order of `plans`.

        Parameters
        ----------
        workers : int, default 1
            Processes; at most eight bursts of each are held in memory. More than one needs the
            caller's main module to be importable (``if __name__ == "__main__"``). The bytes do
            not depend on it.

        Yields
        ------
        Burst
        """
        if workers == 1:
            yield from map(self.shoot, self.plans)
            return
        with ProcessPoolExecutor(
            workers, get_context("spawn"), initializer=_open_campaign, initargs=(self.settings,)
        ) as pool:
            waiting: deque[Future[Burst]] = deque()
            for number in range(len(self.plans)):
                waiting.append(pool.submit(_shoot, number))
                if len(waiting) >= 8 * workers:
                    yield waiting.popleft().result()
            while waiting:
                yield waiting.popleft().result()

    def shoot(self, plan: Plan) -> Burst:
        """Make one burst."""
        s = self.settings
        rng = self._rng(7, plan.number)
        shots = self._draw_shots(plan, rng)
        layered = plan.target.surface is not None
        radiance = (self.exact_radiance if layered else self.shot_radiance)(plan, shots)
        distance = plan.distance_m if s.distance else REFERENCE_DISTANCE_M
        years = (plan.acquired_at - START).days / 365.25 if s.drift else 0.0
        counts = self.instrument.expose(
            radiance,
            collection=collected_light(distance) * np.exp(shots.log_light),
            detector_c=self._seen(plan.detector_c),
            years=years,
            rng=rng,
            noise=s.noise,
        )
        facts: dict[str, object] = {
            "burst": f"B{plan.number + 1:05d}",
            "standard": plan.target.standard,
            "spot": plan.spot,
            "distance_m": plan.distance_m,
            "energy_mJ": round(float(ENERGY_MJ * np.exp(shots.log_energy).mean()), 3),
            "pressure_pa": PRESSURE_PA,
            "acquired_at": plan.acquired_at.strftime("%Y-%m-%dT%H:%M:%SZ"),
            "dark": plan.dark,
            "detector_c": plan.detector_c,
            "use": plan.target.use,
        }
        return Burst(counts, facts)

    def _draw_shots(self, plan: Plan, rng: np.random.Generator) -> Shots:
        """Draw what fluctuates; every draw is made whether or not its effect is on."""
        s, target, n = self.settings, plan.target, plan.shots
        spread = rng.standard_normal((4, n)) * s.fluctuation
        grain = rng.standard_normal(target.bulk.size) * target.grain * s.heterogeneity
        cover, decay = rng.uniform(0.5, 0.95), rng.uniform(0.5, 1.3)
        number = np.arange(n)
        if target.surface is not None:
            layer, surface = 1 / (1 + np.exp((number - target.surface_shots) / 1.5)), target.surface
        else:
            layer, surface = cover * np.exp(-number / decay) * s.dust, DUST
        return Shots(
            bulk=close(target.bulk * np.exp(grain)),
            surface=close(surface),
            layer=layer,
            log_energy=SHOT_SIGMA["energy"] * spread[0],
            log_temperature=SHOT_SIGMA["temperature"] * spread[1],
            log_mass=SHOT_SIGMA["mass"] * spread[2],
            log_light=SHOT_SIGMA["light"] * spread[3],
        )

    def _state(
        self, plan: Plan, shots: Shots, layer: float, log_mass: float, log_temperature: float
    ) -> tuple[NDArray[np.float32], float]:
        """Run the full model for one state: radiance on the grid, path length in m."""
        s, target = self.settings, plan.target
        composition = (1 - layer) * shots.bulk + layer * shots.surface
        sample = Conditions(0.0, 0.0)
        if s.matrix_effect:
            sample = matrix_conditions(composition, target.form, target.texture)
        distance = plan.distance_m if s.distance else REFERENCE_DISTANCE_M
        beam = beam_conditions(distance, ENERGY_MJ)
        conditions = Conditions(
            sample.log_mass + beam.log_mass + log_mass,
            sample.log_temperature + beam.log_temperature + log_temperature,
        )
        model = self.instrument.model
        state = plasma_state(model.atoms, self._matrix, composition, conditions)
        return model.radiance(state, thin=not s.self_absorption), state.length_m

    def shot_radiance(self, plan: Plan, shots: Shots) -> NDArray[np.float32]:
        """Radiance on channels of every shot, (shots, channels), by the approximation above."""
        covered = np.flatnonzero(shots.layer > LAYER_FLOOR)
        points = [(0.0, 0.0, 0.0), (0.0, 0.0, STEP_T), (0.0, 0.0, -STEP_T), (0.0, STEP_M, 0.0)]
        points += [(float(share), 0.0, 0.0) for share in shots.layer[covered]]
        nodes = self._nodes(plan, shots, points)
        dt, dm = shots.departures()
        logs = np.log(nodes[:4])
        first = (logs[1] - logs[2]) / (2 * STEP_T)
        second = (logs[1] + logs[2] - 2 * logs[0]) / STEP_T**2
        mass = (logs[3] - logs[0]) / STEP_M
        terms = np.stack([dt, dt**2 / 2, dm], axis=1).astype(np.float32)
        spectra = np.exp(terms @ np.stack([first, second, mass]))
        base = np.zeros(plan.shots, dtype=np.intp)
        base[covered] = 4 + np.arange(covered.size)
        value: NDArray[np.float32] = spectra * nodes[base]
        return value

    def exact_radiance(self, plan: Plan, shots: Shots) -> NDArray[np.float32]:
        """As `shot_radiance`, with the full model at every shot: slow, for checks."""
        dt, dm = shots.departures()
        points = [
            (float(f), float(m), float(t)) for f, m, t in zip(shots.layer, dm, dt, strict=True)
        ]
        return self._nodes(plan, shots, points)

    def _nodes(
        self, plan: Plan, shots: Shots, points: list[tuple[float, float, float]]
    ) -> NDArray[np.float32]:
        """Full model, slit and drift for states (layer, ln mass, ln temperature)."""
        made = [self._state(plan, shots, *point) for point in points]
        on_grid = np.stack([radiance for radiance, _ in made], axis=1)
        lengths = np.array([length for _, length in made])
        shift = np.zeros(3)
        if self.settings.drift:
            years = (plan.acquired_at - START).days / 365.25
            shift = self.instrument.shift(plan.detector_c, years)
        return self.instrument.radiance_on_channels(on_grid, lengths, shift)


@dataclass(frozen=True)
class Shots:
    """What differs between the shots of one burst.

    ``bulk`` and ``surface`` are compositions of the spot (components,), wt%; ``layer`` is the
    surface's share of the ablated mass, and the logarithms are departures from the mean of
    laser energy, temperature, mass and light, each (shots,).
    """

    bulk: NDArray[np.float64]
    surface: NDArray[np.float64]
    layer: NDArray[np.float64]
    log_energy: NDArray[np.float64]
    log_temperature: NDArray[np.float64]
    log_mass: NDArray[np.float64]
    log_light: NDArray[np.float64]

    def departures(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Departures of ln temperature and ln mass of each shot, energy included."""
        return self.log_temperature + 0.12 * self.log_energy, self.log_mass + self.log_energy


_campaign: Campaign | None = None  # of this worker process


def _open_campaign(settings: SimulationSettings) -> None:
    global _campaign
    _campaign = Campaign(settings)


def _shoot(number: int) -> Burst:
    if _campaign is None:
        raise RuntimeError("the worker was started without its campaign")
    return _campaign.shoot(_campaign.plans[number])

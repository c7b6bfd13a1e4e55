"""Bursts are reproducible, close to the full model, and obey their switches."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from calib.errors import UsageError
from calib.simulate import Campaign, Plan, SimulationSettings
from calib.simulate.compositions import OXIDES

SMALL = SimulationSettings(
    n_standards=12, distances_m=(3.0,), spots=1, shots=8, n_check_visits=2, seed=5
)


@cache
def campaign(**changes: object) -> Campaign:
    return Campaign(replace(SMALL, **changes))  # type: ignore[arg-type]


def burst(made: Campaign, number: int = 0) -> np.ndarray:
    return made.shoot(made.plans[number]).counts


def test_the_same_seed_gives_the_same_bytes_in_any_order() -> None:
    again = Campaign(SMALL)
    last, first = burst(again, 3), burst(again, 0)
    np.testing.assert_array_equal(first, burst(campaign(), 0))
    np.testing.assert_array_equal(last, burst(campaign(), 3))
    np.testing.assert_array_equal(again.darks(), campaign().darks())
    assert again.standards.equals(campaign().standards)


def test_another_seed_gives_other_targets() -> None:
    assert not Campaign(replace(SMALL, seed=6)).standards.equals(campaign().standards)


def test_processes_give_the_same_bytes() -> None:
    made = Campaign(replace(SMALL, n_standards=5, n_check_visits=0, shots=2))
    alone = [b.counts for b in made.bursts()]
    for counts, other in zip(alone, made.bursts(workers=2), strict=True):
        np.testing.assert_array_equal(counts, other.counts)


@pytest.mark.parametrize("number", [0, 4, 9])
def test_the_approximation_is_near_the_full_model(number: int) -> None:
    made = campaign()
    plan = made.plans[number]
    shots = made._draw_shots(plan, made._rng(7, plan.number))
    error = np.abs(made.shot_radiance(plan, shots) / made.exact_radiance(plan, shots) - 1)
    assert np.median(error) < 0.001
    assert np.quantile(error, 0.999) < 0.03


def test_counts_have_the_form_of_a_burst() -> None:
    made = campaign().shoot(campaign().plans[0])
    assert made.counts.dtype == np.uint16
    assert made.counts.shape == (8, 6144)
    assert made.facts["acquired_at"] == "2031-03-03T07:00:00Z"
    assert {"burst", "standard", "spot", "distance_m", "energy_mJ", "dark", "use"} <= set(
        made.facts
    )


def quiet(**changes: object) -> Campaign:
    return campaign(noise=False, fluctuation=False, heterogeneity=False, **changes)


def mean_light(made: Campaign, plan: Plan) -> np.ndarray:
    shots = made._draw_shots(plan, made._rng(7, plan.number))
    return made.shot_radiance(plan, shots)[-1]


@pytest.mark.parametrize(
    "effect", ["matrix_effect", "self_absorption", "distance", "drift", "dust"]
)
def test_each_switch_changes_the_counts(effect: str) -> None:
    settings = {"distances_m": (6.0,)}
    on = burst(quiet(**settings))
    off = burst(quiet(**settings, **{effect: False}))
    assert (on != off).mean() > 0.01


def test_without_dust_all_shots_of_a_quiet_burst_are_alike() -> None:
    counts = burst(quiet(dust=False))
    assert (counts == counts[0]).all()


def test_dust_wears_off() -> None:
    counts = burst(quiet()).astype(float)
    off = np.abs(counts - counts[-1]).sum(axis=1)
    assert off[0] > 20 * off[5]
    assert (np.diff(off[:5]) < 0).all()


def test_self_absorption_dims_strong_lines_only() -> None:
    made, thin = quiet(dust=False), quiet(dust=False, self_absorption=False)
    ratio = mean_light(made, made.plans[0]) / mean_light(thin, thin.plans[0])
    axis = made.wavelength

    def at(wavelength: float) -> float:
        return float(ratio[np.argmin(np.abs(axis - wavelength))])

    assert at(393.37) < 0.5  # Ca II resonance
    assert at(475.0) > 0.97  # continuum


def test_farther_means_less_light_and_a_cooler_plasma() -> None:
    near, far = quiet(distances_m=(2.0,), dust=False), quiet(distances_m=(7.0,), dust=False)
    a, b = mean_light(near, near.plans[0]), mean_light(far, far.plans[0])
    assert (b < a).mean() > 0.9  # radiance itself, before the solid angle
    counts = [burst(c)[-1].astype(float) - c.darks()[0] for c in (near, far)]
    assert counts[1].sum() < counts[0].sum() / 8


def test_a_coated_face_changes_with_depth() -> None:
    made = campaign()
    plan = next(p for p in made.plans if p.target.standard == "NF1")
    assert plan.shots == 2 * SMALL.shots
    light = made.exact_radiance(plan, made._draw_shots(plan, made._rng(7, plan.number)))
    manganese = int(np.argmin(np.abs(made.wavelength - 259.37)))
    silicon = int(np.argmin(np.abs(made.wavelength - 288.16)))
    ratio = light[:, manganese] / light[:, silicon]
    assert ratio[0] > 2 * ratio[-1]


def test_manganese_lines_follow_manganese() -> None:
    """The spectra carry the composition: across standards, an Mn line rises with MnO."""
    made = campaign(dust=False, n_standards=40)
    plans = {p.target.standard: p for p in made.plans if p.target.use != "check"}
    amount = np.array([p.target.bulk[OXIDES.index("MnO")] for p in plans.values()])
    place = int(np.argmin(np.abs(made.wavelength - 257.61)))
    base = int(np.argmin(np.abs(made.wavelength - 475.0)))
    light = np.array([mean_light(made, p) for p in plans.values()])
    rank = np.argsort(np.argsort(amount)), np.argsort(np.argsort(light[:, place] / light[:, base]))
    assert np.corrcoef(*rank)[0, 1] > 0.7


def test_check_visits_spread_over_a_year() -> None:
    made = Campaign(replace(SMALL, n_check_visits=16))
    visits = [p for p in made.plans if p.target.standard == "CT1"]
    assert len(visits) == 16
    assert (visits[-1].acquired_at - visits[0].acquired_at).days == 365


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"n_standards": 2}, "n_standards: found 2, need at least 5"),
        ({"shots": 0}, "shots: found 0, need at least 1"),
        ({"distances_m": (30.0,)}, r"distances_m: found 30, need 0\.5 to 20 m"),
        ({"distances_m": ()}, "distances_m: found none"),
    ],
)
def test_settings_say_what_they_need(changes: dict[str, object], message: str) -> None:
    with pytest.raises(UsageError, match=message):
        replace(SMALL, **changes)  # type: ignore[arg-type]

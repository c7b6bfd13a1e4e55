"""What every step promises, whatever it does; and a test of this suite itself."""

from __future__ import annotations

import dataclasses
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from calib.errors import SettingsError
from calib.preprocess import Acquisition, Chain, Step
from calib.preprocess.chain import DEFAULT, STEPS

NEEDED = {
    "response": {"points": [[200.0, 1.0], [900.0, 2.0]]},
    "mask": {"ranges_nm": [[300.0, 310.0]], "edges": 2},
}
VARIANTS = [
    *({"step": name, **NEEDED.get(name, {})} for name in STEPS),
    {"step": "dark", "by": "interpolated"},
    {"step": "average", "by": "median"},
    {"step": "average", "by": "trimmed"},
    {"step": "denoise", "mode": "soft", "levels": 3},
    {"step": "register", "by": "reference"},
    {"step": "register", "model": "stretch"},
    {"step": "register", "by": "reference", "model": "stretch"},
    {"step": "continuum", "method": "hull"},
    {"step": "continuum", "method": "wavelet", "window_nm": 8.0},
    {"step": "continuum", "method": "snip", "options": {"max_half_window": 20}},
    {"step": "normalise", "by": "whole"},
    {"step": "normalise", "by": "line", "line_nm": 422.673, "half_width_nm": 0.8},
    {"step": "distance", "by": "proxy", "proxy": "b"},
]


def check_contract(step: Step, counts, axis, shot) -> Step:
    """Fit and apply a step, and check what all steps promise; return it fitted."""
    given = counts.copy()
    given.setflags(write=False)
    step = step.fit(given, axis, shot)
    one = step.apply(given, axis, shot)
    np.testing.assert_array_equal(given, counts, err_msg="the input changed")
    assert np.isfinite(one).all()
    assert one.dtype == counts.dtype
    axis_after, shot_after = step.after(axis, shot)
    assert one.shape[1] == axis_after.size
    assert sum(p.stop - p.start for p in shot_after.parts(axis_after.size)) == axis_after.size
    if step.level == "spectrum":
        assert len(one) == len(counts)
    np.testing.assert_array_equal(one, step.apply(given, axis, shot), err_msg="not repeatable")
    with pytest.raises(dataclasses.FrozenInstanceError):
        step.name = "other"  # type: ignore[misc]
    rebuilt = Chain.of([step.settings()], [step.arrays()]).steps[0]
    np.testing.assert_array_equal(one, rebuilt.apply(given, axis, shot), err_msg="not rebuilt")
    return step


@pytest.mark.parametrize("settings", VARIANTS, ids=lambda s: "-".join(map(str, s.values()))[:40])
class TestEveryStep:
    def test_keeps_the_contract(self, settings, counts, axis, shot):
        check_contract(Chain.of([settings]).steps[0], counts, axis, shot)

    def test_keeps_single_precision(self, settings, counts, axis, shot):
        step = Chain.of([settings]).steps[0].fit(counts, axis, shot)
        dark = dataclasses.replace(shot, dark=np.full(axis.size, 20, np.float32))
        assert step.apply(counts.astype(np.float32), axis, dark).dtype == np.float32

    def test_treats_each_row_alone(self, settings, counts, axis, shot):
        step = Chain.of([settings]).steps[0].fit(counts, axis, shot)
        if step.level == "shot":
            pytest.skip("a step on shots looks at the burst")
        whole = step.apply(counts, axis, shot)
        some = np.array([7, 2, 11])
        alone = step.apply(counts[some], axis, shot.rows(some))
        # SciPy's savgol_filter solves the ends of all rows at once: some roundings of the largest
        rounding = 1e-13 * np.abs(counts).max() if step.name == "derivative" else 0.0
        np.testing.assert_allclose(whole[some], alone, rtol=0, atol=rounding)

    def test_is_the_same_from_many_threads(self, settings, counts, axis, shot):
        step = Chain.of([settings]).steps[0].fit(counts, axis, shot)
        expected = step.apply(counts, axis, shot)
        with ThreadPoolExecutor(4) as pool:
            found = list(pool.map(lambda _: step.apply(counts, axis, shot), range(4)))
        for each in found:
            np.testing.assert_array_equal(each, expected)

    def test_takes_one_spectrometer_without_acquisition_or_says_what_it_needs(
        self, settings, counts, axis, shot
    ):
        step = Chain.of([settings]).steps[0].fit(counts, axis, shot)
        if step.needs & {"distance"}:
            pytest.skip("needs distances")
        assert np.isfinite(step.apply(counts[:1], axis)).all()


@dataclasses.dataclass(frozen=True)
class Meddler(Step):
    """Breaks the contract: writes into its input."""

    name = "meddler"

    def apply(self, counts, wavelength, shot=None):
        counts[0] = 0
        return counts


@dataclasses.dataclass(frozen=True)
class Forgetful(Step):
    """Breaks the contract: returns fewer rows."""

    name = "forgetful"

    def apply(self, counts, wavelength, shot=None):
        return counts[1:]


@pytest.mark.parametrize("kind", [Meddler, Forgetful])
def test_the_contract_catches_a_step_that_breaks_it(kind, counts, axis, shot):
    with pytest.raises((AssertionError, ValueError)):
        check_contract(kind(), counts, axis, shot)


@pytest.mark.parametrize("name", STEPS)
def test_unknown_keys_are_named(name):
    with pytest.raises(SettingsError, match=f"step '{name}': unknown key 'colour'"):
        Chain.of([{"step": name, **NEEDED.get(name, {}), "colour": 1}])


def test_what_is_learned_cannot_be_given_as_a_setting():
    with pytest.raises(SettingsError, match="'msc': unknown key 'reference', need one of none"):
        Chain.of([{"step": "msc", "reference": [1.0]}])


SMALL = np.concatenate([np.linspace(400, 410, 40), np.linspace(500, 520, 40)])
ROWS = hnp.arrays(np.float64, (3, 80), elements=st.floats(-1e4, 1e5, allow_subnormal=False))
NEXT = ["normalise", "snv", "root", "derivative", "despike", "denoise", "continuum", "msc"]


@settings(max_examples=25, deadline=None)
@given(ROWS, st.lists(st.sampled_from(NEXT), max_size=3))
def test_masked_channels_stay_masked(rows, names):
    shot = Acquisition((slice(0, 40), slice(40, 80)))
    chain = Chain.of([{"step": "mask", "ranges_nm": [[402.0, 405.0], [512.0, 530.0]]}, *names])
    masked = chain.after(SMALL, shot)[1].masked
    assert masked.sum() > 10
    _, out = chain.fit_spectra(rows, SMALL, shot)
    assert not out[:, masked].any()


@settings(max_examples=25, deadline=None)
@given(ROWS, hnp.arrays(np.float64, 80, elements=st.floats(-1e6, 1e6)), st.sampled_from(NEXT))
def test_what_a_masked_channel_holds_changes_nothing(rows, poison, name):
    shot = Acquisition((slice(0, 40), slice(40, 80)))
    chain = Chain.of([{"step": "mask", "ranges_nm": [[402.0, 405.0]]}, name])
    masked = (SMALL >= 402) & (SMALL <= 405)
    _, one = chain.fit_spectra(rows, SMALL, shot)
    _, two = chain.fit_spectra(np.where(masked, poison, rows), SMALL, shot)
    np.testing.assert_array_equal(one, two)


@settings(max_examples=15, deadline=None)
@given(factor=st.floats(1e-3, 1e3), seed=st.integers(0, 9))
def test_more_light_changes_nothing_after_normalisation(factor, seed):
    from tests.preprocess.conftest import AXIS, PARTS, lines

    rng = np.random.default_rng(seed)
    clean = lines(drift=rng.uniform(-1, 1))[None]
    rows = clean + np.sqrt(clean) * rng.standard_normal((2, AXIS.size))
    chain = Chain.of([*DEFAULT, "denoise", "snv"]).without({"dark", "shots"})[0]
    one = chain.spectra(rows, AXIS, Acquisition(PARTS))
    two = chain.spectra(factor * rows, AXIS, Acquisition(PARTS))
    # sums and logarithms of scaled counts round differently: some thousand roundings
    np.testing.assert_allclose(two, one, rtol=1e-9, atol=1e-9)

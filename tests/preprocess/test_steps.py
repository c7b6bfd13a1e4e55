"""Each step against its own reference outside the project, or against a known truth."""

from __future__ import annotations

import numpy as np
import pytest
import pywt
from pybaselines import Baseline
from scipy import signal, spatial, stats

from calib.errors import DataError, SettingsError
from calib.lines import load_lines
from calib.preprocess import Acquisition, Chain
from calib.preprocess.continuum import PYBASELINES, Continuum
from calib.preprocess.denoise import Denoise
from calib.preprocess.despike import Despike, noise_level
from calib.preprocess.distance import Distance
from calib.preprocess.line_areas import LineAreas
from calib.preprocess.register import LINES_NM, Register, moved
from calib.preprocess.response import Response, SolidAngle
from calib.preprocess.scale import Normalise
from calib.preprocess.scatter import MSC, SNV, Derivative
from calib.preprocess.shots import Average, Dark, DropShots, RejectShots, dark_at
from tests.preprocess.conftest import AXIS, PARTS, lines

ONE = Acquisition()


def gauss(at: float, width: float, channels: int = 200) -> np.ndarray:
    return np.exp(-0.5 * ((np.arange(channels) - at) / width) ** 2)


# shots


def test_darks_between_two_are_straight_in_time_and_held_beyond():
    times, darks = np.array([10.0, 20.0]), np.array([[100.0, 0.0], [200.0, 40.0]])
    np.testing.assert_allclose(dark_at(12.5, times, darks), [125, 10])
    np.testing.assert_allclose(dark_at(0, times, darks), darks[0])
    np.testing.assert_allclose(dark_at(99, times, darks), darks[1])


def test_dark_is_subtracted_and_leading_shots_go():
    shots = np.arange(24.0).reshape(8, 3)
    shot = Acquisition(dark=np.array([1.0, 2.0, 3.0]))
    np.testing.assert_array_equal(Dark().apply(shots, AXIS[:3], shot), shots - shot.dark)
    np.testing.assert_array_equal(DropShots(5).apply(shots, AXIS[:3]), shots[5:])
    with pytest.raises(DataError, match="burst of 5 shots, need more than the 5"):
        DropShots(5).apply(shots[:5], AXIS[:3])


def test_a_dim_and_a_misshapen_shot_are_rejected(counts, axis):
    rng = np.random.default_rng(4)
    burst = rng.poisson(lines() * np.ones((12, 1))).astype(float)
    burst[3] *= 0.3
    burst[8] = burst[8][::-1]
    kept = RejectShots().apply(burst, axis)
    np.testing.assert_array_equal(kept, np.delete(burst, [3, 8], axis=0))


def test_averages_are_numpy_s_and_scipy_s(counts, axis):
    def average(**settings: object) -> np.ndarray:
        return Average(**settings).apply(counts, axis)[0]

    np.testing.assert_allclose(average(), counts.mean(axis=0), rtol=1e-12)
    np.testing.assert_allclose(average(by="median"), np.median(counts, axis=0), rtol=1e-12)
    trimmed = stats.trim_mean(counts, 0.15, axis=0)
    np.testing.assert_allclose(average(by="trimmed", trim=0.15), trimmed, rtol=1e-12)


# despike


def test_noise_level_is_that_of_known_noise():
    rng = np.random.default_rng(0)
    rows = 7.0 * rng.standard_normal((40, 2048)) + np.linspace(0, 500, 2048)
    # standard error of one estimate is about 2.7 %, of the mean of 40 about 0.4 %
    assert noise_level(rows).mean() == pytest.approx(7.0, rel=0.02)


@pytest.mark.parametrize("width", [1, 2])
@pytest.mark.parametrize("height", [400, -100])
def test_a_spike_or_a_dead_channel_goes_and_its_surroundings_stay(width, height):
    rng = np.random.default_rng(1)
    clean = 100 + 900 * gauss(60, 1.2)[None] + rng.standard_normal((1, 200))
    spiked = clean.copy()
    spiked[0, 120 : 120 + width] += height
    out = Despike().apply(spiked, np.arange(200.0))
    np.testing.assert_array_equal(np.delete(out, [120, 121], 1), np.delete(clean, [120, 121], 1))
    assert np.abs(out - clean).max() < 6  # noise levels


@pytest.mark.parametrize("fwhm", [1.6, 2.0, 3.0, 6.0])
@pytest.mark.parametrize("at", [99.5, 100.0, 100.3])
def test_no_line_is_a_spike(fwhm, at):
    row = 50 + 1e5 * gauss(at, fwhm / 2.3548)[None]
    row += np.random.default_rng(2).standard_normal(row.shape)
    np.testing.assert_array_equal(Despike().apply(row, np.arange(200.0)), row)


# denoise


@pytest.mark.parametrize("mode", ["hard", "soft"])
def test_transform_and_threshold_are_those_of_pywavelets(mode):
    rng = np.random.default_rng(3)
    row = 50 * gauss(400, 3, 1024) + rng.standard_normal(1024)
    padded = np.pad(row, 16, mode="reflect")
    expected = pywt.swt(padded, "sym4", 4, trim_approx=True, norm=True)
    for i, detail in enumerate(expected[1:]):
        sigma = np.median(np.abs(detail[16:-16][:: 2 ** (4 - i)])) / 0.6745
        detail[...] = pywt.threshold(detail, 3 * sigma, mode)
    expected = pywt.iswt(expected, "sym4", norm=True)[16:-16]
    found = Denoise(mode=mode).apply(row[None], np.arange(1024.0))[0]
    np.testing.assert_allclose(found, expected, rtol=0, atol=1e-9)


def test_denoising_known_noise_keeps_the_line_and_lowers_the_noise():
    rng = np.random.default_rng(5)
    clean = 200 * gauss(1000, 3, 2048)
    rows = clean + rng.standard_normal((20, 2048))
    out = Denoise().apply(rows, np.arange(2048.0))
    before, after = (np.sqrt(((x - clean) ** 2).mean()) for x in (rows, out))
    assert after < 0.5 * before
    assert out[:, 1000].mean() == pytest.approx(200, abs=1)


def test_without_threshold_nothing_changes():
    row = np.random.default_rng(6).uniform(0, 9, (2, 333))
    np.testing.assert_allclose(Denoise(k=1e-12).apply(row, np.arange(333.0)), row, atol=1e-9)


# register


@pytest.mark.parametrize("by", ["lines", "reference"])
@pytest.mark.parametrize("drift", [-1.7, -0.5, 0.0, 0.23, 1.4])
def test_a_known_shift_is_found_to_a_twentieth_of_a_channel_at_snr_20(by, drift):
    """Signal to noise 20: height of the strongest lines over the noise; root mean square error."""
    rng = np.random.default_rng(abs(int(100 * drift)))
    clean = np.tile(lines(drift), (20, 1))
    rows = clean + 3000 / 20 * rng.standard_normal(clean.shape)
    step = Register(by=by, snr=4.0).fit(lines()[None], AXIS, Acquisition(PARTS))
    found = step.drift(rows, AXIS, Acquisition(PARTS))
    assert np.isfinite(found).all()
    assert np.sqrt(((found - drift) ** 2).mean()) < 0.05


@pytest.mark.parametrize("by", ["lines", "reference"])
def test_shift_and_stretch_are_found_together(by):
    rng = np.random.default_rng(7)
    rows = lines(0.6, -1.1)[None] + 20 * rng.standard_normal((10, AXIS.size))
    step = Register(by=by, model="stretch").fit(lines()[None], AXIS, Acquisition(PARTS))
    found = step.drift(rows, AXIS, Acquisition(PARTS))
    np.testing.assert_allclose(found[..., 0].mean(axis=0), 0.6, atol=0.1)
    np.testing.assert_allclose(found[..., 1].mean(axis=0), -0.5, atol=0.1)


def test_registered_rows_lie_on_the_axis():
    step = Register().fit(lines()[None], AXIS, Acquisition(PARTS))
    rows = lines(0.7)[None] + np.random.default_rng(0).standard_normal((1, AXIS.size))
    moved_back = step.apply(rows, AXIS, Acquisition(PARTS))[0]
    assert np.abs(lines(0.7) - lines()).max() > 400
    assert np.abs(moved_back - lines()).max() < 40


@pytest.mark.parametrize("by", ["lines", "reference"])
@pytest.mark.parametrize("row", [np.full(AXIS.size, 5.0), lines(6.0)], ids=["dark", "far off"])
def test_what_cannot_be_registered_is_flagged_and_left(by, row):
    rng = np.random.default_rng(8)
    rows = row + rng.standard_normal((2, AXIS.size))
    step = Register(by=by).fit(lines()[None], AXIS, Acquisition(PARTS))
    out, flags = step.apply_flagged(rows, AXIS, Acquisition(PARTS))
    assert flags.tolist() == ["unregistered"] * 2
    if by == "lines":
        np.testing.assert_array_equal(out, rows)


def test_a_spectrometer_too_coarse_for_its_lines_is_left_and_not_flagged():
    axis = np.linspace(230, 880, 60)
    rows = np.random.default_rng(9).uniform(1, 9, (2, 60))
    out, flags = Register().apply_flagged(rows, axis)
    np.testing.assert_array_equal(out, rows)
    assert flags.tolist() == ["", ""]


def test_moving_is_exact_for_whole_channels_and_scipy_s_spline_between():
    from scipy.ndimage import map_coordinates

    row = np.random.default_rng(10).uniform(0, 9, (1, 100))
    np.testing.assert_allclose(moved(row, np.array([[3.0, 3.0]]))[0, :97], row[0, 3:], atol=1e-10)
    for first, last in [(0.37, 0.37), (-0.4, 1.3)]:
        at = np.arange(100) + np.linspace(first, last, 100)
        expected = map_coordinates(row[0], at[None], order=3, mode="mirror")
        np.testing.assert_allclose(moved(row, np.array([[first, last]]))[0], expected, atol=1e-10)


def test_the_listed_lines_are_those_of_the_line_table():
    """Against `calib/data/lines.csv`, which names a source for each line."""
    known = load_lines()["wavelength_air_nm"]
    for line in LINES_NM:
        assert np.abs(known - line).min() < 0.01, line


# continuum


@pytest.mark.filterwarnings("ignore:there were no baseline points found")  # pybaselines says so
@pytest.mark.parametrize("method", PYBASELINES)
def test_every_listed_method_of_pybaselines_runs_and_is_its_own(method, axis, counts):
    row = counts[:1, PARTS[1]]
    x = axis[PARTS[1]]
    halves = ("golotvin", "std_distribution", "fastchrom", "noise_median", "mwmv", "tophat")
    options = {"half_window": 10} if method in (*halves, "rolling_ball") else {}
    options |= {
        "golotvin": {"half_window": 10, "sections": 8},
        "penalized_poly": {"threshold": 1.0},
        "cwt_br": {"scales": [4, 8, 16]},
    }.get(method, {})
    step = Continuum(method=method, options=options)
    expected = getattr(Baseline(x_data=x), method)(row[0], **options)[0]
    np.testing.assert_allclose(step.continuum(row, x)[0], expected, rtol=1e-10, atol=1e-9)


def test_hull_is_scipy_s_convex_hull(axis, counts):
    x, y = axis[PARTS[0]], counts[0, PARTS[0]]
    corners = np.sort(spatial.ConvexHull(np.column_stack([x, y])).vertices)
    below = [i for i in corners if y[i] <= np.interp(x[i], x[[0, -1]], y[[0, -1]]) + 1e-9]
    found = Continuum(method="hull").continuum(y[None], x)[0]
    np.testing.assert_allclose(found, np.interp(x, x[below], y[below]), rtol=1e-12)


@pytest.mark.parametrize("method", ["opening", "hull", "wavelet"])
def test_a_known_continuum_under_lines_is_found(method):
    x = np.linspace(372, 492, 2048)
    truth = 300 + 0.02 * (x - 430) ** 2
    rng = np.random.default_rng(12)
    row = truth + sum(3000 * gauss(at, 2, 2048) for at in (300, 700, 1100, 1900))
    row = row + rng.standard_normal(row.shape)
    found = Continuum(method=method, window_nm=4.0).continuum(row[None], x)[0]
    assert np.abs(found - truth).max() < 12  # of lines 3000 high
    assert np.sqrt(((found - truth) ** 2).mean()) < 5


def test_wrong_options_of_pybaselines_are_named(axis, counts):
    with pytest.raises(
        SettingsError, match="options of snip: unknown key 'colour', need one of max"
    ):
        Continuum(method="snip", options={"colour": 1}).apply(counts, axis)
    with pytest.raises(SettingsError, match="method is 'blur', need one of opening, hull"):
        Continuum(method="blur")


# response, distance


def test_response_is_divided_out_and_never_extrapolated(axis):
    light = np.ones((1, axis.size))
    response = Response(((200.0, 2.0), (900.0, 9.0)))
    counts = light * np.interp(axis, [200, 900], [2, 9])
    np.testing.assert_allclose(response.apply(counts, axis), light)
    with pytest.raises(DataError, match="points run from 300 to 900 nm, the axis from 228"):
        Response(((300.0, 2.0), (900.0, 9.0))).apply(counts, axis)


def test_light_follows_the_inverse_square_law(axis):
    far = np.array([1.5, 3.0, 6.0])
    rows = np.ones((3, axis.size)) / far[:, None] ** 2
    out = SolidAngle(3.0).apply(rows, axis, Acquisition(distance_m=far))
    np.testing.assert_allclose(out, 1 / 9)


@pytest.mark.parametrize("by", ["curve", "proxy"])
def test_a_known_effect_of_distance_is_taken_out(by, axis):
    """Standards differ by composition; the distance tilts every spectrometer by a known power."""
    rng = np.random.default_rng(13)
    far = np.tile([1.5, 3.0, 5.0, 7.5], 12)
    who = np.repeat([f"s{i}" for i in range(12)], 4)
    home = np.repeat(rng.uniform(0.5, 2, (12, axis.size)), 4, axis=0)
    group = Distance().groups(axis, Acquisition(PARTS))
    power = rng.uniform(-0.5, 0.5, group.max() + 1)[group]
    rows = home * (far[:, None] / 3.0) ** power
    shot = Acquisition(PARTS, distance_m=far, standards=who)
    step = Distance(by=by, proxy="s3" if by == "proxy" else "").fit(rows, axis, shot)
    # a power of the distance is a straight line in logarithms, which both ways follow exactly
    np.testing.assert_allclose(step.apply(rows, axis, shot), home, rtol=1e-10)
    assert np.abs(rows / home - 1).max() > 0.3


def test_a_proxy_that_is_not_there_is_named(counts, axis, shot):
    with pytest.raises(DataError, match="proxy standard 'z' is at 0 distances"):
        Distance(by="proxy", proxy="z").fit(counts, axis, shot)


# normalisation and scatter


def test_normalised_means_are_one(counts, axis, shot):
    out = Normalise().apply(counts, axis, shot)
    for part in PARTS:
        np.testing.assert_allclose(out[:, part].mean(axis=1), 1)
    np.testing.assert_allclose(Normalise("whole").apply(counts, axis, shot).mean(axis=1), 1)


def test_a_line_s_area_above_a_slope_is_that_of_its_gaussian():
    axis = np.linspace(400, 420, 801)
    row = 5 + 0.3 * axis + 70 * np.exp(-0.5 * ((axis - 410) / 0.1) ** 2)
    out = LineAreas(lines_nm=(410.0, 500.0), half_width_nm=0.6).apply(row[None], axis)
    expected = 70 * 0.1 * np.sqrt(2 * np.pi)  # the integral of a Gaussian
    np.testing.assert_allclose(out, [[expected]], rtol=1e-6)
    by_line = Normalise("line", line_nm=410.0, half_width_nm=0.6).apply(row[None], axis)
    np.testing.assert_allclose(by_line[0] * expected, row, rtol=1e-6)


def test_snv_is_that_of_barnes():
    """Barnes, Dhanoa & Lister 1989, eq. 1: (y − ȳ) / √(Σ (y − ȳ)² / (n − 1)), row by row."""
    rows = np.random.default_rng(14).uniform(0, 2, (4, 30))
    for row, found in zip(rows, SNV().apply(rows, AXIS[:30]), strict=True):
        centre = sum(row) / 30
        spread = (sum((y - centre) ** 2 for y in row) / 29) ** 0.5
        np.testing.assert_allclose(found, [(y - centre) / spread for y in row], rtol=1e-12)


def test_msc_is_that_of_geladi():
    """Geladi, MacDougall & Martens 1985: regress each row on the mean row, undo both terms."""
    rng = np.random.default_rng(15)
    rows = rng.uniform(0, 2, (6, 40)) + rng.uniform(0, 1, (6, 1))
    step = MSC().fit(rows, AXIS[:40])
    for row, found in zip(rows, step.apply(rows, AXIS[:40]), strict=True):
        fit = stats.linregress(rows.mean(axis=0), row)
        np.testing.assert_allclose(found, (row - fit.intercept) / fit.slope, rtol=1e-10)


def test_msc_undoes_scatter_of_one_shape():
    shape = lines()
    rows = np.array([[0.5], [2.0], [7.0]]) + np.array([[1.0], [3.0], [0.2]]) * shape
    out = MSC().fit(rows, AXIS).apply(rows, AXIS)
    np.testing.assert_allclose(out - out[0], 0, atol=1e-8)


def test_derivative_is_savitzky_golay_s():
    rows = np.random.default_rng(16).uniform(0, 9, (3, 60))
    shot = Acquisition((slice(0, 25), slice(25, 60)))
    out = Derivative(order=1, window=7, polynomial=3).apply(rows, np.arange(60.0), shot)
    for part in shot.spectrometers:
        expected = signal.savgol_filter(rows[:, part], 7, 3, deriv=1)
        np.testing.assert_allclose(out[:, part], expected, rtol=1e-12, atol=1e-12)


def test_blocks_on_threads_are_the_rows_one_by_one(counts, axis, shot):
    many = np.tile(counts, (9, 1))  # several blocks
    chain = Chain.of(["despike", "register", "continuum", "normalise"])
    whole, flags = chain.spectra_flagged(many, axis, Acquisition(PARTS))
    single = [chain.spectra(row[None], axis, Acquisition(PARTS))[0] for row in many[:20]]
    np.testing.assert_array_equal(whole[:20], single)
    assert len(flags) == len(many)

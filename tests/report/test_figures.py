"""What the figures draw: the data given, labels with units and n, nothing over another label."""

from __future__ import annotations

import io

import numpy as np
import pandas as pd
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg

from calib.lines import lines_of, strength, strong_lines
from calib.report import figures
from calib.report.figures.spectra import Stage

STANDARDS = ["a", "a", "b", "c", "d", "e"]


def predictions(repeats: int = 2) -> pd.DataFrame:
    certified = np.array([10.0, 10.0, 20.0, 30.0, np.nan, 50.0])
    table = pd.DataFrame({"burst": list("uvwxyz"), "standard": STANDARDS, "repeat": 1})
    table["MgO"] = [11.0, 9.0, 22.0, 27.0, 40.0, 50.0]
    table["MgO_u"] = [1.0, 1.0, 2.0, 3.0, 4.0, 5.0]
    table["MgO_low"], table["MgO_high"] = table["MgO"] - 1.5, table["MgO"] + 1.5
    table["MgO_certified"] = certified
    table["distance_m"] = [1.5, 3.0, 1.5, 3.0, 1.5, 3.0]
    table["acquired_at"] = "2031-03-03T07:00:00Z"
    others = [table.assign(repeat=r, MgO=0.0) for r in range(2, repeats + 1)]
    return pd.concat([table, *others], ignore_index=True)


def points(ax, marker):
    found = [line for line in ax.lines if line.get_marker() == marker]
    return np.array([line.get_xydata() for line in found])


def words(ax):
    legend = ax.get_legend()
    inside = [t.get_text() for t in legend.get_texts()] if legend else []
    return " | ".join([ax.get_xlabel(), ax.get_ylabel(), *inside])


def test_predicted_against_certified_draws_the_first_deal_and_the_held_out_apart():
    table = predictions()
    ax = figures.predicted_against_certified(table, "MgO", "wt%", held_out=predictions(1))
    known = table[(table["repeat"] == 1) & table["MgO_certified"].notna()]
    assert points(ax, ".")[0] == pytest.approx(known[["MgO_certified", "MgO"]].to_numpy())
    assert points(ax, "o")[0] == pytest.approx(known[["MgO_certified", "MgO"]].to_numpy())
    bars = ax.collections[0].get_segments()
    assert [float(np.ptp(bar[:, 1])) for bar in bars] == pytest.approx(2 * known["MgO_u"])
    one = next(line for line in ax.lines if line.get_label() == "1 : 1")
    assert (one.get_xdata() == one.get_ydata()).all()
    assert "MgO certified (wt%) | MgO predicted (wt%)" in words(ax)
    assert "n = 4 standards" in words(ax)


@pytest.mark.parametrize("against", ["MgO", "distance_m", "acquired_at"])
def test_residuals_are_predicted_less_certified(against):
    ax = figures.residuals(predictions(), "MgO", "wt%", against, label="it (m)")
    drawn = points(ax, ".")[0]
    assert drawn[:, 1] == pytest.approx([1, -1, 2, -3, 0])
    if against == "distance_m":
        assert drawn[:, 0] == pytest.approx([1.5, 3, 1.5, 3, 3])
    assert "it (m) | MgO predicted − certified (wt%)" in words(ax)


def test_local_error_is_drawn_in_the_order_of_the_value():
    ax = figures.local_error_curve(predictions(), "MgO", "wt%")
    curve = points(ax, ".")[1]
    assert curve == pytest.approx(np.array([[9, 1], [11, 1], [22, 2], [27, 3], [50, 5]]))


def test_coverage_counts_what_lies_within():
    ax = figures.interval_coverage(predictions(1), ["MgO"])
    assert points(ax, "o")[0] == pytest.approx(np.array([[60.0, 0.0]]))  # 3 of 5: 2 and 3 are off
    low, high = figures.wilson_interval(0.6, 4)
    assert ax.lines[0].get_xdata() == pytest.approx([100 * low, 100 * high])
    assert ax.get_yticklabels()[0].get_text() == "MgO, n = 4"


def test_the_wilson_interval_is_that_of_statsmodels():
    """statsmodels.stats.proportion.proportion_confint, method 'wilson'."""
    from statsmodels.stats.proportion import proportion_confint

    for hits, n in ((0, 7), (20, 23), (23, 23)):
        expected = proportion_confint(hits, n, method="wilson")
        assert figures.wilson_interval(hits / n, n) == pytest.approx(expected, abs=1e-7)


def test_the_component_taken_is_marked_on_the_curve():
    curve = pd.DataFrame(
        {"n_components": [0, 1, 2], "rmsecv": [4.0, 2.0, 1.5], "standard_error": [0.4, 0.2, 0.3]}
    )
    ax = figures.error_against_setting(curve, "K2O", "wt%", 1, n=30)
    assert points(ax, "o")[0] == pytest.approx(np.array([[1.0, 2.0]]))
    band = ax.collections[0].get_paths()[0].vertices
    assert (band[:, 1].min(), band[:, 1].max()) == pytest.approx((1.2, 4.4))
    assert "n = 30 standards" in words(ax)


def test_families_stand_in_the_order_of_their_error():
    table = pd.DataFrame(
        {"family": ["far", "near"], "rmsecv": [2.0, 1.0], "low": [1.5, 0.8], "high": [2.5, 1.2],
         "taken": [False, True]}
    )  # fmt: skip
    ax = figures.families_compared(table, "K2O", "wt%", n=30)
    assert [t.get_text() for t in ax.get_yticklabels()] == ["near (taken)", "far"]
    assert ax.lines[0].get_xdata() == pytest.approx([0.8, 1.2])


def test_search_history_keeps_the_best_so_far():
    table = pd.DataFrame(
        {"family": "pls", "trial": range(5), "value": [3.0, np.nan, 2.0, 4.0, 1.0]}
    )
    ax = figures.search_history(table)
    assert ax.lines[1].get_ydata() == pytest.approx([3, 3, 2, 2, 1])
    assert "n = 4" in words(ax)


def test_search_history_names_the_best_of_many_families():
    values = {"slow": 9.0, "ridge": 1.0, "pls": 4.0, "lasso": 2.0, "trees": 8.0, "local": 3.0}
    rows = [(name, trial, value + 1 - trial) for name, value in values.items() for trial in (0, 1)]
    ax = figures.search_history(pd.DataFrame(rows, columns=["family", "trial", "value"]))
    named = [line.get_label() for line in ax.lines if not line.get_label().startswith("_")]
    assert named == ["2 others"] + [
        f"{name}, best of n = 2" for name in ("ridge", "lasso", "local", "pls")
    ]


def test_spectra_beyond_a_limit_are_counted():
    table = pd.DataFrame(
        {"use": ["calibration"] * 3 + ["held-out"], "t2": [1.0, 9.0, 2.0, 2.0],
         "q": [1.0, 9.0, 7.0, 1.0]}
    )  # fmt: skip
    ax = figures.t2_against_q(table, {"t2": 5.0, "q": 6.0})
    assert "out of fold, n = 3 spectra, 2 beyond" in words(ax)
    assert "held out, n = 1 spectra, 0 beyond" in words(ax)


def test_pairs_and_histograms_show_every_standard():
    values = pd.DataFrame({"A": [1.0, 2.0, 3.0, np.nan], "B": [4.0, 5.0, 6.0, 7.0]})
    held = pd.Series([False, False, True, True])
    axes = figures.pair_plot(values, held, ["A", "B"], {"A": "wt%", "B": "ppm"})
    assert len(axes) == 3
    assert sum(patch.get_height() for patch in axes[0].patches[:15]) == 2
    assert points(axes[1], "o")[0].tolist() == [[3.0, 6.0]]
    assert axes[1].get_ylabel() == "B (ppm)"


def test_the_share_in_own_lines_is_that_worked_by_hand():
    """Na I 588.995 and 589.592 nm, ± 0.1 nm, on channels 0.05 nm apart: a by-hand example.

    The four channels with a coefficient pull 2, 3, 4 and 1; those at 589.00 and 589.60 nm lie
    within a line, those at 589.30 and 590.00 nm do not: 2 + 4 of 10.
    """
    wavelength = np.round(np.arange(588.5, 590.51, 0.05), 2)
    coefficients, signal = np.zeros(wavelength.size), np.full(wavelength.size, 0.5)
    for nm, value in ((589.0, 4.0), (589.3, 6.0), (589.6, -8.0), (590.0, 2.0)):
        coefficients[np.argmin(np.abs(wavelength - nm))] = value
    found = figures.line_share(wavelength, coefficients, signal, "Na")
    assert found.share == pytest.approx(0.6)
    # 588.90 … 589.05 and 589.50 … 589.65: four channels each of 41
    assert found.channels == pytest.approx(8 / 41)
    assert figures.line_share(wavelength, coefficients, signal, "K") is None
    assert figures.line_share(wavelength, 0 * coefficients, signal, "Na") is None


def test_strong_lines_are_those_above_a_share_of_the_strongest():
    """By the formula: relative strengths of the sodium D lines follow their statistical weights."""
    pair = lines_of("Na", 1, (588, 590))
    ratio = strength(pair)[0] / strength(pair)[1]
    assert ratio == pytest.approx(2.0, rel=0.01)  # g_k 4 : 2, same A_ki within 1 %
    kept = strong_lines("Mg", (275, 290), share=0.05)
    every = lines_of("Mg", range_nm=(275, 290))
    for stage in (1, 2):
        mine = every[every["stage"] == stage]
        expected = mine[strength(mine) >= 0.05 * strength(mine).max()]["wavelength_air_nm"]
        assert kept[kept["stage"] == stage]["wavelength_air_nm"].tolist() == expected.tolist()


def rock_like(seed: int = 3) -> tuple[np.ndarray, np.ndarray]:
    axis = np.arange(240.0, 420.0, 0.05)
    intensity = np.random.default_rng(seed).uniform(0, 0.02, axis.size)
    for element in ("Si", "Fe", "Ca", "Mg", "Al", "Ti"):
        for row in strong_lines(element, (240.0, 420.0)):
            height = 1 + (row["g_k"] % 5)
            line = np.exp(-0.5 * ((axis - row["wavelength_air_nm"]) / 0.05) ** 2)
            intensity = intensity + height * line
    return axis, intensity


def test_no_element_label_covers_another():
    axis, intensity = rock_like()
    elements = {"Si": 50.0, "Fe": 8.0, "Ca": 7.0, "Mg": 5.0, "Al": 15.0, "Ti": 1.0}
    ax = figures.spectrum(axis, intensity, abundance=elements, n=1)
    figure = ax.get_figure()
    FigureCanvasAgg(figure).draw()
    boxes = [text.get_window_extent() for text in ax.texts]
    assert len(boxes) > 8
    assert not any(a.overlaps(b) for i, a in enumerate(boxes) for b in boxes[:i])
    inside = ax.get_window_extent()
    assert all(box.y1 <= inside.y1 + 1 for box in boxes)


def test_the_regression_vector_is_coefficient_times_signal_with_the_lines_marked():
    axis = np.concatenate([np.arange(280.0, 290.0, 0.1), np.arange(390.0, 400.0, 0.1)])
    coefficients, signal = np.sin(axis), np.linspace(1, 2, axis.size)
    ax = figures.regression_vector(axis, coefficients, signal, "SiO2", "wt%", elements=["Si"], n=9)
    drawn = ax.lines[0].get_ydata()
    assert np.isnan(drawn).sum() == 1  # the gap between spectrometers is no line
    assert drawn[np.isfinite(drawn)] == pytest.approx(coefficients * signal)
    marked = [segment[0][0] for segment in ax.collections[0].get_segments()]
    assert any(abs(at - 288.158) < 0.01 for at in marked)
    assert not any(290 < at < 389 for at in marked)
    assert "pull on SiO2 (wt%)" in words(ax)


def test_every_step_is_drawn_as_it_is():
    axis = np.linspace(400.0, 500.0, 50)
    shots = np.arange(100.0).reshape(2, 50)
    stages = [Stage("as shot", axis, shots), Stage("average", axis, shots.mean(0, keepdims=True))]
    axes = figures.preprocess_steps(stages)
    assert axes[0].lines[0].get_ydata() == pytest.approx(shots.mean(axis=0))
    assert [ax.get_title(loc="left") for ax in axes[::2]] == [
        "as shot: n = 2 shots, least to greatest in grey", "average: 1 spectrum",
    ]  # fmt: skip


def test_a_dollar_sign_in_a_name_is_no_formula():
    table = predictions().rename(columns=lambda name: name.replace("MgO", "$_x{"))
    ax = figures.predicted_against_certified(table, "$_x{", "$^")
    ax.get_figure().savefig(io.BytesIO(), format="png")


def test_a_figure_drawn_on_given_axes_stays_there():
    ax = figures.new_figure().subplots()
    assert figures.local_error_curve(predictions(), "MgO", "wt%", ax=ax) is ax


def test_one_column_is_85_mm_and_the_text_is_legible():
    ax = figures.local_error_curve(predictions(), "MgO", "wt%")
    assert ax.get_figure().get_size_inches()[0] * 25.4 == pytest.approx(85, abs=0.5)
    sizes = [label.get_fontsize() for label in (*ax.get_xticklabels(), ax.xaxis.label)]
    assert min(sizes) >= 7

"""Invented standards vary as rocks do, keep families together, and carry honest certificates."""

from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from calib.simulate.compositions import CLASSES, DUST, OXIDES, TRACES_PPM, Target, draw_composition
from calib.simulate.standards import certify, draw_targets

IGNEOUS = Path(__file__).parents[1] / "reference" / "data" / "igneous.csv"
TRENDS = ("subalkaline", "tholeiitic", "alkaline", "plutonic", "foid", "ultramafic")


@cache
def targets() -> tuple[Target, ...]:
    return tuple(draw_targets(120, 1))


@cache
def certificates() -> pd.DataFrame:
    return certify(list(targets()), 1)


def column(table: pd.DataFrame, name: str) -> pd.Series:
    return pd.to_numeric(table[name], errors="coerce")


def test_a_hundred_and_twenty_standards_and_the_other_targets() -> None:
    uses = pd.Series([t.use for t in targets()]).value_counts()
    assert uses["calibration"] + uses["held-out"] == 120
    assert uses["check"] == 5
    assert len({t.standard for t in targets()}) == 125


def test_a_family_has_one_use() -> None:
    uses: dict[str, set[str]] = {}
    for target in targets():
        uses.setdefault(target.family, set()).add(target.use)
    assert all(len(each) == 1 for each in uses.values())


@pytest.mark.parametrize("seed", range(1, 6))
def test_about_one_family_in_five_is_held_out(seed: int) -> None:
    drawn = [t for t in draw_targets(120, seed) if t.use != "check"]
    families = {t.family for t in drawn}
    held = {t.family for t in drawn if t.use == "held-out"}
    assert len(held) / len(families) == pytest.approx(0.2, abs=0.02)


def test_held_out_families_span_the_range_of_silica() -> None:
    silica = OXIDES.index("SiO2")
    held = [t.bulk[silica] for t in targets() if t.use == "held-out"]
    assert min(held) < 25
    assert max(held) > 70


def test_splits_of_a_powder_have_one_composition() -> None:
    splits = [t for t in targets() if "split" in t.name]
    assert len(splits) >= 16
    for a, b in zip(splits[::2], splits[1::2], strict=True):
        assert a.family == b.family
        np.testing.assert_array_equal(a.bulk, b.bulk)
        assert a.texture != b.texture


def test_doping_raises_something_step_by_step() -> None:
    doped = [t for t in targets() if "doped" in t.name]
    families = sorted({t.family for t in doped})
    assert len(families) == 5
    for family in families:
        bulk = np.array([t.bulk for t in doped if t.family == family])
        rises = (np.diff(bulk, axis=0) > 0).all(axis=0)
        assert 1 <= rises.sum() <= 3


def test_true_compositions_sum_to_a_hundred() -> None:
    np.testing.assert_allclose([t.bulk.sum() for t in targets()], 100.0)


def test_certified_totals_are_those_of_analyses() -> None:
    table = certificates().iloc[:120]
    parts = {o: column(table, o) * (1e-4 if o in TRACES_PPM else 1.0) for o in OXIDES}
    totals = pd.DataFrame(parts).sum(axis=1)
    assert totals.between(97, 102).all()


def test_certificates_have_gaps_and_limits() -> None:
    cells = certificates()[list(OXIDES)].iloc[:120]
    assert 0.1 < (cells == "").to_numpy().mean() < 0.5
    below = cells.apply(lambda values: values.str.startswith("<"))
    assert below.to_numpy().sum() > 20
    assert set(cells["SiO2"].str.strip()) & {""} == set()


def test_certified_values_are_within_their_uncertainty() -> None:
    table = certificates().iloc[:120]
    true = np.array([t.bulk for t in targets()[:120]])
    scores = []
    for place, oxide in enumerate(OXIDES):
        factor = 1e4 if oxide in TRACES_PPM else 1.0
        value, u = column(table, oxide), column(table, f"{oxide}_u")
        scores.append(((value - factor * true[:, place]) / u).dropna())
    z = pd.concat(scores)
    assert z.std() == pytest.approx(1.0, abs=0.1)
    assert abs(z.mean()) < 0.15


def test_natural_faces_have_no_certificate() -> None:
    faces = certificates()[certificates()["standard"].str.startswith("NF")]
    assert (faces[list(OXIDES)] == "").all(axis=None)


def test_every_class_is_a_whole_analysis() -> None:
    for name, composition in CLASSES.items():
        assert composition.size == len(OXIDES)
        assert 92 < composition.sum() < 104, name  # ores lack the oxygen of Fe2O3 and MnO2
    assert DUST.size == len(OXIDES)


@cache
def igneous() -> tuple[pd.DataFrame, pd.DataFrame]:
    """Analyses from outside, and as many invented igneous rocks."""
    real = pd.read_csv(IGNEOUS)
    rng = np.random.default_rng(0)
    drawn = [draw_composition(rng, TRENDS[k % len(TRENDS)])[1] for k in range(len(real))]
    return real, pd.DataFrame(drawn, columns=list(OXIDES))[list(real.columns)]


@pytest.mark.parametrize(
    "oxide", ["SiO2", "TiO2", "Al2O3", "FeOT", "MnO", "MgO", "CaO", "Na2O", "K2O", "P2O5"]
)
def test_ranges_are_those_of_igneous_rocks(oxide: str) -> None:
    """The middle 80 % of invented values lies within the extremes of 500 real analyses, and
    covers at least half of their middle half."""
    real, ours = igneous()
    low, high = ours[oxide].quantile([0.1, 0.9])
    assert low >= real[oxide].quantile(0.005)
    assert high <= real[oxide].quantile(0.995)
    a, b = real[oxide].quantile([0.25, 0.75])
    assert min(b, high) - max(a, low) > 0.5 * (b - a)


def test_oxides_correlate_as_in_igneous_rocks() -> None:
    real, ours = igneous()
    pairs = [
        ("SiO2", "FeOT", -1), ("SiO2", "MgO", -1), ("SiO2", "CaO", -1), ("SiO2", "TiO2", -1),
        ("SiO2", "K2O", 1), ("SiO2", "Na2O", 1), ("MgO", "K2O", -1), ("MgO", "Al2O3", -1),
        ("CaO", "K2O", -1), ("FeOT", "TiO2", 1), ("Na2O", "MgO", -1),
    ]  # fmt: skip
    theirs, mine = real.corr("spearman"), ours.corr("spearman")
    for a, b, sign in pairs:
        assert sign * theirs.loc[a, b] > 0.1, (a, b)
        assert sign * mine.loc[a, b] > 0.1, (a, b)
    upper = np.triu_indices(len(real.columns), 1)
    agreement = np.corrcoef(theirs.to_numpy()[upper], mine.to_numpy()[upper])[0, 1]
    assert agreement > 0.7

"""The set of invented targets: singles, doping series, split powders, check targets, faces.

**Held-out rule**, applied before anything is trained: the families of calibration standards
are sorted by their mean true SiO2; of every five that follow one another, one is drawn at
random with the campaign's seed. A family is never divided between uses.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from calib.simulate.compositions import (
    CLASSES,
    FORMS,
    OXIDES,
    TRACES_PPM,
    Target,
    close,
    dope,
    draw_composition,
)

HELD_OUT_RULE = (
    "families sorted by mean SiO2; of every five in a row one is drawn with the campaign's "
    "seed; no family is divided; drawn before any training"
)
DOPING: tuple[dict[str, float], ...] = (
    {"Li": 0.05, "Rb": 0.04},
    {"MnO": 1.0, "NiO": 0.4},
    {"Cr2O3": 0.8, "Ba": 0.25},
    {"SO3": 3.0},
    {"Cl": 1.5, "Na2O": 1.3},
    {"P2O5": 2.0, "F": 0.3},
    {"Sr": 0.20, "Ba": 0.20},
    {"K2O": 2.5},
    {"TiO2": 2.0},
)
"""wt% added per step of a doping series; the steps are 0, 1/4, 1/2, 1 and 2."""
STEPS = (0.0, 0.25, 0.5, 1.0, 2.0)
CHECK_CLASSES = ("ferrobasalt", "marl", "trachyte")


def draw_targets(n_standards: int, seed: int) -> list[Target]:
    """Draw all targets of a campaign.

    Parameters
    ----------
    n_standards : int
        Certified standards for calibration and hold-out.
    seed : int

    Returns
    -------
    list of Target
        `n_standards` standards, then three check targets and two natural faces, whose use is
        ``check``.
    """
    rng = np.random.default_rng(np.random.SeedSequence(seed, spawn_key=(1,)))
    targets: list[Target] = []
    n_series = max(n_standards // 24, 1)
    n_splits = n_standards // 12
    for number in range(n_series):
        room = n_standards - len(targets)
        targets += _doping_series(rng, number)[:room]
    while len(targets) < n_standards:
        split = n_splits > 0 and n_standards - len(targets) >= 2
        n_splits -= split
        targets += _single(rng, len(targets), 2 if split else 1)
    targets = _name(targets)
    targets = _hold_out(
        targets, np.random.default_rng(np.random.SeedSequence(seed, spawn_key=(2,)))
    )
    return targets + _check_targets(rng) + _faces(rng)


def _texture(rng: np.random.Generator) -> tuple[float, float]:
    return float(rng.standard_normal()), float(rng.standard_normal())


def _doping_series(rng: np.random.Generator, number: int) -> list[Target]:
    trend = ("subalkaline", "clastic", "tholeiitic", "alkaline", "carbonate")[number % 5]
    kind, base = draw_composition(rng, trend)
    additive = DOPING[(2 * number + int(rng.integers(2))) % len(DOPING)]
    texture = _texture(rng)
    series = []
    for step in STEPS:
        near = texture[0] + 0.3 * rng.standard_normal(), texture[1] + 0.3 * rng.standard_normal()
        bulk = dope(base, {oxide: step * amount for oxide, amount in additive.items()})
        series.append(Target("", "doped", f"series {number + 1}", kind, FORMS[0], bulk, 0.01, near))
    return series


def _single(rng: np.random.Generator, number: int, splits: int) -> list[Target]:
    kind, bulk = draw_composition(rng)
    form = FORMS[rng.choice(3, p=[0.6, 0.25, 0.15])]
    grain = {
        "pressed powder": 0.012,
        "sawn slab": float(rng.choice([0.04, 0.25])),
        "fused glass": 0.004,
    }
    family = f"family {number}"
    made = []
    for split in range(splits):
        shape = FORMS[0] if splits > 1 else form
        name = f"split {'AB'[split]}" if splits > 1 else "single"
        made.append(Target("", name, family, kind, shape, bulk, grain[shape], _texture(rng)))
    return made


def _name(targets: list[Target]) -> list[Target]:
    """Give standards and families their numbers and readable names."""
    families = {family: i for i, family in enumerate(dict.fromkeys(t.family for t in targets), 1)}
    named = []
    for number, target in enumerate(targets, 1):
        words = target.kind.replace("-", " ")
        named.append(
            replace(
                target,
                standard=f"SH{number:03d}",
                name=f"{words} {families[target.family]}, {target.name}".removesuffix(", single"),
                family=f"F{families[target.family]:03d}",
            )
        )
    return named


def _hold_out(targets: list[Target], rng: np.random.Generator) -> list[Target]:
    members: dict[str, list[float]] = {}
    for target in targets:
        members.setdefault(target.family, []).append(target.bulk[OXIDES.index("SiO2")])
    order = sorted(members, key=lambda family: (float(np.mean(members[family])), family))
    chosen = set()
    for start in range(0, len(order), 5):
        block = order[start : start + 5]
        pick = int(rng.integers(5))
        if pick < len(block):
            chosen.add(block[pick])
    return [replace(t, use="held-out") if t.family in chosen else t for t in targets]


def _check_targets(rng: np.random.Generator) -> list[Target]:
    made = []
    for number, kind in enumerate(CHECK_CLASSES, 1):
        bulk = close(CLASSES[kind] * np.exp(0.05 * rng.standard_normal(len(OXIDES))))
        made.append(
            Target(
                f"CT{number}", f"check target, {kind}", f"CT{number}", kind, FORMS[2], bulk,
                0.003, (0.0, 0.0), use="check",
            )
        )  # fmt: skip
    return made


def _faces(rng: np.random.Generator) -> list[Target]:
    """Draw natural faces without a certificate: a thin coating, and two layers."""
    _, below = draw_composition(rng, "tholeiitic")
    varnish = close(0.5 * CLASSES["manganese-ore"] + 0.5 * CLASSES["smectite-clay"])
    coated = Target(
        "NF1", "quarry face, varnish on basalt", "NF1", "coated face", FORMS[1], below, 0.05,
        _texture(rng), certified=False, surface=varnish, surface_shots=9.0, use="check",
    )  # fmt: skip
    _, deep = draw_composition(rng, "carbonate")
    layered = Target(
        "NF2", "quarry face, gypsum on carbonate", "NF2", "layered face", FORMS[1], deep, 0.05,
        _texture(rng), certified=False, surface=close(CLASSES["gypsum"]), surface_shots=18.0,
        use="check",
    )  # fmt: skip
    return [coated, layered]


def certify(targets: list[Target], seed: int) -> pd.DataFrame:
    """Write the certificates: ``standards.csv`` as a table of text.

    A certified value is the true one plus a normal error of its standard uncertainty
    ``u = 0.008 wt% + 0.006 c^0.85 (100 wt%)^0.15`` (k = 1; a Horwitz-like power law, of the order
    of good rock certificates, no source). Minor components are not certified in some
    standards; a value below three times the least uncertainty is given as a limit; volatiles below
    0.4 wt% are certified in about half of the standards.

    Parameters
    ----------
    targets : list of Target
    seed : int

    Returns
    -------
    DataFrame of str
        Columns of ``standards.csv``; traces in ppm, all else in wt%.
    """
    rows = []
    for number, target in enumerate(targets):
        rng = np.random.default_rng(np.random.SeedSequence(seed, spawn_key=(3, number)))
        row = {
            "standard": target.standard, "name": target.name, "family": target.family,
            "kind": target.kind, "form": target.form, "source": "invented for demonstration",
        }  # fmt: skip
        row |= _certificate(target.bulk, target.certified, rng)
        rows.append(row)
    return pd.DataFrame(rows)


def _certificate(
    bulk: NDArray[np.float64], certified: bool, rng: np.random.Generator
) -> dict[str, str]:
    volatile = bool(rng.random() < 0.5)
    cells: dict[str, str] = {}
    for oxide, true in zip(OXIDES, bulk, strict=True):
        trace = oxide in TRACES_PPM
        floor, digits, factor = (1e-4, 0, 1e4) if trace else (0.008, 2, 1.0)
        u = floor + 0.006 * true**0.85 * 100**0.15 * (4 if trace else 1)
        value = true + u * rng.standard_normal()
        luck = rng.random()
        missing = (
            not certified
            or (oxide in ("CO2", "H2O", "SO3", "Cl", "F") and not volatile and true < 0.4)
            or (oxide in ("F", "Li", "Rb", "NiO", "Cr2O3") and luck < 0.3)
            or (oxide in ("MnO", "P2O5", "Sr", "Ba") and luck < 0.06)
        )
        cells[oxide], cells[f"{oxide}_u"] = "", ""
        if missing:
            continue
        limit = 3 * floor
        if value < limit:
            cells[oxide] = f"<{limit * factor:.{digits}f}" if trace else f"<{limit:.3f}"
            continue
        cells[oxide] = (
            f"{value * factor:.{digits}f}" if trace else f"{value:.{3 if value < 1 else 2}f}"
        )
        cells[f"{oxide}_u"] = f"{u * factor:.{max(digits, 1)}f}" if trace else f"{u:.3f}"
    return cells

"""How much each effect of the simulated plasma costs a plain PLS model of SiO2.

    python tests/benchmarks/simulated_effects.py [--figure reports/simulated_effects.png]
    python tests/benchmarks/simulated_effects.py --full

A campaign is simulated with everything on (the reference arm), then with one effect off at a
time. All arms share standards, schedule and random draws, so that they are paired burst by burst.
Each standard is shot once at each end of the range, 1.5 and 7.5 m (``--full``: at four
distances); each distance is a row.

**Error.** Nested cross-validation (`calib.regress.pls.nested_cross_validate`): outer and inner
folds hold whole families, components are chosen inside by the one-standard-error rule, and the
whole is repeated over several deals of the families. The RMSEP pools the out-of-fold errors of
all rows; the median absolute error is given beside it, since a few ores, carbonates and sulfates
hold much of an RMSEP.

**Differences.** RMSEP with all effects less RMSEP with one off: above zero, the effect costs.
Standard error and 95 % interval by bootstrap over families, the same draw in both arms. The p
value is that of `calib.validate.comparison.randomisation_test` on the families' differences of
squared error, corrected by Holm for the arms of a table. Neither includes what another draw of
standards or another deal of the folds would add; ``--seeds`` shows that.

**Preprocessing.** ``plain`` is plain on purpose, so that every effect reaches the model: dark
subtracted, all shots averaged (dusty ones too), no registration, each spectrometer divided by its
sum. ``first 3 shots``: as plain, with a burst of three shots. ``never full``: as plain, without
the channels that reach the detectors' full scale in any burst of any arm. ``root``: the square
root of plain. ``default``: calib's default chain, which exists to remove some of these effects
(dust by dropping shots, drift by registration).

The numbers are reported as they come out; the simulator's parameters are not tuned on them.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import numpy as np

from calib.preprocess import Acquisition, Chain
from calib.preprocess.chain import DEFAULT
from calib.regress.pls import Dealing, nested_cross_validate
from calib.simulate import Campaign, SimulationSettings
from calib.simulate.compositions import OXIDES
from calib.simulate.instrument import FULL_SCALE, slices, wavelength_axis
from calib.validate.comparison import holm, randomisation_test

EFFECTS = ("matrix_effect", "self_absorption", "distance", "drift", "dust")
ARMS: dict[str, tuple[str, ...]] = {
    "all effects": (),
    "matrix effect off": ("matrix_effect",),
    "self-absorption off": ("self_absorption",),
    **{f"{effect} off": (effect,) for effect in EFFECTS[2:]},
    "all five off": EFFECTS,
    "self-absorption only": tuple(e for e in EFFECTS if e != "self_absorption"),
}
"""Name of each arm and what is off in it."""
ALONE = ("self-absorption only", "all five off")
"""Self-absorption on and off with the other four off: compared with one another as well."""
MAX_COMPONENTS = 30
FEW_SHOTS = 3
BOOTSTRAP = 4000
WAYS = ("plain", "first 3 shots", "never full", "root", "default")


class Arm(NamedTuple):
    """Reduced bursts of one campaign, in the order shot, and what is true of them.

    ``light`` and ``first`` are means of all and of the first shots, less dark; ``chained`` went
    through the default chain's steps on shots; ``full`` are channels that ever reached full scale.
    """

    light: np.ndarray
    first: np.ndarray
    chained: np.ndarray
    full: np.ndarray
    truth: np.ndarray
    family: np.ndarray


class Errors(NamedTuple):
    """Out-of-fold errors (repeats, rows) in wt%, and the components chosen."""

    error: np.ndarray
    components: np.ndarray


def simulate(settings: SimulationSettings) -> Arm:
    """Simulate a campaign and reduce each burst as it comes."""
    campaign = Campaign(settings)
    darks = campaign.darks()
    by_name = {t.standard: t for t in campaign.targets}
    chain = Chain.of(DEFAULT)
    rows: list[tuple[np.ndarray, ...]] = []
    full = np.zeros(campaign.wavelength.size, dtype=bool)
    truth, family = [], []
    for burst in campaign.bursts(workers=2):
        target = by_name[str(burst.facts["standard"])]
        if target.use == "check":
            continue
        counts, dark = burst.counts.astype(np.float64), darks[int(str(burst.facts["dark"]))]
        full |= (burst.counts >= FULL_SCALE).any(axis=0)
        shot = Acquisition(slices(), dark=dark)
        clean = chain.burst(counts, campaign.wavelength, shot)[0]
        few = counts[:FEW_SHOTS].mean(axis=0) - dark
        rows.append((counts.mean(axis=0) - dark, few, clean))
        truth.append(target.bulk[OXIDES.index("SiO2")])
        family.append(target.family)
    light, first, chained = (np.array(each, dtype=np.float32) for each in zip(*rows, strict=True))
    return Arm(light, first, chained, full, np.array(truth), np.array(family))


def over_sum(light: np.ndarray, keep: np.ndarray | None = None) -> np.ndarray:
    """Divide each spectrometer of each row by its mean over the channels kept."""
    X = light.astype(np.float64)
    keep = np.ones(X.shape[1], dtype=bool) if keep is None else keep
    for part in slices():
        X[:, part] /= X[:, part][:, keep[part]].mean(axis=1, keepdims=True)
    return X[:, keep]


def prepare(arm: Arm, way: str, never_full: np.ndarray) -> np.ndarray:
    """Spectra of an arm, preprocessed in one of `WAYS`."""
    make: dict[str, Callable[[], np.ndarray]] = {
        "plain": lambda: over_sum(arm.light),
        "first 3 shots": lambda: over_sum(arm.first),
        "never full": lambda: over_sum(arm.light, never_full),
        "root": lambda: np.sqrt(np.maximum(over_sum(arm.light), 0)),
        "default": lambda: Chain.of(DEFAULT).spectra(
            arm.chained.astype(np.float64), wavelength_axis(), Acquisition(slices())
        ),
    }
    return make[way]()


def validate(X: np.ndarray, arm: Arm, repeats: int) -> Errors:
    """Nested cross-validation over families, repeated over deals of the folds."""
    errors, components = [], []
    for repeat in range(repeats):
        found = nested_cross_validate(
            X, arm.truth[:, None], arm.family, MAX_COMPONENTS, dealing=Dealing(seed=1000 * repeat)
        )
        errors.append(found.predictions[:, 0] - arm.truth)
        components.append(found.n_components[:, 0])
    return Errors(np.array(errors), np.array(components))


def rmsep(errors: Errors) -> float:
    """Root mean square over rows and repeats, wt%."""
    return float(np.sqrt(np.mean(errors.error**2)))


def median_error(errors: Errors) -> float:
    """Median absolute error over rows and repeats, wt%."""
    return float(np.median(np.abs(errors.error)))


class Difference(NamedTuple):
    """All effects on less one off: value, its standard error and 95 % interval; p value."""

    rmsep: tuple[float, float, float, float]
    median: tuple[float, float, float, float]
    p: float


def compare(reference: Errors, other: Errors, family: np.ndarray) -> Difference:
    """Pair two arms by family."""
    _, code = np.unique(family, return_inverse=True)
    members = [np.flatnonzero(code == k) for k in range(code.max() + 1)]
    size = np.array([m.size for m in members], dtype=float)
    squares = [
        np.array([(e.error[:, m] ** 2).mean(axis=0).sum() for m in members])
        for e in (reference, other)
    ]
    absolute = [np.abs(e.error) for e in (reference, other)]
    rng = np.random.default_rng(0)
    draws = np.empty((2, BOOTSTRAP))
    for k in range(BOOTSTRAP):
        pick = rng.integers(len(members), size=len(members))
        a, b = (np.sqrt(s[pick].sum() / size[pick].sum()) for s in squares)
        draws[0, k] = a - b
        rows = np.concatenate([members[i] for i in pick])
        draws[1, k] = np.median(absolute[0][:, rows]) - np.median(absolute[1][:, rows])
    values = (
        rmsep(reference) - rmsep(other),
        median_error(reference) - median_error(other),
    )
    one, two = (
        (v, float(d.std(ddof=1)), *(float(q) for q in np.quantile(d, [0.025, 0.975])))
        for v, d in zip(values, draws, strict=True)
    )
    return Difference(one, two, randomisation_test((squares[0] - squares[1]) / size))


def report(results: dict[str, Errors], family: np.ndarray, way: str) -> dict[str, Difference]:
    """Print one table, and return the differences."""
    reference = results["all effects"]
    found = {
        name: compare(reference, e, family) for name, e in results.items() if e is not reference
    }
    corrected = dict(zip(found, holm([d.p for d in found.values()]), strict=True))
    print(f"\n{way}: SiO2, wt%; difference is all effects less this arm ± standard error")
    print(f"{'':20s} {'RMSEP':>6s} {'difference':>15s} {'95 %':>15s} {'p':>7s} "
          f"{'median':>7s} {'difference':>15s}  components")  # fmt: skip
    for name, errors in results.items():
        k = np.quantile(errors.components, [0, 0.5, 1]).astype(int)
        chosen = f"{k[1]} ({k[0]}–{k[2]})"
        text = f"{name:20s} {rmsep(errors):6.2f}"
        if name in found:
            r, m = found[name].rmsep, found[name].median
            text += f" {r[0]:+7.3f} ± {r[1]:.3f} {r[2]:+7.2f} {r[3]:+7.2f} {corrected[name]:7.4f}"
            text += f" {median_error(errors):7.2f} {m[0]:+7.3f} ± {m[1]:.3f}  {chosen}"
        else:
            text += f"{'':39s} {median_error(errors):8.2f} {'':15s}  {chosen}"
        print(text, flush=True)
    alone = compare(results[ALONE[0]], results[ALONE[1]], family)
    print(f"{ALONE[0]} less {ALONE[1]}: RMSEP {alone.rmsep[0]:+.3f} ± {alone.rmsep[1]:.3f}, "
          f"median {alone.median[0]:+.3f} ± {alone.median[1]:.3f}")  # fmt: skip
    return found


def draw(
    tables: dict[str, dict[str, Difference]], levels: dict[str, str], n: str, path: str
) -> None:
    """Draw what each effect adds to RMSEP and median error, with 95 % intervals."""
    import matplotlib

    matplotlib.use("Agg")
    import matplotlib.pyplot as plt

    ways = [way for way in ("plain", "first 3 shots", "never full", "default") if way in tables]
    labels = {
        "plain": "plain: all shots averaged,\nnot registered, divided by sum",
        "first 3 shots": "plain, bursts of three shots:\ndust lies on all of them",
        "never full": "plain, without channels that\nreach full scale in any arm",
        "default": "calib's default chain:\nearly shots dropped, registered",
    }
    names = [name for name in ARMS if name.endswith(" off")]
    figure, panels = plt.subplots(
        1, len(ways), figsize=(14, 4.6), layout="constrained", sharey=True, squeeze=False
    )
    for axes, way in zip(panels[0], ways, strict=True):
        for offset, field, marker, label in (
            (-0.13, "rmsep", "o", "RMSEP"),
            (0.13, "median", "s", "median absolute error"),
        ):
            for row, name in enumerate(names):
                value, _, low, high = getattr(tables[way][name], field)
                colour = "C0" if field == "rmsep" else "C1"
                axes.plot([low, high], [row + offset] * 2, color=colour, lw=1.6)
                axes.plot(value, row + offset, marker, color=colour, ms=5,
                          label=label if row == 0 else None)  # fmt: skip
        axes.axvline(0, color="0.3", lw=0.8)
        axes.set_xscale("symlog", linthresh=0.3, linscale=1.2)
        axes.set_xlim(-5, 5)
        ticks = [-3, -1, -0.3, -0.1, 0, 0.1, 0.3, 1, 3]
        axes.set_xticks(ticks, [f"{t:g}" for t in ticks], fontsize=8)
        axes.minorticks_off()
        axes.set_yticks(range(len(names)), names)
        axes.set_title(f"{labels[way]}\n{levels[way]}", fontsize=10)
        axes.set_xlabel("all effects on − this off, wt% SiO₂")
        axes.grid(axis="x", lw=0.4)
    panels[0][0].invert_yaxis()
    panels[0][0].legend(fontsize=8, loc="upper left")
    figure.suptitle(
        f"Cost of each simulated effect to PLS ({n}); right of zero, it costs.\n"
        "Bars: 95 %, paired bootstrap over families; axis logarithmic beyond ±0.3",
        fontsize=11,
    )
    figure.savefig(path, dpi=140)


def cached(settings: SimulationSettings, path: Path | None) -> Arm:
    """Simulate an arm, or read what an earlier run kept."""
    if path is not None and path.exists():
        with np.load(path) as stored:
            return Arm(*(stored[name] for name in Arm._fields))
    arm = simulate(settings)
    if path is not None:
        np.savez(path, **arm._asdict())
    return arm


def main() -> None:
    """Run the comparison and print it."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", type=int, nargs="+", default=[1])
    parser.add_argument("--standards", type=int, default=300)
    parser.add_argument("--shots", type=int, default=10)
    parser.add_argument("--repeats", type=int, default=5)
    parser.add_argument("--ways", nargs="+", choices=WAYS, default=list(WAYS))
    parser.add_argument(
        "--full", action="store_true", help="600 standards, 4 distances, 20 shots, 10 repeats"
    )
    parser.add_argument("--figure", help="where to draw the first seed")
    parser.add_argument(
        "--cache",
        type=Path,
        help="folder that keeps simulated arms; empty it after a change of the simulator",
    )
    a = parser.parse_args()
    distances = (1.5, 7.5)
    if a.full:
        a.standards, a.shots, a.repeats = 600, 20, 10
        distances = (1.5, 3.0, 5.0, 7.5)
    sizes = {
        "n_standards": a.standards, "distances_m": distances, "spots": 1, "shots": a.shots,
        "n_check_visits": 0,
    }  # fmt: skip
    for seed in a.seeds:
        arms = {}
        for name, off in ARMS.items():
            begin = time.perf_counter()
            settings = SimulationSettings(**sizes, seed=seed, **dict.fromkeys(off, False))
            size = f"{a.standards}-{len(distances)}-{a.shots}-{seed}"
            path = a.cache and a.cache / f"{name.replace(' ', '-')}-{size}.npz"
            arms[name] = cached(settings, path)
            print(f"seed {seed}, {name}: simulated in {time.perf_counter() - begin:.0f} s",
                  flush=True)  # fmt: skip
        family = arms["all effects"].family
        never_full = ~np.any([arm.full for arm in arms.values()], axis=0)
        n = f"{a.standards} standards in {np.unique(family).size} families, seed {seed}"
        print(f"\n{n}, {family.size} rows, {a.shots} shots; "
              f"{never_full.sum()} of {never_full.size} channels are never full")  # fmt: skip
        tables, levels = {}, {}
        for way in a.ways:
            results = {
                name: validate(prepare(arm, way, never_full), arm, a.repeats)
                for name, arm in arms.items()
            }
            tables[way] = report(results, family, way)
            everything = results["all effects"]
            levels[way] = (
                f"all on: RMSEP {rmsep(everything):.1f}, median {median_error(everything):.1f}"
            )
        if a.figure and seed == a.seeds[0]:
            draw(tables, levels, n, a.figure)


if __name__ == "__main__":
    main()

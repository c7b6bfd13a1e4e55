"""What ``results.json`` says: scores, where errors come from, limits, checks, provenance."""

from __future__ import annotations

from typing import Any

import numpy as np

from calib.experiment.outcome import Floats, Judgement, Outcome, Trained, Winner
from calib.experiment.plan import Plan
from calib.experiment.run import SCHEMA
from calib.experiment.state import provenance
from calib.validate.breakdown import (
    Part,
    by_group,
    by_range,
    reference_share,
    repeatability,
    totals,
)
from calib.validate.domain import FLAGS
from calib.validate.folds import TOLERANCE, imbalance
from calib.validate.honesty import Check
from calib.validate.limits import reported
from calib.validate.scores import rmse


def results(decided: Plan, made: Outcome) -> dict[str, Any]:
    """Return ``results.json`` as plain data."""
    trained, unseen = made.trained, made.unseen
    checks = [
        check
        for name, judged in made.assessed.analytes.items()
        for check in [*judged.checks, *filter(None, [unseen.checks.get(name)])]
    ]
    return {
        "schema": SCHEMA,
        "experiment": decided.file.name,
        **provenance(decided),
        "preprocess": decided.chain.settings(),
        "variants": {name: each.chain.settings() for name, each in trained.variants.items()},
        "folds": _folds(decided, trained),
        "notes": [*decided.notes, *(f"step left out: {line}" for line in decided.left_out)],
        "checks": [check._asdict() for check in checks],
        "domain": _domain(made, trained.used[0]),
        "domains": {name: _domain(made, name) for name in trained.used},
        "totals": _totals(decided, made),
        "analytes": {
            name: _entry(decided, made, j, winner)
            for j, (name, winner) in enumerate(trained.winners.items())
        },
    }


def failed(results: dict[str, Any]) -> list[str]:
    """Return the checks that failed, one line each."""
    found = [Check(**each) for each in results["checks"]]
    return [f"{c.analyte}: {c.detail}" for c in found if not c.passed]


def _folds(decided: Plan, trained: Trained) -> dict[str, Any]:
    """Say how folds and held-out standards were dealt, and how alike they are."""
    worst = np.max([imbalance(labels, trained.certified) for labels in trained.folds], axis=0)
    return {
        "count": int(trained.folds.max()) + 1,
        "repeats": len(trained.folds),
        "held_out": decided.experiment.folds.held_out,
        "imbalance": dict(zip(decided.analytes, worst.tolist(), strict=True)),
        "imbalance_tolerance": TOLERANCE,
    }


def _entry(decided: Plan, made: Outcome, j: int, winner: Winner) -> dict[str, Any]:
    name, trained, unseen = decided.analytes[j], made.trained, made.unseen
    unit = decided.library.description.unit(name)
    cv, held = winner.cross_validated, unseen.scores.get(name)
    certified = trained.certified[:, j]
    there = held is not None and held.n_standards > 0
    kept = ("bias", "bias_limit", "sep", "slope", "intercept", "line_p", "r2", "rpd", "rpiq")
    return {
        "unit": unit,
        "family": winner.family,
        "variant": winner.variant,
        "settings": winner.settings,
        "members": [
            {"family": m.family, "variant": m.variant, "settings": m.settings}
            for m in winner.members
        ],
        "selected_by": winner.selected_by,
        "rmsec": winner.rmsec,
        "rmsecv": cv.rmsep,
        "rmsecv_low": cv.low,
        "rmsecv_high": cv.high,
        "rmsecv_error": winner.rmsecv_error,
        "rmsep": held.rmsep if there and held else None,
        "rmsep_low": held.low if there and held else None,
        "rmsep_high": held.high if there and held else None,
        **{key: getattr(held, key) if there else None for key in kept},
        "range": [float(np.nanmin(certified)), float(np.nanmax(certified))],
        "n_standards": cv.n_standards,
        "n_spectra": cv.n_spectra // len(trained.folds),
        "n_held_out": held.n_standards if held else 0,
        "n_held_out_spectra": held.n_spectra if held else 0,
        "n_held_out_beyond_range": unseen.ranges[name].beyond if there else 0,
        "rmsep_in_range": unseen.ranges[name].rmsep if there else None,
        "cross_validated": {key: getattr(cv, key) for key in kept},
        **_judged(made.assessed.analytes[name]),
        **_breakdown(decided, made, j, unit),
    }


def _judged(judged: Judgement) -> dict[str, Any]:
    return {
        "rmsecv_nested": judged.nested,
        "permutation_p": judged.permutation_p,
        "limits": judged.limits.plain(),
        "left_out": {what: _parts(parts) for what, parts in judged.left_out.items()},
    }


def _parts(parts: list[Part]) -> list[dict[str, Any]]:
    return [part._asdict() for part in parts]


def _breakdown(decided: Plan, made: Outcome, j: int, unit: str) -> dict[str, Any]:
    """Break the held-out error down, or the out-of-fold error where nothing is held out."""
    trained, unseen = made.trained, made.unseen
    winner = list(trained.winners.values())[j]
    if unseen.predictions is not None:
        bursts, predicted = unseen.bursts, unseen.predictions.value[:, j]
        certified, uncertainty = unseen.certified[:, j], unseen.uncertainty[:, j]
        inside = (unseen.predictions.low[:, j] <= certified) & (
            certified <= unseen.predictions.high[:, j]
        )
        coverage = _share(inside, certified)
    else:
        bursts, predicted = trained.bursts, reported(winner.out_of_fold[0], unit)
        certified = trained.certified[:, j]
        given = decided.library.uncertainty[decided.analytes[j]]
        uncertainty = given.reindex(bursts["standard"]).to_numpy(float)
        coverage = float("nan")
    errors, standards = predicted - certified, bursts["standard"].to_numpy(str)
    distances = bursts["distance_m"].to_numpy(float)
    return {
        "breakdown_of": "held-out" if unseen.predictions is not None else "out-of-fold",
        "coverage": coverage,
        "repeatability": repeatability(predicted, standards, distances),
        "reference": reference_share(errors, uncertainty)._asdict(),
        "by_distance": _parts(by_group(errors, standards, distances)),
        "by_range": _parts(by_range(errors, certified, standards)),
    }


def _share(inside: np.ndarray, certified: Floats) -> float:
    known = np.isfinite(certified)
    return float(inside[known].mean()) if known.any() else float("nan")


def _domain(made: Outcome, variant: str) -> dict[str, Any]:
    """Say how the domain of a variant is made, which analytes it speaks for and what it flags."""
    winners, found = made.trained.winners, made.unseen.predictions
    speaks = [name for name, winner in winners.items() if winner.variant == variant]
    flagged = None
    if found is not None and speaks:
        column = found.flags[:, list(winners).index(speaks[0])]
        flagged = {
            name: float(np.mean([word in flags.split(";") for flags in column]))
            for name, word in FLAGS.items()
        }
    plain = made.assessed.domains[variant].plain()
    return {"variant": variant, "analytes": speaks, **plain, "held_out_flagged": flagged}


def _totals(decided: Plan, made: Outcome) -> dict[str, Any] | None:
    """Totals of the predicted oxides, of the held-out spectra or else out of fold."""
    summed = decided.summed
    if len(summed) < 2:
        return None
    columns = [decided.analytes.index(name) for name in summed]
    unseen, trained = made.unseen, made.trained
    if unseen.predictions is not None:
        predicted, certified = unseen.predictions.value, unseen.certified
    else:
        chosen = [w.out_of_fold[0] for w in trained.winners.values()]
        predicted, certified = reported(np.transpose(chosen), "wt%"), trained.certified
    found = {"analytes": summed} | totals(predicted[:, columns], certified[:, columns])
    closed = unseen.predictions.reconciled if unseen.predictions is not None else None
    if closed is not None:
        found["rmsep_reconciled"] = {
            name: rmse(closed.value[:, i], certified[:, j])
            for i, (name, j) in enumerate(zip(summed, columns, strict=True))
        }
    return found

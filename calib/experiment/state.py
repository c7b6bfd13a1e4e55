"""A trained model as the runtime takes it: a manifest of plain data and named arrays."""

from __future__ import annotations

import sys
from importlib.metadata import version
from typing import Any

import numpy as np

from calib import __version__
from calib.artifact.runtime import INTERVAL_ARRAYS
from calib.artifact.schemas import SCHEMA
from calib.experiment.outcome import Assessment, Floats, Trained, Winner
from calib.experiment.plan import Plan
from calib.preprocess import Chain
from calib.preprocess.chain import branched
from calib.regress.composition import Total, learn_total
from calib.validate.limits import CONCENTRATIONS

LEVEL = 0.90
"""Level of the prediction intervals."""

PACKAGES = ("numpy", "scipy", "pandas", "scikit-learn", "zarr", "safetensors", "pybaselines")


def model_parts(
    decided: Plan, trained: Trained, assessed: Assessment
) -> tuple[dict[str, Any], dict[str, Floats]]:
    """Return the manifest and the arrays of the trained models."""
    description = decided.library.description
    arrays: dict[str, Floats] = {"wavelength": decided.library.wavelength}
    stem, branches = branched([trained.variants[name].chain for name in trained.used])
    steps = _steps(stem, "", arrays)
    tails = [_steps(chain, f"branch{b}/", arrays) for b, chain in enumerate(branches)]
    domains = [assessed.domains[name] for name in trained.used]
    for b, each in enumerate(domains):
        arrays |= {f"branch{b}/domain/{k}": value for k, value in each.domain.arrays().items()}
    analytes: dict[str, Any] = {}
    for j, (name, winner) in enumerate(trained.winners.items()):
        unit, certified = description.unit(name), trained.certified[:, j]
        limits, bars = assessed.analytes[name].limits, assessed.analytes[name].bars
        arrays |= {f"{name}/interval/{key}": getattr(bars, key) for key in INTERVAL_ARRAYS}
        detectable = unit in CONCENTRATIONS and np.isfinite(limits.lod_high)
        analytes[name] = {
            "unit": unit,
            "family": winner.family,
            "settings": winner.settings,
            "range": [float(np.nanmin(certified)), float(np.nanmax(certified))],
            "lod": limits.lod_high if detectable else None,
            **_members(name, winner, trained.used, arrays),
        }
    manifest = {
        "schema": SCHEMA,
        "signal": description.signal,
        "wavelengths": description.wavelengths,
        "spectrometers": [vars(each) for each in description.spectrometers],
        "preprocess": steps,
        "branches": tails,
        "interval_level": LEVEL,
        "domains": [each.plain() for each in domains],
        "analytes": analytes,
    }
    if decided.experiment.models.total:
        total = _total(decided, trained)
        manifest["total"] = {"analytes": decided.summed, "mean": total.mean, "sd": total.sd}
        arrays["total/correlation"] = total.correlation
    return manifest, arrays


def _total(decided: Plan, trained: Trained) -> Total:
    """Learn the total that predictions are reconciled to, from certified values and errors."""
    columns = [decided.analytes.index(name) for name in decided.summed]
    chosen = [winner.out_of_fold.mean(axis=0) for winner in trained.winners.values()]
    certified = trained.certified[:, columns]
    errors = np.transpose(chosen)[:, columns] - certified
    return learn_total(certified, errors, trained.standards)


def _steps(chain: Chain, where: str, arrays: dict[str, Floats]) -> list[dict[str, Any]]:
    """Return steps as plain data, and put what they learned among the arrays."""
    steps = chain.settings()
    for i, learned in enumerate(chain.arrays()):
        if learned:
            steps[i]["learned"] = sorted(learned)
            for key, value in learned.items():
                arrays[f"{where}step{i}/{key}"] = np.asarray(value)
    return steps


def _members(
    name: str, winner: Winner, used: tuple[str, ...], arrays: dict[str, Floats]
) -> dict[str, Any]:
    """Say what predicts an analyte, and put its arrays among the others."""
    members = []
    for m, member in enumerate(winner.members):
        held = member.fitted.arrays
        for key, value in held.items():
            arrays[f"{name}/member{m}/{key}"] = np.ascontiguousarray(value)
        members.append(
            {
                "family": member.family,
                "settings": member.settings,
                "predictor": member.fitted.predictor,
                "arrays": sorted(held),
                "branch": used.index(member.variant),
            }
        )
    for key, value in winner.combine_arrays.items():
        arrays[f"{name}/combine/{key}"] = np.ascontiguousarray(value)
    return {
        "members": members,
        "branch": used.index(winner.variant),
        "combine": winner.combine,
        "combine_arrays": sorted(winner.combine_arrays),
    }


def provenance(decided: Plan) -> dict[str, Any]:
    """Say what a run was made from and with."""
    return {
        "library": {
            "title": decided.library.description.title,
            "sha256": decided.digest,
            "held_out_rule": held_out_rule(decided),
        },
        "seed": decided.experiment.seed,
        "code_version": __version__,
        "python": ".".join(map(str, sys.version_info[:3])),
        "packages": {name: version(name) for name in PACKAGES},
    }


def held_out_rule(decided: Plan) -> str:
    """Say in words how the held-out standards were chosen."""
    share = decided.experiment.folds.held_out
    if share == "library":
        return decided.library.description.held_out_rule or "as the library marks them"
    return f"{share:g} of the families, spread over the composition, seed {decided.experiment.seed}"

"""A trained model as the runtime takes it: a manifest of plain data and named arrays."""

from __future__ import annotations

import sys
from importlib.metadata import version
from typing import Any

import numpy as np

from calib import __version__
from calib.artifact.runtime import INTERVAL_ARRAYS, SCHEMA
from calib.experiment.outcome import Assessment, Floats, Trained
from calib.experiment.plan import Plan
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
    steps = trained.chain.settings()
    for i, learned in enumerate(trained.chain.arrays()):
        if learned:
            steps[i]["learned"] = sorted(learned)
            arrays |= {f"step{i}/{key}": np.asarray(value) for key, value in learned.items()}
    analytes: dict[str, Any] = {}
    for j, (name, winner) in enumerate(trained.winners.items()):
        held = winner.fitted.arrays
        arrays |= {f"{name}/{key}": np.ascontiguousarray(value) for key, value in held.items()}
        arrays |= {f"{name}/interval/{key}": getattr(winner.local, key) for key in INTERVAL_ARRAYS}
        certified = trained.certified[:, j]
        limits = assessed.analytes[name].limits
        concentration = description.unit(name) in CONCENTRATIONS
        analytes[name] = {
            "unit": description.unit(name),
            "family": winner.family,
            "settings": winner.selection.settings,
            "predictor": winner.fitted.predictor,
            "arrays": sorted(held),
            "range": [float(np.nanmin(certified)), float(np.nanmax(certified))],
            "lod": limits.lod_high if concentration and np.isfinite(limits.lod_high) else None,
        }
    arrays |= {f"domain/{key}": value for key, value in assessed.domain.domain.arrays().items()}
    manifest = {
        "schema": SCHEMA,
        "signal": description.signal,
        "wavelengths": description.wavelengths,
        "spectrometers": [vars(each) for each in description.spectrometers],
        "preprocess": steps,
        "interval_level": LEVEL,
        "domain": assessed.domain.plain(),
        "analytes": analytes,
    }
    return manifest, arrays


def provenance(decided: Plan) -> dict[str, Any]:
    """Say what a run was made from and with."""
    return {
        "library": {
            "title": decided.library.description.title,
            "sha256": decided.library.digest(),
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

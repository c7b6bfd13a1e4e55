"""A workbench for the calibration of stand-off laser-induced breakdown spectrometers.

    import calib
    library = calib.open_library("reference_spectra/heron")
    run = calib.train("experiments/quickstart.toml")
    model = calib.freeze(run, "majors@1.0.0")
    calib.load("majors@1.0.0").predict(counts, wavelength)

Names are imported when first used: a pipeline that only loads a model imports only the runtime.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

from calib._version import __version__

if TYPE_CHECKING:
    from calib.artifact.runtime import Model, Predictions
    from calib.artifact.store import load
    from calib.errors import (
        ArtifactError,
        CalibError,
        CalibWarning,
        CheckError,
        DataError,
        SettingsError,
        UsageError,
    )
    from calib.experiment.engine import train
    from calib.experiment.freezing import freeze
    from calib.experiment.run import Run, open_run
    from calib.library.store import Library, open_library
    from calib.library.table import TableSettings, import_table

_HOME = {
    "ArtifactError": "calib.errors",
    "CalibError": "calib.errors",
    "CalibWarning": "calib.errors",
    "CheckError": "calib.errors",
    "DataError": "calib.errors",
    "SettingsError": "calib.errors",
    "UsageError": "calib.errors",
    "Library": "calib.library.store",
    "Model": "calib.artifact.runtime",
    "Predictions": "calib.artifact.runtime",
    "Run": "calib.experiment.run",
    "TableSettings": "calib.library.table",
    "freeze": "calib.experiment.freezing",
    "import_table": "calib.library.table",
    "load": "calib.artifact.store",
    "open_library": "calib.library.store",
    "open_run": "calib.experiment.run",
    "train": "calib.experiment.engine",
}

__all__ = [
    "ArtifactError",
    "CalibError",
    "CalibWarning",
    "CheckError",
    "DataError",
    "Library",
    "Model",
    "Predictions",
    "Run",
    "SettingsError",
    "TableSettings",
    "UsageError",
    "__version__",
    "freeze",
    "import_table",
    "load",
    "open_library",
    "open_run",
    "train",
]


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module 'calib' has no attribute {name!r}")
    value = getattr(importlib.import_module(_HOME[name]), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return __all__

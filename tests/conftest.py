"""Fixtures that several rooms share: a small invented library, and the command line."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from calib import cli
from calib.library import Description, LibraryWriter, Spectrometer

SPECTROMETERS = (
    Spectrometer("U", 230.0, 330.0, 60),
    Spectrometer("B", 375.0, 490.0, 60),
    Spectrometer("R", 500.0, 880.0, 60),
)


def small_axis() -> np.ndarray:
    return np.concatenate([np.linspace(s.first_nm, s.last_nm, s.channels) for s in SPECTROMETERS])


def write_small_library(folder: Path, *, standards: int = 24, seed: int = 7) -> Path:
    """Lines that grow with two oxides on a continuum, with darks, dust, distances and noise."""
    rng = np.random.default_rng(seed)
    axis = small_axis()
    description = Description("Invented for tests", SPECTROMETERS, units={"SiO2": "wt%"})
    silica, magnesia = rng.uniform(40, 75, standards), rng.uniform(0.5, 20, standards)
    lines = {
        at: np.exp(-0.5 * ((np.arange(axis.size) - at) / 1.2) ** 2)
        for at in (20, 40, 75, 100, 110, 130, 150)
    }
    rows = []
    with LibraryWriter(folder, description, axis) as writer:
        dark_level = 200 + rng.normal(0, 3, axis.size)
        first = writer.add_darks(dark_level[None])
        for i in range(standards):
            name = f"T{i:02d}"
            family = f"F{i - i % 2 if i < 4 else i:02d}"  # the first four make two families
            use = "held-out" if i % 6 == 5 else "calibration"
            rows.append(
                {
                    "standard": name, "family": family,
                    "SiO2": f"{silica[i]:.3f}", "SiO2_u": "0.2",
                    "MgO": f"{magnesia[i]:.3f}" if i != 9 else "", "MgO_u": "",
                    "Cr2O3": "<0.01" if i % 5 else "",
                }
            )  # fmt: skip
            signal = (
                silica[i] * (lines[20] + 0.6 * lines[100])
                + magnesia[i] * (3 * lines[75] + lines[150])
                + 40 * (lines[40] + lines[110] + lines[130])
                + 15
            )
            for distance in (1.5, 4.0):
                light = rng.uniform(0.8, 1.2, (7, 1)) * 40 / distance
                shots = light * signal
                shots[:5] += light[:5] * 40 * lines[150]  # dust
                counts = rng.poisson(shots + dark_level).astype(np.uint16)
                writer.add_burst(
                    counts, burst=f"{name}-{distance}", standard=name, use=use, spot=1,
                    distance_m=distance, dark=first,
                )  # fmt: skip
        writer.finish(pd.DataFrame(rows))
    return folder


@pytest.fixture(scope="session")
def small_library(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Path of a library that tests read but do not change."""
    return write_small_library(tmp_path_factory.mktemp("library") / "small")


@pytest.fixture
def calib(capsys: pytest.CaptureFixture[str]) -> Callable[..., tuple[int, str, str]]:
    """Run the command line in this process: exit status, standard output, standard error."""

    def run(*args: object) -> tuple[int, str, str]:
        status: object = 0
        try:
            cli.main([str(arg) for arg in args])
        except SystemExit as stop:
            status = stop.code
        out, err = capsys.readouterr()
        assert isinstance(status, int)
        return status, out, err

    return run


@pytest.fixture
def experiment(small_library: Path, tmp_path: Path) -> Callable[..., Path]:
    """Write an experiment file on the small library, more lines of TOML as given."""

    def write(text: str = "", *, library: Path = small_library) -> Path:
        path = tmp_path / "experiment.toml"
        path.write_text(f'library = "{library}"\n{text}', encoding="utf-8")
        return path

    return write


QUICK = """
[folds]
count = 4
repeats = 2
[models]
families = ["pls"]
[models.pls]
max_components = 6
"""


@pytest.fixture(scope="session")
def trained(small_library: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A finished run on the small library."""
    import calib as package

    folder = tmp_path_factory.mktemp("runs")
    file = folder / "small.toml"
    file.write_text(f'library = "{small_library}"\nanalytes = ["SiO2", "MgO"]\n{QUICK}')
    return package.train(file, folder / "run").path

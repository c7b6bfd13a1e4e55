"""A simulated campaign on disk is a library like any other, and the same each time."""

import hashlib
from pathlib import Path

import numpy as np
import pytest

from calib.errors import UsageError
from calib.library import audit, open_library
from calib.simulate import SimulationSettings, simulate_library

TINY = SimulationSettings(
    n_standards=10, distances_m=(1.5, 5.0), spots=1, shots=6, n_check_visits=1, seed=2
)


@pytest.fixture(scope="module")
def library(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return simulate_library(tmp_path_factory.mktemp("simulated") / "tiny", TINY)


def digests(folder: Path) -> dict[str, str]:
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def test_the_same_seed_gives_the_same_files(library: Path, tmp_path: Path) -> None:
    assert digests(simulate_library(tmp_path / "again", TINY)) == digests(library)


def test_it_opens_and_holds_what_was_asked_for(library: Path) -> None:
    opened = open_library(library)
    assert len(opened.standards) == 10 + 3 + 2
    assert len(opened.bursts) == 10 * 2 + 3 + 2
    assert opened.counts(0).shape == (6, 6144)
    assert int(opened.bursts["shots"].sum()) == 10 * 2 * 6 + 3 * 6 + 2 * 12
    assert opened.description.unit("Sr") == "ppm"
    assert "Invented" in opened.description.notes
    assert "five" in opened.description.held_out_rule


def test_an_audit_finds_no_error(library: Path) -> None:
    assert [f for f in audit(open_library(library)) if f.severity == "error"] == []


def test_progress_counts_bursts(tmp_path: Path) -> None:
    seen: list[tuple[int, int]] = []
    simulate_library(tmp_path / "p", TINY, progress=lambda done, total: seen.append((done, total)))
    assert seen[-1] == (25, 25)
    assert [done for done, _ in seen] == list(range(1, 26))


def test_an_existing_folder_is_refused(library: Path) -> None:
    with pytest.raises(UsageError, match="exists already"):
        simulate_library(library, TINY)


def test_light_above_dark_falls_with_distance(library: Path) -> None:
    opened = open_library(library)
    light = {}
    for row, burst in enumerate(opened.bursts.itertuples()):
        if burst.use != "check":
            light.setdefault(float(burst.distance_m), []).append(opened.counts(row).mean())
    assert np.mean(light[1.5]) > np.mean(light[5.0])

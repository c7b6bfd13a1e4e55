"""The public face, the layout, and what an import may cost."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

import calib

ROOT = Path(__file__).parents[1]


def test_every_public_name_is_there():
    for name in calib.__all__:
        assert getattr(calib, name) is not None
    assert sorted(calib.__all__) == sorted({*calib._HOME, "__version__"})


def test_an_unknown_name_is_an_attribute_error():
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        calib.nothing  # noqa: B018


def test_help_imports_nothing_heavy():
    code = (
        "import sys; from calib.cli import main\n"
        "try: main(['--help'])\n"
        "except SystemExit: pass\n"
        "heavy = {'numpy', 'scipy', 'pandas', 'sklearn', 'matplotlib', 'zarr', 'pydantic'}\n"
        "print('heavy:', sorted(heavy & set(sys.modules)))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT
    )
    assert done.stdout.splitlines()[-1] == "heavy: []"


def test_the_top_level_holds_what_it_may():
    allowed = {
        "README.md", "DEVELOPERS.md", "pyproject.toml", "calib", "experiments", "tests",
        "reference_spectra", "reports",
    }  # fmt: skip
    listed = subprocess.run(
        ["git", "ls-files"], capture_output=True, text=True, check=True, cwd=ROOT
    )
    top = {line.partition("/")[0] for line in listed.stdout.splitlines()}
    assert {name for name in top if not name.startswith(".")} <= allowed

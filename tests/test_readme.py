"""What README shows must be true of the code: its settings, flags, steps and commands."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

from calib.cli import COMMANDS
from calib.experiment.changes import BUILT_IN
from calib.experiment.settings import Experiment
from calib.preprocess.chain import DEFAULT, STEPS, Chain
from calib.regress.family import FAMILIES
from calib.validate.domain import FLAGS

TEXT = (Path(__file__).parents[1] / "README.md").read_text(encoding="utf-8")


def test_the_experiment_shown_is_valid_and_shows_the_defaults():
    block = re.search(r"```toml\n(.*?)```", TEXT, re.DOTALL).group(1)
    shown = Experiment.model_validate(tomllib.loads(block))
    default = Experiment(library="x")
    assert Chain.of(shown.preprocess.steps) == Chain.of(DEFAULT)
    assert shown.folds == default.folds
    assert shown.models.options("pls") == default.models.options("pls")
    assert shown.validation == default.validation
    assert shown.search == default.search
    assert list(shown.preprocess.variants) == list(BUILT_IN)
    for name, steps in BUILT_IN.items():
        assert Chain.of(shown.preprocess.variants[name]) == Chain.of(steps)


def test_every_step_and_flag_is_named():
    for name in STEPS:
        assert f"`{name}`" in TEXT
    for flag in [*FLAGS.values(), "below-lod", "outside-range", "unregistered", "no-dark"]:
        assert f"`{flag}`" in TEXT


SHELL = "".join(re.findall(r"```sh\n(.*?)```", TEXT, re.DOTALL))


@pytest.mark.parametrize("command", sorted(set(re.findall(r"calib (\w+)", SHELL))))
def test_every_command_shown_exists(command):
    assert command in COMMANDS


def test_every_family_is_named():
    for name in FAMILIES:
        assert f"`{name}`" in TEXT


def test_safety_is_spoken_of():
    for words in (
        "class 4",
        "IEC 60825-1",
        "laser safety officer",
        "silica",
        "licensed laboratory",
    ):
        assert words in TEXT

"""Every wrong experiment file is one line: file, key, what was found and what is needed."""

from __future__ import annotations

import pytest

from calib.errors import SettingsError
from calib.experiment import load_experiment
from calib.regress.family import FAMILIES


def test_a_library_is_enough(experiment):
    settings, library = load_experiment(experiment())
    assert settings.folds.count == 10
    assert settings.models.families == tuple(FAMILIES)
    assert library.name == "small"


def test_paths_are_relative_to_the_file(tmp_path):
    (tmp_path / "e.toml").write_text('library = "../lib"')
    assert load_experiment(tmp_path / "e.toml")[1] == tmp_path / "../lib"


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("sead = 1", "key 'sead' is unknown, need one of library, analytes, seed"),
        (
            "[folds]\ncuont = 3",
            "key 'folds.cuont' is unknown, need one of count, repeats, held_out",
        ),
        ("seed = 'x'", "key 'seed' is 'x', need integer"),
        ("seed = -1", "key 'seed' is -1, need greater than or equal to 0"),
        ("analytes = 'SiO2'", "key 'analytes' is 'SiO2', need"),
        ("analytes = [1]", "key 'analytes.0' is 1, need string"),
        ("[folds]\ncount = 1", "key 'folds.count' is 1, need greater than or equal to 2 or 'leave"),
        ("[folds]\ncount = 'all'", "key 'folds.count' is 'all', need integer or 'leave-one-out'"),
        ("[folds]\nheld_out = 0.9", "key 'folds.held_out' is 0.9, need less than or equal to 0.5"),
        ("[models]\nfamilies = ['magic']", "unknown family 'magic', need one of pls"),
        ("[models]\nfamilies = []", "key 'models.families' is .*at least 1"),
        (
            "[models.magic]\na = 1",
            "unknown key 'magic', need 'families', 'total' or a table .* families: pls",
        ),
        ("[models.pls]\nrank = 3", "'models.pls.rank' is unknown, need one of max_components"),
        ("[models.pls]\nmax_components = 0", "'models.pls.max_components' is 0, need a whole"),
        ("[models.pls]\nscale = 1", "'models.pls.scale' is 1, need true or false"),
        ("[models.pls]\nrule = 'best'", "'models.pls.rule' is 'best', need one of minimum"),
        ("[preprocess]\nsteps = ['blur']", "unknown step 'blur', need one of"),
        ("[preprocess]\nsteps = [{step = 'average', by = 'mode'}]", "by is 'mode', need 'mean', "),
        ("[preprocess]\nsteps = [{step = 'average', k = 1}]", "'average': unknown key 'k'"),
        ("[preprocess]\nsteps = [{by = 'mean'}]", r"steps\[0\] is .*need a name or a table with"),
        ("[preprocess]\nsteps = ['normalise', 'average']", "'average' works on shots and stands"),
        ("[preprocess]\nsteps = 'average'", "key 'preprocess.steps' is 'average'"),
        ("[search]\ntrials = 0", "key 'search.trials' is 0, need greater than or equal to 1"),
        ("int = 3", "key 'int' is unknown, need one of library"),
        ("[folds]\nfloat = 3", "key 'folds.float' is unknown, need one of count"),
        ('"a[b]" = 3', r"key 'a\[b\]' is unknown"),
        ("analytes = []", "key 'analytes' is .*at least 1"),
        ('analytes = ["a", "a"]', "key 'analytes' names 'a' twice"),
        ("[preprocess]\nsteps = [3]", "steps"),
        ("[preprocess]\nsteps = [['dark']]", "steps"),
        ("= 3", "not TOML"),
    ],
)
def test_wrong_settings_are_named(experiment, text, message):
    with pytest.raises(SettingsError, match=message) as caught:
        load_experiment(experiment(text))
    assert "experiment.toml: " in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_missing_library_key_is_named(tmp_path):
    (tmp_path / "e.toml").write_text("seed = 1")
    with pytest.raises(SettingsError, match="key 'library' is missing"):
        load_experiment(tmp_path / "e.toml")


def test_a_missing_file_is_named(tmp_path):
    with pytest.raises(SettingsError, match=r"none\.toml: no such experiment file"):
        load_experiment(tmp_path / "none.toml")

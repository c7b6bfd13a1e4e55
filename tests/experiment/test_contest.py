"""The contest: what is tried, how the winner is chosen, what is kept on disk."""

from __future__ import annotations

import json
import os

import numpy as np
import pandas as pd
import pytest
from scipy.linalg import hadamard

import calib
from calib.errors import SettingsError, UsageError
from calib.experiment import engine, open_run, plan
from calib.experiment.cache import Cache, digest, opened
from calib.experiment.changes import BUILT_IN, varied
from calib.experiment.contest import Procedure, Table, _picked
from calib.experiment.engine import Means
from calib.experiment.estimate import estimate
from calib.experiment.search import take_up
from calib.experiment.workers import SERIAL
from calib.preprocess import Chain
from calib.validate.honesty import corrected_for_choice
from calib.validate.parsimony import behind, choose

RACE = """
analytes = ["SiO2", "MgO"]
[folds]
count = 4
repeats = 2
[models]
families = ["pls"]
[models.pls]
max_components = 6
[search]
trials = 3
"""


@pytest.fixture(scope="module")
def raced(small_library, tmp_path_factory):
    folder = tmp_path_factory.mktemp("raced")
    (folder / "race.toml").write_text(f'library = "{small_library}"\n{RACE}')
    return calib.train(folder / "race.toml", folder / "run", means=Means(engine=SERIAL))


def names(chain: Chain) -> list[str]:
    return [step.name for step in chain.steps]


def test_a_step_of_a_variant_takes_the_place_of_the_one_of_its_name():
    base = Chain.of(["average", "normalise", "root"])
    assert names(varied(base, ["snv"])) == ["average", "normalise", "root", "snv"]
    changed = varied(base, [{"step": "normalise", "by": "whole"}])
    assert names(changed) == names(base)
    assert changed.steps[1].by == "whole"


def test_variants_share_the_steps_on_shots():
    with pytest.raises(SettingsError, match="changes step 'dark', which works on shots"):
        varied(Chain.of(["average"]), ["dark"])


def test_only_a_search_tries_variants(experiment):
    assert list(plan(experiment('[models]\nfamilies = ["pls"]\n')).variants) == ["base"]
    assert list(plan(experiment(RACE)).variants) == ["base", *BUILT_IN]
    none = plan(experiment(RACE + "[preprocess.variants]\n"))
    assert list(none.variants) == ["base"]
    assert not none.searches


def test_a_variant_that_changes_nothing_is_dropped(experiment):
    text = RACE + '[preprocess]\nsteps = ["average", "root"]\n[preprocess.variants]\n'
    decided = plan(experiment(text + 'same = ["root"]\nsnv = ["snv"]\n'))
    assert list(decided.variants) == ["base", "snv"]


def test_the_winner_is_the_simplest_within_one_standard_error_of_the_best(raced):
    trials, contest = raced.table("trials"), raced.table("contest").set_index("analyte")
    assert len(trials) == 2 * (1 + len(BUILT_IN))
    for name, entry in raced.analytes.items():
        assert entry["members"][0]["family"] == entry["family"] == "pls"
        assert entry["variant"] == contest.loc[name, "variant"]
        assert "finalists" in entry["selected_by"] or entry["selected_by"] == "the only one"


def test_the_table_of_the_contest_holds_the_rmsecv_of_the_results(raced):
    contest = raced.table("contest").set_index("analyte")
    for name, entry in raced.analytes.items():
        assert contest.loc[name, "rmsecv"] == pytest.approx(entry["rmsecv"], rel=1e-12)
        assert contest.loc[name, "trials"] == 1 + len(BUILT_IN)
        assert contest.loc[name, "won"]


def test_a_model_that_branches_predicts_what_was_scored(raced, small_library):
    used = {entry["variant"] for entry in raced.analytes.values()}
    manifest = raced.model.manifest
    assert len(manifest["branches"]) == len(manifest["domains"]) == len(used)
    library = calib.open_library(small_library)
    rows = library.select("held-out").index
    found = raced.model.predict(
        [library.counts(row) for row in rows], library.wavelength, dark=library.dark(0)
    )
    table = raced.table("held_out")
    order = table["burst"].map(
        dict(zip(library.bursts["burst"][rows], range(len(rows)), strict=True))
    )
    for name in raced.analytes:
        np.testing.assert_allclose(found[name].to_numpy()[order], table[name], rtol=1e-12)


def test_nested_estimate_is_that_of_the_spectra_that_won(raced):
    for entry in raced.analytes.values():
        assert entry["rmsecv_nested"] > 0


def test_a_second_run_takes_spectra_from_the_cache(raced, small_library, tmp_path, monkeypatch):
    (tmp_path / "race.toml").write_text(f'library = "{small_library}"\n{RACE}')
    monkeypatch.setenv("CALIB_CACHE", str(raced.path.parent / ".cache"))
    stages = []
    again = calib.train(
        tmp_path / "race.toml", tmp_path / "run", means=Means(engine=SERIAL),
        report=lambda label, *_: stages.append(label),
    )  # fmt: skip
    assert "calibration bursts" not in stages
    assert again.results == raced.results
    arrays = "model/arrays.safetensors"
    assert (again.path / arrays).read_bytes() == (raced.path / arrays).read_bytes()


def test_an_interrupted_search_is_taken_up(small_library, tmp_path, raced):
    (tmp_path / "race.toml").write_text(f'library = "{small_library}"\n{RACE}')

    def stop(label, done, total):
        if label == "trials" and done == 5:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        calib.train(tmp_path / "race.toml", tmp_path / "run", report=stop, means=Means(SERIAL))
    assert (tmp_path / ".run.search").is_dir()
    assert not (tmp_path / "run").exists()
    with pytest.raises(UsageError, match="go on with --resume"):
        calib.train(tmp_path / "race.toml", tmp_path / "run", means=Means(SERIAL))
    counts = []
    run = calib.train(
        tmp_path / "race.toml", tmp_path / "run", means=Means(SERIAL, resume=True),
        report=lambda label, done, total: counts.append(done) if label == "trials" else None,
    )  # fmt: skip
    assert counts[0] == 5
    assert run.results == raced.results
    assert not (tmp_path / ".run.search").exists()


def test_only_the_training_that_made_a_search_removes_it(small_library, tmp_path, monkeypatch):
    file, state = tmp_path / "race.toml", tmp_path / "runs" / ".race-1.search"
    file.write_text(f'library = "{small_library}"\n{RACE}')
    monkeypatch.chdir(tmp_path)

    def refuse(*_):
        raise UsageError("held by another process")

    monkeypatch.setattr(engine, "_train_into", refuse)
    with pytest.raises(UsageError, match="held by another"):
        calib.train(file, means=Means(SERIAL))
    assert not state.exists()
    take_up(tmp_path / "runs" / "race-1", engine._identity(plan(file)), resume=False)
    with pytest.raises(UsageError, match="held by another"):
        calib.train(file, "runs/race-1", means=Means(SERIAL, resume=True))
    assert state.is_dir()
    assert engine.next_folder(file).name == "race-2"


def test_resuming_needs_a_search_and_the_same_settings(small_library, tmp_path, raced):
    file = tmp_path / "e.toml"
    plain = RACE.partition("[search]")[0]
    file.write_text(f'library = "{small_library}"\n{plain}')
    with pytest.raises(UsageError, match="nothing to search, and so nothing to resume"):
        calib.train(file, tmp_path / "run", means=Means(SERIAL, resume=True))
    file.write_text(f'library = "{small_library}"\nseed = 2\n{RACE}')
    with pytest.raises(UsageError, match=r"begun with another .*seed"):
        calib.train(file, raced.path, means=Means(SERIAL, resume=True))
    assert open_run(raced.path).results == raced.results
    assert not list(raced.path.parent.glob(".run*"))


def test_more_trials_extend_a_finished_run(small_library, tmp_path):
    file = tmp_path / "e.toml"
    text = RACE.replace("trials = 3", "trials = 1")
    file.write_text(f'library = "{small_library}"\n{text}[preprocess.variants]\nroot = ["root"]\n')
    first = calib.train(file, tmp_path / "run", means=Means(SERIAL))
    again = calib.train(file, tmp_path / "run", means=Means(SERIAL, resume=True, trials=5))
    assert again.results == first.results  # PLS has one trial a variant
    assert sorted(path.name for path in tmp_path.iterdir()) == [".cache", "e.toml", "run"]


def test_the_cache_is_bounded_and_the_oldest_goes_first(tmp_path):
    made = []

    def make(value):
        made.append(value)
        return np.full(1000, float(value))

    cache = Cache(tmp_path / "cache", 20_000)
    paths = [cache.array(digest(i), lambda i=i: make(i)) for i in range(4)]
    for age, path in enumerate(reversed(paths)):
        os.utime(path, (1e9 - age, 1e9 - age))
    cache.array(digest(0), lambda: make(0))  # used again: now the youngest
    cache.trim(keep_used=False)
    assert [path.exists() for path in paths] == [True, False, False, True]
    assert made == [0, 1, 2, 3]
    np.testing.assert_array_equal(opened(paths[3]), np.full(1000, 3.0))
    with pytest.raises(ValueError, match="read-only"):
        opened(paths[3])[0] = 1


def test_a_cached_array_is_there_whole_or_not_at_all(tmp_path):
    cache = Cache(tmp_path, 10)

    def fail():
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        cache.array("x", fail)
    assert list(tmp_path.iterdir()) == []


def test_the_simpler_model_wins_within_one_standard_error_of_the_paired_difference():
    # differences of the standards 0, 0, 4, −0.4: mean 0.9, standard deviation 2.08, over √4: 1.04
    squares = np.array([[4.0, 4, 4, 4], [4, 4, 0, 4.4]])
    assert choose(squares, np.ones(4), rule="one-standard-error") == 0
    assert choose(squares, np.ones(4), rule="minimum") == 1
    # the same mean, but every standard agrees
    squares[1] = squares[0] - 0.9
    assert choose(squares, np.ones(4), rule="one-standard-error") == 1


def test_the_distance_behind_the_best_is_as_by_hand():
    squares = np.array([[4.0, 4, 4, 4], [4, 4, 0, 4.4]])
    difference, error = behind(squares, np.ones(4))
    assert difference.tolist() == pytest.approx([0.9, 0])
    away = np.array([0, 0, 4, -0.4])
    assert error.tolist() == pytest.approx([away.std(ddof=1) / 2, 0])


def test_a_standard_drawn_twice_counts_twice():
    rng = np.random.default_rng(2)
    squares, counts = rng.gamma(1.0, size=(5, 12)), np.full(12, 4.0)
    drawn = rng.multinomial(12, np.full(12, 1 / 12))
    repeated = np.repeat(np.arange(12), drawn)
    for rule in ("one-standard-error", "minimum"):
        assert choose(squares, counts, drawn, rule=rule) == choose(
            squares[:, repeated], counts[repeated], rule=rule
        )


def test_finalists_are_the_best_of_a_family_and_the_simplest_within_one_standard_error():
    # from simple to complex; rows differ by their level and by ±1 in ways that average out, so
    # the standard error of a difference is √(16/15 · 2) / √16 = 0.365
    levels = {"a": (12.0, 11.2), "b": (10.5, 10.3, 10.0), "c": (10.6, 10.1)}
    every = [level for each in levels.values() for level in each]
    rows = [level + row for level, row in zip(every, hadamard(16)[1:], strict=False)]
    kinds = np.repeat(list(levels), [len(each) for each in levels.values()])
    table = Table(np.stack(rows), np.ones(16))
    assert _picked(table, kinds, "one-standard-error") == [3, 4, 6]  # a is out, c has one only
    assert _picked(table, kinds, "minimum") == [4, 6]
    assert behind(table.squares, table.counts)[1][0] == pytest.approx(0.365, abs=5e-4)


def test_the_procedure_takes_the_simplest_finalist_within_one_standard_error():
    squares = np.array([[5.0, 5, 5], [4, 4, 4], [3.9, 3.9, 4.1], [1, 1, 1.1]])
    pick = Procedure(np.array(["a", "a", "b", "b"]), "one-standard-error")
    assert pick(squares, np.ones(3), np.ones(3, dtype=int)) == 3
    assert pick(squares, np.ones(3), np.array([0, 0, 3])) == 3


def test_choice_among_noise_is_corrected_to_the_true_error():
    """Forty models of equal true error 1: the least RMSECV flatters, the corrected one hardly."""
    rng = np.random.default_rng(4)
    found = []
    for _ in range(30):
        errors = rng.normal(size=(40, 60))
        y, standards = np.zeros(60), np.arange(60)
        table = Table.of(errors[:, None], y, standards)
        pick = Procedure(np.repeat(np.arange(8), 5).astype(str), "minimum")
        corrected = corrected_for_choice(errors, y, standards, choose=pick, samples=100)
        found.append((table.rmsecv().min(), corrected))
    least, corrected = np.mean(found, axis=0)
    assert least < 0.85
    assert 0.93 < corrected < 1.07


def test_results_and_trials_are_plain_data(raced):
    text = (raced.path / "results.json").read_text()
    assert set(json.loads(text)["variants"]) == {"base", *BUILT_IN}
    trials = raced.table("trials")
    assert isinstance(trials, pd.DataFrame)
    assert [json.loads(each) for each in trials["settings"]] == [{}] * len(trials)


def test_a_stack_is_fitted_frozen_and_predicts_what_was_scored(
    small_library, tmp_path, monkeypatch
):
    monkeypatch.setattr(Table, "chosen", lambda self, rule: len(self.squares) - 1)
    text = RACE.replace('families = ["pls"]', 'families = ["pls", "gaussian_process"]')
    text += '[preprocess.variants]\nroot = ["root"]\n'
    (tmp_path / "e.toml").write_text(f'library = "{small_library}"\n{text}')
    run = calib.train(tmp_path / "e.toml", tmp_path / "run", means=Means(SERIAL))
    contest = run.table("contest")
    stacks = contest.loc[contest["family"] == "stack", "analyte"]
    assert len(stacks)  # of one analyte at least, both families carry weight
    for name in stacks:
        entry, frozen = run.analytes[name], run.model.manifest["analytes"][name]
        assert entry["family"] == "stack"
        assert sum(entry["settings"]["weights"].values()) == pytest.approx(1, abs=1e-9)
        assert [m["family"] for m in entry["members"]] == ["pls", "gaussian_process"]
        assert frozen["combine"] == "weights"
        assert [m["family"] for m in frozen["members"]] == ["pls", "gaussian_process"]
    library = calib.open_library(small_library)
    row = library.select("held-out").index[0]
    found = run.model.predict(library.counts(row)[None], library.wavelength, dark=library.dark(0))
    table = run.table("held_out").set_index("burst").loc[library.bursts["burst"][row]]
    for name in run.analytes:
        assert found[name].iloc[0] == pytest.approx(table[name], rel=1e-12)


def test_a_dry_run_counts_the_trials_that_are_possible(experiment):
    text = 'analytes = ["SiO2", "MgO"]\n[models]\nfamilies = ["pls", "gaussian_process"]\n'
    decided = plan(experiment(text + "[search]\ntrials = 7\n"))
    found = estimate(decided, 2, lambda *_: None, trials=None, minutes=None)
    assert found.trials == {"pls": 2 * 6, "gaussian_process": 2 * 7}
    assert all(seconds > 0 for seconds in found.seconds.values())
    work = sum((found.trials[n] + 2 * len(decided.folds)) * found.seconds[n] for n in found.trials)
    assert found.total == pytest.approx(work / 2)
    limited = estimate(decided, 2, lambda *_: None, trials=1000, minutes=0.01)
    assert limited.trials["gaussian_process"] == 2000
    assert limited.total <= 0.6

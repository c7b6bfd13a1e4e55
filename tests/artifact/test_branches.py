"""Models whose analytes take different branches of the chain and several members."""

from __future__ import annotations

import copy

import numpy as np
import pytest

from calib.artifact.runtime import Model
from calib.errors import ArtifactError
from calib.experiment import open_run
from calib.preprocess import Chain
from calib.preprocess.chain import branched
from tests.conftest import small_axis


@pytest.fixture
def parts(trained):
    """Manifest and arrays of a model whose SiO2 has a member on the chain and one on its root."""
    model = open_run(trained).model
    manifest, arrays = copy.deepcopy(dict(model.manifest)), dict(model._arrays)
    manifest["branches"].append([{"step": "root"}])
    manifest["domains"].append(manifest["domains"][0])
    arrays |= {k.replace("branch0", "branch1"): v for k, v in arrays.items() if "branch0" in k}
    entry = manifest["analytes"]["SiO2"]
    entry["members"].append(entry["members"][0] | {"branch": 1})
    entry |= {"combine": "weights", "combine_arrays": ["weights"], "branch": 1}
    rng = np.random.default_rng(3)
    arrays["SiO2/member1/coefficients"] = rng.normal(size=180)
    arrays["SiO2/member1/intercept"] = np.array([2.0])
    arrays["SiO2/combine/weights"] = np.array([0.75, 0.25])
    return manifest, arrays


def rows() -> np.ndarray:
    return np.random.default_rng(5).uniform(100, 900, (70, 180))


def test_members_predict_from_their_own_branch_and_are_weighted(parts, trained):
    manifest, arrays = parts
    plain, both = open_run(trained).model, Model(manifest, arrays)
    expected, found = plain.predict_spectra(rows()), both.predict_spectra(rows())
    shot = plain.stem.spectra(rows(), small_axis(), _spectrometers())
    second = np.sign(shot) * np.sqrt(np.abs(shot)) @ arrays["SiO2/member1/coefficients"] + 2.0
    first = shot @ arrays["SiO2/member0/coefficients"] + arrays["SiO2/member0/intercept"]
    np.testing.assert_allclose(
        found.value[:, 0], np.maximum(0.75 * first + 0.25 * second, 0), rtol=1e-10
    )
    np.testing.assert_array_equal(found.value[:, 1], expected.value[:, 1])  # MgO has not changed


def test_flags_are_those_of_the_branch_that_speaks(parts, trained):
    manifest, arrays = parts
    arrays["branch1/domain/mean"] = arrays["branch1/domain/mean"] + 1e3
    found = Model(manifest, arrays).predict_spectra(rows())
    assert all("high-q" in flags.split(";") for flags in found.flags[:, 0])
    expected = open_run(trained).model.predict_spectra(rows())
    assert found.flags[:, 1].tolist() == expected.flags[:, 1].tolist()


def test_one_row_is_predicted_as_among_others(parts):
    model = Model(*parts)
    together = model.predict_spectra(rows()).value
    for i in (0, 33, 69):
        np.testing.assert_array_equal(model.predict_spectra(rows()[[i]]).value[0], together[i])


def test_a_combination_that_lacks_its_array_is_refused(parts):
    manifest, arrays = parts
    manifest["analytes"]["SiO2"]["combine_arrays"] = []
    with pytest.raises(ArtifactError, match="found arrays none, weights needs weights"):
        Model(manifest, arrays)


def test_chains_are_split_where_they_part():
    base = ["average", {"step": "normalise", "by": "whole"}]
    chains = [Chain.of(steps) for steps in (base, [*base, "root"], ["average", "normalise"])]
    stem, branches = branched(chains)
    assert [step.name for step in stem.steps] == ["average"]
    assert [[step.name for step in each.steps] for each in branches] == [
        ["normalise"], ["normalise", "root"], ["normalise"],
    ]  # fmt: skip
    stem, branches = branched(chains[:2])
    assert [[step.name for step in each.steps] for each in branches] == [[], ["root"]]


def _spectrometers():
    from calib.preprocess.step import Acquisition

    return Acquisition((slice(0, 60), slice(60, 120), slice(120, 180)))

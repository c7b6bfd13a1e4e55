"""The report stands alone, says first what may be used, and shows names as text."""

from __future__ import annotations

import dataclasses
import re
from pathlib import Path

import pytest
from PIL import Image

from calib.experiment import open_run
from calib.report import page as pages
from calib.report.evidence import run_pictures
from calib.report.page import page_pictures, run_page
from calib.report.verdict import verdict


@pytest.fixture(scope="module")
def drawn(trained):
    run = open_run(trained)
    evidence = run.evidence()
    pictures = list(run_pictures(run.results, evidence))
    return run, evidence, pictures, run_page(run.results, evidence, title="run", pictures=pictures)


def test_names_from_data_are_text(drawn):
    run, evidence, _, _ = drawn
    entry = run.results["analytes"]["SiO2"]
    library = {**run.results["library"], "title": "<script>alert(2)</script>"}
    results = {
        **run.results,
        "library": library,
        "notes": ["standard <script>alert(1)</script>"],
        "analytes": {"<script>SiO2": entry},
    }
    page = run_page(results, evidence, title="<b>run</b>", pictures=[])
    assert "<script" not in page
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in page
    assert "&lt;script&gt;SiO2" in page
    assert "<title>&lt;b&gt;run&lt;/b&gt;</title>" in page


def test_a_standard_called_script_is_text_in_every_picture(drawn):
    run, evidence, _, _ = drawn

    def renamed(name):
        table = run.table(name)
        if "standard" in table:
            table["standard"] = table["standard"].replace("T01", "<script>$x$</script>")
        return table

    odd = dataclasses.replace(evidence, table=renamed)
    page = run_page(run.results, odd, title="run")
    assert "<script" not in page


def test_it_needs_no_network_and_is_small(drawn):
    _, _, pictures, page = drawn
    assert not re.search(r"(src|href)=\"(?!data:|#)", page)
    assert "http" not in page
    assert len(page.encode()) < 5_000_000
    assert page.count('src="data:image/png;base64,') == len(pictures) > 12


def test_no_path_of_the_machine_is_in_it(drawn, trained, small_library):
    _, _, _, page = drawn
    assert str(small_library) in (trained / "experiment.toml").read_text()
    for path in (trained.parent, small_library.parent, Path.home(), Path.cwd()):
        assert str(path) not in page


def test_the_verdict_stands_first(drawn):
    page = drawn[3]
    parts = ["What it may be used for", "What to know first", "Evidence", "How to make it again"]
    places = [page.index(f">{part}</h2>") for part in parts]
    assert places == sorted(places)
    assert drawn[0].results["library"]["sha256"] in page[places[-1] :]


def test_pictures_come_back_out_of_a_page(drawn, tmp_path):
    _, _, pictures, page = drawn
    found = page_pictures(page)
    assert sorted(found) == sorted(picture.name for picture in pictures)
    (tmp_path / "one.png").write_bytes(found["SiO2-predicted"])
    with Image.open(tmp_path / "one.png") as image:
        assert image.width == pytest.approx(85 / 25.4 * 200, abs=2)


def test_a_page_that_grows_too_large_is_drawn_coarser(drawn, monkeypatch):
    run, evidence, pictures, page = drawn
    monkeypatch.setattr(pages, "LARGEST", len(page) - 1)
    smaller = run_page(run.results, evidence, title="run", pictures=pictures)
    assert len(smaller) < len(page)
    assert len(page_pictures(smaller)) == len(pictures)


def test_a_run_without_evidence_still_has_a_report(drawn):
    run, evidence, _, _ = drawn
    bare = dataclasses.replace(evidence, arrays={}, stages=())
    names = {picture.name for picture in run_pictures(run.results, bare)}
    assert "SiO2-predicted" in names
    assert "SiO2-regression" not in names


ENTRY = {
    "unit": "wt%", "range": [0.5, 20.0], "limits": {"lod_high": 1.2}, "rmsep": 0.8, "rmsecv": 0.7,
    "settings": {"n_components": 5}, "n_held_out": 20, "rpd": 4.0, "coverage": 0.9,
}  # fmt: skip


@pytest.mark.parametrize(
    ("change", "checks", "level", "reason"),
    [
        ({}, [], "may be used", None),
        ({"n_held_out": 9}, [], "with care", "only 9 standards were held out"),
        ({"n_held_out": 0, "rmsep": None, "rpd": None, "coverage": None}, [], "with care",
         "no standard was held out"),
        ({"coverage": 0.79}, [], "with care", "79 % of held-out spectra"),
        ({}, [("influence", "one standard")], "with care", "one standard"),
        ({}, [("permutation", "as good shuffled")], "not for use", "as good shuffled"),
        ({"rpd": 0.9}, [], "not for use", "RPD 0.900"),
        ({"settings": {"n_components": 0}}, [], "not for use", "nothing better than the mean"),
        ({"limits": {"lod_high": 21.0}}, [], "not for use", "limit of detection, 21.0 wt%"),
    ],
)  # fmt: skip
def test_the_verdict_follows_its_rules(change, checks, level, reason):
    failed = [{"name": n, "analyte": "A", "passed": False, "detail": d} for n, d in checks]
    found = verdict({**ENTRY, **change}, failed)
    assert found.level == level
    assert bool(found.use) == (level != "not for use")
    assert (found.reasons == []) if reason is None else (reason in found.reasons[0])


def test_held_out_spectra_that_are_strange_are_no_fair_judge():
    assert verdict(ENTRY, flagged={"t2": 0.1, "q": 0.5}).level == "may be used"
    found = verdict(ENTRY, flagged={"t2": 0.1, "q": 0.6})
    assert found.level == "with care"
    assert found.reasons == ["60 % of held-out spectra are flagged as unusual"]


def test_the_use_begins_at_the_limit_of_detection():
    found = verdict(ENTRY)
    assert found.use == "1.20 to 20.0 wt%, ±\u00a00.800"
    assert found.avoid == "below 1.20 (say “less than”), above 20.0, flagged spectra"
    assert verdict({**ENTRY, "rmsep_in_range": 0.4}).use.endswith("±\u00a00.400")
    above = verdict({**ENTRY, "limits": {"lod_high": 0.1}})
    assert above.avoid.startswith("below 0.500, above")

"""What a notebook shows of a library, a run and a model: tables, every name as text."""

from __future__ import annotations

import dataclasses

import calib


def test_a_library_shows_its_analytes(small_library):
    library = calib.open_library(small_library)
    shown = library._repr_html_()
    assert "24 standards, bursts: 40 calibration, 8 held-out; 180 channels, 230 to 880 nm" in shown
    assert "<tr><td>MgO</td><td>23</td>" in shown
    odd = dataclasses.replace(library, values=library.values.rename(columns={"MgO": "<script>"}))
    assert "<script>" not in odd._repr_html_()


def test_a_run_shows_its_scores(trained):
    run = calib.open_run(trained)
    shown = run._repr_html_()
    assert "<th>RMSEP</th>" in shown
    assert shown.count("<tr>") == 3
    entry = run.results["analytes"]["MgO"]
    odd = dataclasses.replace(run, results={**run.results, "analytes": {"<script>": entry}})
    assert "<script>" not in odd._repr_html_()


def test_a_model_shows_its_scores_and_no_markup_of_its_names(trained):
    model = calib.open_run(trained).model
    shown = model._repr_html_()
    assert "Model unfrozen" in shown
    assert shown.count("<tr>") == 3
    assert repr(model) == "Model unfrozen: SiO2, MgO"
    entry = model.manifest["analytes"]["MgO"]
    model.manifest = {**model.manifest, "analytes": {"<script>": entry}}
    assert "<script>" not in model._repr_html_()

"""The report stands alone and shows names as text."""

from __future__ import annotations

from calib.experiment import open_run
from calib.report.page import run_page


def test_names_from_data_are_text(trained):
    run = open_run(trained)
    results = {**run.results, "notes": ["<script>alert(1)</script>"]}
    page = run_page(results, run.table, title="<b>run</b>")
    assert "<script>alert" not in page
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in page
    assert "<title>&lt;b&gt;run&lt;/b&gt;</title>" in page


def test_it_needs_no_network_and_is_small(trained):
    run = open_run(trained)
    page = run_page(run.results, run.table, title="run")
    assert "http" not in page.replace("http-equiv", "")
    assert len(page) < 5_000_000
    assert page.count('src="data:image/png;base64,') == 2


def test_the_verdict_stands_first(trained):
    run = open_run(trained)
    page = run_page(run.results, run.table, title="run")
    assert page.index("How wrong is it?") < page.index("Evidence") < page.index("make it again")

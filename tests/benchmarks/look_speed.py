"""How long people wait for what they look at: the report, the bench's first view, a refit.

The report and the first view are of the demo run (``experiments/quickstart.toml``, trained first);
the first view is timed in a headless Chromium, from the request to the facts of the first point, by
Playwright. The refit leaves one standard of an invented library of 480 spectra × 6144 channels out,
as the bench does it, and beside it scikit-learn refits PLS in the same folds.

    python tests/benchmarks/look_speed.py
"""

from __future__ import annotations

import argparse
import json
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from sklearn.cross_decomposition import PLSRegression
from validation_speed import write_library

import calib
from calib.experiment.bench_data import BenchRun

ROOT = Path(__file__).parents[2]
ALLOWED = {"report": 30.0, "first view": 3.0, "refit": 1.0}
"""Seconds that each may take."""


def say(what: str, seconds: float, more: str = "") -> None:
    print(f"{what:12s} {seconds:7.2f} s, allowed {ALLOWED[what]:g} s{more}", flush=True)


def report(run: Path, scratch: Path) -> None:
    began = time.perf_counter()
    target = scratch / "report.html"
    command = [sys.executable, "-m", "calib", "report", str(run), "-o", str(target)]
    subprocess.run(command, check=True, capture_output=True)
    spent = resource.getrusage(resource.RUSAGE_CHILDREN)
    processor = spent.ru_utime + spent.ru_stime
    written = list((scratch / "report-figures").iterdir())
    size = target.stat().st_size / 1e6
    say("report", time.perf_counter() - began,
        f"; {processor:.1f} s of processor, {size:.2f} MB, {len(written)} figures",
    )  # fmt: skip


def first_view(run: Path) -> None:
    chromium = shutil.which("chromium")
    if chromium is None:
        print("first view   not measured: no chromium")
        return
    from playwright.sync_api import sync_playwright

    command = [sys.executable, "-m", "calib", "bench", str(run), "--no-open", "--json"]
    served = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    try:
        assert served.stdout is not None
        url = json.loads("".join(iter(served.stdout.readline, "}\n")) + "}")["url"]
        with sync_playwright() as driver:
            browser = driver.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
            page = browser.new_page()
            for what in ("first visitor", "spectra at hand"):
                began = time.perf_counter()
                page.goto(url)
                page.wait_for_selector("text=What is this point?")
                say("first view", time.perf_counter() - began, f"; {what}")
                time.sleep(8)
            browser.close()
    finally:
        served.terminate()


def refit(scratch: Path) -> None:
    write_library(scratch / "library")
    experiment = scratch / "experiment.toml"
    experiment.write_text(
        'library = "library"\nanalytes = ["A0", "A1"]\n[folds]\ncount = 10\nrepeats = 1\n'
        'held_out = 0.02\n[models]\nfamilies = ["pls"]\n[validation]\npermutations = 0\n'
    )
    bench = BenchRun(calib.train(experiment, scratch / "run"))
    bench.prepare()
    X, _ = bench._training(0)
    standard = str(bench.run.table("folds")["standard"].iloc[0])
    times = []
    for _ in range(5):
        began = time.perf_counter()
        found = bench.refit("A0", [standard])
        times.append(time.perf_counter() - began)
    rows = bench.run.table("folds").query("use == 'calibration'")
    y = bench.points("A0").set_index("burst")["certified"].reindex(rows["burst"]).to_numpy()
    stays = (rows["standard"] != standard).to_numpy()
    began = time.perf_counter()
    for fold in np.unique(rows["fold_1"]):
        training = (rows["fold_1"] != fold).to_numpy() & stays
        PLSRegression(found.n_components, scale=False).fit(X[training], y[training]).predict(X)
    reference = time.perf_counter() - began
    least = min(times)
    say(
        "refit", least,
        f"; {X.shape[0]} × {X.shape[1]}, {found.n_components} components; scikit-learn's refits "
        f"take {reference / least:.1f} × as long (with and without are both fitted here)",
    )  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--run", type=Path, help="a finished run of the demo")
    given = parser.parse_args().run
    with tempfile.TemporaryDirectory() as folder:
        scratch = Path(folder)
        run = given or calib.train(ROOT / "experiments" / "quickstart.toml", scratch / "demo").path
        report(run, scratch)
        first_view(run)
        (scratch / "wide").mkdir()
        refit(scratch / "wide")


if __name__ == "__main__":
    main()

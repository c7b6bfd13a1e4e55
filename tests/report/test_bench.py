"""The bench in a browser: choose, pick, drop, read; by keyboard alone; and who is turned away."""

from __future__ import annotations

import http.client
import json
import shutil
import subprocess
import sys
from urllib.parse import urlsplit

import pytest

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")


@pytest.fixture(scope="module")
def url(trained):
    process = subprocess.Popen(
        [sys.executable, "-m", "calib", "bench", str(trained), str(trained), "--no-open", "--json"],
        stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True,
    )  # fmt: skip
    assert process.stdout is not None
    text = "".join(iter(process.stdout.readline, "}\n")) + "}"
    yield json.loads(text)["url"]
    process.terminate()
    process.wait(10)
    process.stdout.close()


def ask(url, path=None, **headers):
    parts = urlsplit(url)
    connection = http.client.HTTPConnection(parts.hostname, parts.port, timeout=10)
    connection.request("GET", path or f"/?{parts.query}", headers=headers)
    answer = connection.getresponse()
    answer.read()
    connection.close()
    return answer


UPGRADE = {
    "Upgrade": "websocket", "Connection": "Upgrade", "Sec-WebSocket-Version": "13",
    "Sec-WebSocket-Key": "dGhlIHNhbXBsZSBub25jZQ==", "Sec-WebSocket-Protocol": "bokeh, x",
}  # fmt: skip


def test_it_listens_on_this_machine_alone_and_wants_its_token(url):
    assert urlsplit(url).hostname == "127.0.0.1"
    assert len(urlsplit(url).query) > 30
    assert ask(url).status == 200
    assert ask(url, "/").status == 403
    assert ask(url, "/?token=").status == 403
    assert ask(url, "/?token=wrong").status == 403
    assert ask(url, "/?token=%C3%A9").status == 403


def test_another_host_or_origin_is_turned_away(url):
    assert ask(url, Host="evil.example").status == 403
    assert ask(url, Host=f"127.0.0.1.evil.example:{urlsplit(url).port}").status == 403
    assert ask(url, Origin="http://evil.example").status == 403
    assert ask(url, Origin="null").status == 403


def test_the_websocket_wants_the_cookie_and_the_origin(url):
    cookie = ask(url).getheader("Set-Cookie")
    assert "HttpOnly" in cookie
    assert "SameSite=Strict" in cookie
    sent = {**UPGRADE, "Cookie": cookie.split(";")[0]}
    own = f"http://{urlsplit(url).netloc}"
    assert ask(url, "/ws", **UPGRADE, Origin=own).status == 403
    assert ask(url, "/ws", **sent, Origin="http://evil.example").status == 403


@pytest.fixture(scope="module")
def browser():
    if CHROMIUM is None:
        pytest.skip("chromium is not installed")
    playwright = pytest.importorskip("playwright.sync_api")
    with playwright.sync_playwright() as driver:
        chromium = driver.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield chromium
        chromium.close()


@pytest.fixture
def page(browser, url):
    page = browser.new_page(viewport={"width": 1200, "height": 1300})
    page.complaints = []
    page.on("console", lambda m: m.type in ("error", "warning") and page.complaints.append(m.text))
    page.on("pageerror", lambda error: page.complaints.append(str(error)))
    page.elsewhere = []
    own = f"{urlsplit(url).scheme}://{urlsplit(url).netloc}/"
    page.on("request", lambda r: r.url.startswith(own) or page.elsewhere.append(r.url))
    page.goto(url)
    page.wait_for_selector("text=What is this point?")
    yield page
    assert page.complaints == []
    assert page.elsewhere == []
    page.close()


SCREEN = """([x, y]) => {
  const plot = Bokeh.documents[0].get_model_by_name("scatter");
  const view = Bokeh.index.find_one(plot);
  const box = view.el.getBoundingClientRect();
  return [box.x + view.frame.x_scale.compute(x), box.y + view.frame.y_scale.compute(y)];
}"""


def test_choose_pick_drop_and_read(page, trained):
    from calib.experiment import open_run
    from calib.experiment.bench_data import BenchRun

    bench = BenchRun(open_run(trained))
    page.locator("select").nth(1).select_option("MgO")
    page.wait_for_function(
        "Bokeh.documents[0].get_model_by_name('scatter').title.text.startsWith('MgO')"
    )
    points = bench.points("MgO")
    point = points.iloc[int(points["certified"].argmax())]
    page.mouse.click(*page.evaluate(SCREEN, [point["certified"], point["predicted"]]))
    page.wait_for_selector(f"text={point['standard']} (")
    page.get_by_role("button", name="Drop this standard").click()
    page.wait_for_selector("#after")
    found = bench.refit("MgO", [point["standard"]])
    assert float(page.inner_text("#before")) == pytest.approx(found.before, rel=6e-3)  # 3 digits
    assert float(page.inner_text("#after")) == pytest.approx(found.after, rel=6e-3)
    others = len(set(points.query("use == 'calibration'")["standard"])) - 1
    assert page.locator(f"text=RMSECV of the other {others} standards").count() == 1
    page.get_by_role("button", name="Take all back").click()
    page.wait_for_selector("text=No standard is dropped.")
    assert page.locator("text=no difference shown").count() == 2


def focus_by_tab(page, wanted):
    """Press Tab until what has the focus is the wanted control, as a hand without a mouse would."""
    active = """() => { let at = document.activeElement;
      while (at && at.shadowRoot && at.shadowRoot.activeElement) at = at.shadowRoot.activeElement;
      const label = at.getRootNode().querySelector("label");
      return at.tagName === "SELECT" && label ? label.innerText : at.innerText; }"""
    for _ in range(60):
        page.keyboard.press("Tab")
        if (page.evaluate(active) or "").startswith(wanted):
            return
    raise AssertionError(f"no Tab leads to {wanted!r}")


def test_the_keyboard_alone_will_do(page):
    focus_by_tab(page, "Analyte")
    page.keyboard.press("ArrowDown")
    page.wait_for_function("Bokeh.documents[0].get_model_by_name('analyte').value === 'MgO'")
    focus_by_tab(page, "Standard")
    page.keyboard.type("T02")
    page.wait_for_selector("text=T02 (calibration)")
    focus_by_tab(page, "Smaller error")
    before = page.evaluate("Bokeh.documents[0].get_model_by_name('burst').value")
    page.keyboard.press("Enter")
    page.wait_for_function(f"Bokeh.documents[0].get_model_by_name('burst').value !== '{before}'")
    focus_by_tab(page, "Drop this standard")
    page.keyboard.press("Enter")
    page.wait_for_selector("#after")
    assert float(page.inner_text("#after")) > 0

"""A real browser goes the whole path: open, demo, upload, map, import, fit, slider, report, print."""

import contextlib
import os
import re
import shutil
import socket
import threading
import time

import pytest

from tests.web.conftest import write_small_log

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
FLAGS = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
]  # fmt: skip
SERIOUS = ("serious", "critical")

pytestmark = [pytest.mark.browser, pytest.mark.slow]


@pytest.fixture(scope="module")
def served(tmp_path_factory):
    """A page served from an empty workspace on a free port."""
    import uvicorn

    from logan.web.app import create_app
    from logan.web.state import WebSettings

    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    workspace = tmp_path_factory.mktemp("served")
    app = create_app(WebSettings(workspace=workspace, port=port))
    server = uvicorn.Server(uvicorn.Config(app, host="127.0.0.1", port=port, log_level="warning"))
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    while not server.started:
        time.sleep(0.05)
    yield f"http://127.0.0.1:{port}", workspace
    server.should_exit = True
    thread.join(timeout=30)


@pytest.fixture(scope="module")
def browser():
    if CHROMIUM is None:
        if os.environ.get("LOGAN_REQUIRE_BROWSER") == "1":
            pytest.fail("Chromium is required here and is not installed")
        pytest.skip("Chromium is not installed")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        running = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield running
        running.close()


@pytest.fixture
def page(browser):
    context = browser.new_context(viewport={"width": 1100, "height": 900})
    page = context.new_page()
    page.set_default_timeout(180_000)
    faults, requests = [], []
    page.on("pageerror", lambda error: faults.append(str(error)))
    page.on("console", lambda message: faults.append(message.text) if message.type == "error" else None)
    page.on("request", lambda request: requests.append(request.url))
    page.requests = requests
    yield page
    context.close()
    assert faults == []


@pytest.fixture(scope="module")
def demo(served):
    """The demo's build, made once for the tests that look at it."""
    from logan.pipeline.demo_run import run_demo

    _, workspace = served
    run_demo(workspace / "demo", told=lambda words: None, report=workspace / "demo" / "reports" / "report.html")
    return workspace / "demo"


def faults_of(page):
    from axe_playwright_python.sync_playwright import Axe

    found = Axe().run(page).response["violations"]
    return [f"{f['id']}: {f['nodes'][0]['html'][:150]}" for f in found if f["impact"] in SERIOUS]


def test_a_first_visit_leads_to_the_demo_in_one_click_and_nothing_leaves_the_machine(page, served, demo):
    address, _ = served
    page.goto(address)
    page.get_by_role("button", name="Make the demo").click()
    page.wait_for_url("**/builds/demo")
    page.get_by_text("chance of 140 mi").wait_for()
    page.wait_for_selector(".js-plotly-plot")
    assert all(url.startswith((address, "data:", "blob:")) for url in page.requests)


def test_a_log_is_uploaded_mapped_imported_fitted_and_reported(page, served, demo, tmp_path):
    address, workspace = served
    (workspace / "mine").mkdir()
    text = (demo / "build.toml").read_text(encoding="utf-8").replace("dbc_user/", "../demo/dbc_user/")
    (workspace / "mine" / "build.toml").write_text(text, encoding="utf-8")
    (workspace / "mine" / "channels.toml").write_text("", encoding="utf-8")
    page.goto(f"{address}/builds/mine/logs")
    page.locator("#pick").set_input_files(str(write_small_log(tmp_path / "my drive.log")))
    page.get_by_role("button", name="Channels").click()
    page.get_by_role("button", name="Save the map").wait_for()
    assert page.locator(".spark path").count() >= 10
    page.get_by_role("button", name="Save the map").click()
    page.get_by_text("Saved. Now import the log.").wait_for()
    page.get_by_role("button", name="Import").click()
    page.get_by_role("link", name="Drive 1").click()
    page.wait_for_selector("#timeline .main-svg")
    page.goto(f"{address}/builds/mine/range")
    page.get_by_role("button", name="Fit the drives").click()
    page.get_by_text("Refined by 1 drives.").wait_for()
    first = page.locator("#what-if-answer dd").first
    before = first.inner_text()
    page.locator("#speed").fill("80")
    page.wait_for_function("before => document.querySelector('#what-if-answer dd').innerText !== before", arg=before)
    range_of = lambda words: int(re.match(r"[\d,]+", words)[0].replace(",", ""))  # noqa: E731
    assert range_of(first.inner_text()) < range_of(before)
    page.goto(f"{address}/builds/mine/report")
    page.get_by_role("button", name="Write the report").click()
    page.get_by_role("link", name="Open report.html").wait_for()


def test_the_report_opens_offline_and_prints_to_a_clean_pdf(browser, demo, tmp_path):
    context = browser.new_context(offline=True)
    page = context.new_page()
    asked = []
    page.on("request", lambda request: asked.append(request.url))
    target = demo / "reports" / "report.html"
    page.goto(target.as_uri() + "?print")
    page.wait_for_selector(".js-plotly-plot .main-svg")
    assert [url for url in asked if not url.startswith(("file:", "data:", "blob:"))] == []
    pdf = tmp_path / "report.pdf"
    page.pdf(path=str(pdf), format="A4")
    assert pdf.read_bytes().startswith(b"%PDF")
    assert 4 <= pdf.read_bytes().count(b"/Type /Page\n") + pdf.read_bytes().count(b"/Type /Page ") <= 40
    context.close()


def test_the_report_reads_without_javascript(browser, demo):
    context = browser.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto((demo / "reports" / "report.html").as_uri())
    assert page.get_by_role("heading", name="Does it make the target?").is_visible()
    assert page.locator("table").count() >= 6
    assert page.locator("dl.key-figures dd").first.is_visible()
    context.close()


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [1100, 400])
def test_no_serious_fault_for_keyboard_and_screen_reader(browser, served, demo, scheme, width):
    address, _ = served
    context = browser.new_context(viewport={"width": width, "height": 900}, color_scheme=scheme)
    page = context.new_page()
    page.set_default_timeout(60_000)
    found = {}
    for place in ("", "/builds/demo", "/builds/demo/settings", "/builds/demo/logs", "/builds/demo/drives",
                  "/builds/demo/range", "/builds/demo/report"):  # fmt: skip
        page.goto(address + place)
        with contextlib.suppress(Exception):
            page.wait_for_load_state("networkidle", timeout=15_000)
        if faults := faults_of(page):
            found[place] = faults
        wide = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
        assert wide <= 1, (place, wide)
    page.goto((demo / "reports" / "report.html").as_uri())
    if faults := faults_of(page):
        found["report"] = faults
    context.close()
    assert found == {}


def test_a_drives_timeline_is_there_within_a_second(page, served, demo):
    address, _ = served
    page.goto(f"{address}/builds/demo/drives/2")
    page.wait_for_selector("#timeline .main-svg")
    begun = time.monotonic()
    answer = page.request.get(f"{address}/api/builds/demo/drives/2/timeline")
    took_s = time.monotonic() - begun
    assert len(answer.body()) < 2_000_000
    print(f"timeline of an hour: {took_s:.2f} s, {len(answer.body()) / 1e6:.2f} MB")


HOSTILE = "<script>document.title=1</script>"
HOSTILE_FILE = "<img src=x onerror=document.title=1>.csv"


def test_names_from_a_strangers_log_are_shown_as_text(page, served, demo, tmp_path):
    address, workspace = served
    page.set_default_timeout(15_000)
    (workspace / "hostile").mkdir()
    for name in ("build.toml", "channels.toml"):
        shutil.copy(demo / name, workspace / "hostile" / name)
    table = tmp_path / "table.csv"
    rows = "\n".join(f"{k / 10:.1f},{20 + k % 7},{360 - k % 5},{30 + k % 11}" for k in range(600))
    table.write_text(f"Time [s],{HOSTILE} [km/h],Battery Voltage [V],Battery Current [A]\n{rows}\n", encoding="utf-8")
    page.goto(f"{address}/builds/hostile/logs")
    page.locator("#pick").set_input_files(
        files=[{"name": HOSTILE_FILE, "mimeType": "text/csv", "buffer": table.read_bytes()}]
    )
    page.get_by_text(HOSTILE_FILE).first.wait_for()
    assert page.title() != "1"
    assert page.evaluate("document.querySelectorAll('main script').length") == 0

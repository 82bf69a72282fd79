"""A page served on a free port, and the browser that looks at it."""

import base64
import contextlib
import os
import re
import shutil
import socket
import threading
import time

import pytest

FLAGS = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
]  # fmt: skip


def chromium():
    """Path of Chromium; skips where there is none, fails where one is required."""
    found = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    if found is None:
        if os.environ.get("LOGAN_REQUIRE_BROWSER") == "1":
            pytest.fail("Chromium is required here and is not installed")
        pytest.skip("Chromium is not installed")
    return found


@contextlib.contextmanager
def serving(workspace):
    """Address of a page that serves a workspace."""
    import uvicorn

    from logan.cli import for_page
    from logan.web.app import create_app
    from logan.web.state import WebSettings

    door = socket.socket()  # kept open: a port that is let go may be another test's before the server has it
    door.bind(("127.0.0.1", 0))
    port = door.getsockname()[1]
    app = create_app(WebSettings(workspace=workspace, port=port, commands=for_page))
    server = uvicorn.Server(uvicorn.Config(app, host="127.0.0.1", port=port, log_level="warning"))
    thread = threading.Thread(target=server.run, args=([door],), daemon=True)
    thread.start()
    while not server.started:
        time.sleep(0.05)
    try:
        yield f"http://127.0.0.1:{port}"
    finally:
        server.should_exit = True
        thread.join(timeout=300)
        door.close()


@contextlib.contextmanager
def opened(browser, refusals=(), **context):
    """A page that tells what it asked for, and that fails the test for any fault in its console.

    ``refusals`` are the statuses of the requests that the test gets refused; None where the server is killed.
    """
    from playwright.sync_api import expect

    expect.set_options(timeout=PATIENCE_MS)
    context = browser.new_context(**{"viewport": {"width": 1100, "height": 900}, **context})
    page = context.new_page()
    page.set_default_timeout(PATIENCE_MS)
    if SLOWER != 1.0:
        context.new_cdp_session(page).send("Emulation.setCPUThrottlingRate", {"rate": SLOWER})
    faults, requests = [], []
    page.on("pageerror", lambda error: faults.append(str(error)))
    page.on("console", lambda message: faults.append(message.text) if message.type == "error" else None)
    page.on("request", lambda request: requests.append(request.url))
    try:
        yield page, requests
    finally:
        context.close()
    if refusals is None:
        return
    seen = [re.search(r"status of (\d+) \(", fault) for fault in faults]
    told = [int(status[1]) if status else fault for status, fault in zip(seen, faults, strict=True)]
    assert told == list(refusals), told


def wait_ready(page):
    """Wait until the page's own script has read and drawn all that it opens with."""
    page.locator("body[data-ready]").wait_for(state="attached")


def drop(page, paths):
    """Let files fall onto the page, wherever."""
    sent = [(path.name, base64.b64encode(path.read_bytes()).decode()) for path in paths]
    page.evaluate(
        """files => { const data = new DataTransfer();
        const bytes = text => Uint8Array.from(atob(text), c => c.charCodeAt(0));
        for (const [name, text] of files) { data.items.add(new File([bytes(text)], name)); }
        document.dispatchEvent(new DragEvent("drop", { dataTransfer: data, bubbles: true, cancelable: true })); }""",
        sent,
    )


def answered(page, method, part):
    """Around what is answered."""
    return page.expect_response(lambda answer: answer.request.method == method and part in answer.url)


PRESSED = """(place, steps) => { for (let k = 0; k < steps; k++) { place.dispatchEvent(
    new KeyboardEvent("keydown", { key: "ArrowRight", shiftKey: true, bubbles: true, cancelable: true })); } }"""
"""Keys as fast as nobody is: one span is asked about, and none on the way to it, however slow the machine."""


def mark_a_span(page, steps=5):
    page.locator(".lane .value").first.wait_for()
    page.locator("#timeline").focus()
    with answered(page, "GET", "/span?"):
        page.locator("#timeline").evaluate(PRESSED, steps)


PATIENCE_MS = float(os.environ.get("LOGAN_BROWSER_PATIENCE_S", "150")) * 1000.0
SLOWER = float(os.environ.get("LOGAN_BROWSER_SLOWER", "1"))
"""How many times slower the browser works than it could: what a test must not depend on."""
SERIOUS = ("serious", "critical")


def faults_of(page, *, of_any_weight=False):
    """What axe finds: serious faults, or all, heading levels and landmarks among them."""
    from axe_playwright_python.sync_playwright import Axe

    found = Axe().run(page).response["violations"]
    return [f"{f['id']}: {f['nodes'][0]['html'][:150]}" for f in found if of_any_weight or f["impact"] in SERIOUS]


def fill_in(field, text):
    """Type into a field, or choose where it offers a choice."""
    if field.evaluate("field => field.tagName") == "SELECT":
        field.select_option(text)
    else:
        field.fill(text)

"""How soon the page shows an answer, and 1,000 drives, in a real browser; each of the page's own clock, after opening.

Run by hand: ``python -m tests.benchmarks.web.first_answer [drives]``. The server is a process of its own, begun afresh;
the first opening finds it cold, the others warm. Figures: overview of the demo to its verdict; a log and DBC dropped
onto an empty build to its verdict, clicks included; the list of many drives to its first rows, and to all of them.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
from pathlib import Path

import numpy as np
from playwright.sync_api import sync_playwright

from logan.demo.conversion import write_build
from logan.drive.drive import Channel, Drive, LogSource
from logan.drive_library.repository import DriveLibrary
from logan.pipeline.builds import BuildFolder, new_build
from logan.pipeline.demo_run import run_demo
from logan.pipeline.stored import analysis_fingerprint
from tests.benchmarks.library.thousand_drives import summary
from tests.web.conftest import write_small_log
from tests.web.serving import FLAGS, chromium, drop
from tests.web.test_kills import Served

OPENINGS = 5
SEEN = """([css, least]) => new Promise(resolve => { const look = () => document.querySelectorAll(css).length >= least
  ? requestAnimationFrame(() => resolve(performance.now())) : requestAnimationFrame(look); look(); })"""


def main(count: int = 1000) -> None:
    root = Path(tempfile.mkdtemp(prefix="logan-first-answer-"))
    try:
        prepare(root, count)
        server = Served(root)
        with sync_playwright() as playwright:
            browser = playwright.chromium.launch(executable_path=chromium(), args=FLAGS)
            opened(browser, f"{server.address}/builds/demo", ".verdict", 1, "demo: answer")
            drives = f"{server.address}/builds/many/drives"
            opened(browser, drives, "#drives tbody tr", 50, f"{count} drives: first rows")
            opened(browser, drives, "#drives tbody tr", count, f"{count} drives: every row")
            dropped(browser, f"{server.address}/builds/mine", root)
            browser.close()
        server.kill()
    finally:
        shutil.rmtree(root, ignore_errors=True)


def prepare(root: Path, count: int) -> None:
    run_demo(root / "demo", told=lambda words: None)
    (root / "many").mkdir()
    write_build(root / "many")
    new_build(root / "mine")
    shutil.copy(root / "demo" / "build.toml", root / "mine" / "build.toml")
    text = (root / "mine" / "build.toml").read_text(encoding="utf-8")
    (root / "mine" / "build.toml").write_text(text.replace('dbc = ["dbc_user/demo.dbc"]', "dbc = []"), encoding="utf-8")
    folder, time_s = BuildFolder(root / "many"), np.arange(50.0)
    with DriveLibrary.open(folder.library, create=True) as library:
        for number in range(1, count + 1):
            channel = Channel(name="speed", time_s=time_s, value=np.full(50, 10.0 + number))
            source = LogSource(name=f"{number}.log", sha256=f"{number:064x}", size_bytes=1, log_format="candump")
            drive = Drive(channels={"speed": channel}, sources=(source,), start_ns=10**18 + number * 10**14)
            library.add(drive, summary=summary(number, analysis_fingerprint(folder.settings(), drive.conditions)))


def opened(browser, address: str, css: str, least: int, label: str) -> None:
    times = []
    for _ in range(OPENINGS):
        page = browser.new_page(viewport={"width": 1280, "height": 900})
        page.goto(address, wait_until="commit")
        times.append(page.evaluate(SEEN, [css, least]) / 1000.0)
        page.close()
    print(
        f"{label} after {times[0]:.2f} s (server cold), then median {np.median(times[1:]):.2f} s, {min(times):.2f} best"
    )


def dropped(browser, address: str, root: Path) -> None:
    log = write_small_log(root / "first.log", duration_s=1200.0)
    page = browser.new_page(viewport={"width": 1280, "height": 900})
    page.set_default_timeout(300_000)
    page.goto(f"{address}/logs")
    page.get_by_text("No log is waiting.").wait_for()
    before = page.evaluate("performance.now()")
    drop(page, [log, root / "demo" / "dbc_user" / "demo.dbc"])
    page.get_by_role("button", name="Use these and import").wait_for()
    asked = page.evaluate("performance.now()") - before
    page.get_by_role("button", name="Use these and import").click()
    page.locator("#imported").get_by_role("link", name="Drive 1").wait_for()
    imported = page.evaluate("performance.now()") - before
    page.goto(address, wait_until="commit")
    answer = imported + page.evaluate(SEEN, [".verdict", 1])
    size = log.stat().st_size / 1e6
    print(f"dropped {size:.1f} MB, 20 min: channels after {asked / 1e3:.1f} s, imported {imported / 1e3:.1f} s, "
          f"answer {answer / 1e3:.1f} s")  # fmt: skip


if __name__ == "__main__":
    main(*(int(argument) for argument in sys.argv[1:]))

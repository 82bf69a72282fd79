"""Frames per second while a drive of an hour with 40 channels is dragged, and how soon it stands there.

Run by hand: ``python -m tests.benchmarks.web.timeline``. The drive is served from this machine; Chromium shows all
forty lanes at once, zoomed to ten minutes, and the mouse drags them to and fro over what had not been fetched before.
"""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path

import numpy as np
from playwright.sync_api import sync_playwright

from logan.channels.vocabulary import channel_names
from logan.demo.conversion import write_build
from logan.drive.drive import Channel, Drive, LogSource
from logan.pipeline.builds import BuildFolder, open_library
from logan.pipeline.stored import store_analysed
from tests.web.serving import FLAGS, chromium, serving

CHANNELS, RATE_HZ, DURATION_S = 40, 10.0, 3600.0
WIDTHS = ((1280, 2400), (390, 2600))

WATCH = """() => { window.frames_ms = []; let before = performance.now();
const next = (now) => { window.frames_ms.push(now - before); before = now;
window.watching = requestAnimationFrame(next); };
window.watching = requestAnimationFrame(next); }"""


def main():
    root = Path(tempfile.mkdtemp(prefix="logan-timeline-"))
    try:
        write_hour(root)
        with serving(root) as address, sync_playwright() as playwright:
            browser = playwright.chromium.launch(executable_path=chromium(), args=FLAGS)
            for width, height in WIDTHS:
                measure(browser, f"{address}/builds/van/drives/1", width, height)
            browser.close()
    finally:
        shutil.rmtree(root, ignore_errors=True)


def write_hour(root):
    """Forty channels of noise with a drift, as many as can be told from each other by name."""
    (root / "van").mkdir()
    write_build(root / "van")
    folder, rng = BuildFolder(root / "van"), np.random.default_rng(1)
    time_s = np.arange(0.0, DURATION_S, 1.0 / RATE_HZ)
    channels = {}
    for name in channel_names()[:CHANNELS]:
        value = np.abs(np.cumsum(rng.normal(0.0, 0.02, time_s.size))) + rng.normal(0.0, 0.1, time_s.size) + 20.0
        channels[name] = Channel(name=name, time_s=time_s, value=value)
    source = LogSource(name="noise.csv", sha256="0" * 64, size_bytes=1, log_format="table")
    with open_library(folder.path, create=True) as library:
        store_analysed(library, Drive(channels=channels, sources=(source,)), folder.settings())


def measure(browser, address, width, height):
    page = browser.new_page(viewport={"width": width, "height": height})
    page.goto(address, wait_until="commit")
    page.wait_for_function("() => document.querySelector('.lane .value')?.textContent")
    page.wait_for_function(
        "() => window.performance.getEntriesByType('resource').some(e => e.name.includes('/window?'))"
    )
    seen_s = page.evaluate("performance.now()") / 1000.0
    page.get_by_text("Channels shown").click()
    page.get_by_role("button", name="Show all").click()
    page.wait_for_function(f"() => document.querySelectorAll('.lane').length >= {CHANNELS}")
    box = page.locator("#timeline").bounding_box()
    page.evaluate(f"scrollTo(0, {box['y'] - 10})")
    for _ in range(3):
        page.locator("#zoom-in").evaluate("button => button.click()")
    page.wait_for_timeout(1500)
    box = page.locator("#timeline").bounding_box()
    middle, right, left = box["y"] + 300, box["x"] + box["width"] - 20, box["x"] + 20
    page.evaluate(WATCH)
    for _ in range(6):
        page.mouse.move(right, middle)
        page.mouse.down()
        page.mouse.move(left, middle, steps=60)
        page.mouse.up()
    times = np.array(page.evaluate("() => { cancelAnimationFrame(window.watching); return window.frames_ms; }")[5:])
    print(
        f"{width} px: first lanes after {seen_s:.2f} s; {page.locator('.lane').count()} lanes, "
        f"{times.size} frames while dragging: {1000.0 / times.mean():.1f} frames/s, median {np.median(times):.1f} ms, "
        f"95 % below {np.percentile(times, 95):.1f} ms, slowest {times.max():.0f} ms"
    )
    page.close()


if __name__ == "__main__":
    main()

"""How soon a drive's timeline stands in a real browser, and how much is sent for it.

Run by hand: ``python -m tests.benchmarks.web.timeline``. A page with a 60-minute drive is
served from this machine; Chromium opens it, first with nothing in its cache, then again.
"""

from __future__ import annotations

import shutil
import statistics
import tempfile
import time
from pathlib import Path

from playwright.sync_api import sync_playwright

from logan.demo.conversion import write_build
from logan.pipeline.builds import BuildFolder
from logan.pipeline.importing import import_logs
from tests.web.conftest import write_small_log
from tests.web.serving import FLAGS, chromium, serving

RUNS = 7
MINUTES = 60.0


def shown_after_s(page, address):
    """Seconds from the navigation until the timeline is seen as a picture, and until it can be zoomed."""
    page.goto(address, wait_until="commit")
    page.wait_for_selector("#timeline .main-svg")
    drawn_s = page.evaluate("performance.now()") / 1000.0
    seen = "() => performance.getEntriesByType('resource').filter(e => e.name.endsWith('.svg')).map(e => e.responseEnd)"
    return min(page.evaluate(seen), default=float("nan")) / 1000.0, drawn_s


def main():
    root = Path(tempfile.mkdtemp(prefix="logan-timeline-"))
    try:
        write_build_with_an_hour(root)
        with serving(root) as address, sync_playwright() as playwright:
            browser = playwright.chromium.launch(executable_path=chromium(), args=FLAGS)
            drive = f"{address}/builds/van/drives/1"
            first, again = [], []
            for _ in range(RUNS):
                context = browser.new_context(viewport={"width": 1100, "height": 900})
                page = context.new_page()
                first.append(shown_after_s(page, drive))
                again.append(shown_after_s(page, drive))
                begun = time.perf_counter()
                answer = page.request.get(f"{address}/api/builds/van/drives/1/timeline")
                sent_s, size_mb = time.perf_counter() - begun, len(answer.body()) / 1e6
                context.close()
            browser.close()
        print(f"timeline of {MINUTES:.0f} min, median of {RUNS} (slowest)")
        for words, measured in (("nothing cached", first), ("library cached", again)):
            for what, seconds in zip(("seen as a picture", "alive"), zip(*measured, strict=True), strict=True):
                print(f"  {words}, {what:<18} {statistics.median(seconds):.2f} s ({max(seconds):.2f} s)")
        print(f"  answer of the server {sent_s:.2f} s, {size_mb:.2f} MB")
    finally:
        shutil.rmtree(root, ignore_errors=True)


def write_build_with_an_hour(root):
    (root / "van").mkdir()
    write_build(root / "van")
    import_logs(BuildFolder(root / "van"), [write_small_log(root / "hour.log", duration_s=MINUTES * 60.0)])


if __name__ == "__main__":
    main()

"""``logan import`` of a one-hour candump log, from start to end of the command: clock, processor, and the floor.

Run by hand: ``python -m tests.benchmarks.ingest.import_hour [--rounds 5]``. The log is a drive of the demo's
vehicle, cut at one hour (12 messages, 29 channels, 10 MB), with the demo's settings, DBC and channel map; the
library is empty each time, the log lies in the page cache, and logan's modules lie there compiled, as pip and a
first run leave them. Printed beside it: what Python, numpy and the command line take alone, which no import can
do without.
"""

from __future__ import annotations

import argparse
import os
import shutil
import statistics
import subprocess
import sys
import time
from pathlib import Path

from tests.benchmarks.ingest.generator import CACHE, into_page_cache
from tests.pipeline.twin_fleet import write_fleet

GOAL_S = 1.2
HOUR_S = 3600.0
COMPILED = {key: value for key, value in os.environ.items() if key != "PYTHONDONTWRITEBYTECODE"} | {
    "PYTHONPYCACHEPREFIX": str(CACHE / "bytecode")
}


def write_build_with_log() -> tuple[Path, Path]:
    """Write a build and its log of one hour, once."""
    folder = CACHE / "import-hour" / "van-001"
    log = folder / "logs" / "hour.log"
    if not log.exists():
        shutil.rmtree(folder.parent, ignore_errors=True)
        (longer,) = (write_fleet(folder.parent, vehicles=1, drives=1, duration_s=HOUR_S) / "van-001/logs").glob("*.log")
        lines = longer.read_text("ascii").splitlines(keepends=True)
        end_s = float(lines[0][1:].split(")")[0]) + HOUR_S
        log.write_text("".join(line for line in lines if float(line[1:].split(")")[0]) < end_s), "ascii")
        longer.unlink()
    return folder, log


def run(*command: str) -> tuple[float, float]:
    """Seconds by the clock, and of the processor, of a process from start to end."""
    before = os.times()
    start_s = time.perf_counter()
    subprocess.run([sys.executable, *command], check=True, capture_output=True, env=COMPILED)
    clock_s, after = time.perf_counter() - start_s, os.times()
    return clock_s, after.children_user + after.children_system - before.children_user - before.children_system


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=5)
    rounds = parser.parse_args().rounds
    folder, log = write_build_with_log()
    into_page_cache(log)
    floor, whole = [], []
    for _ in range(rounds + 1):
        floor.append(run("-c", "import numpy, typer, logan.cli.main"))
        shutil.rmtree(folder / "drives", ignore_errors=True)
        whole.append(run("-m", "logan", "import", str(log), "-b", str(folder), "--yes"))
    print(f"{log.stat().st_size / 1e6:.1f} MB, {sum(1 for _ in log.open('rb')):,} frames; seconds, best and median:")
    for name, times in (("Python, numpy, command line", floor), (f"logan import (goal {GOAL_S})", whole)):
        clocks, processors = zip(*times[1:], strict=True)  # the first compiled
        print(
            f"{name}: clock {min(clocks):.2f} {statistics.median(clocks):.2f}; "
            f"processor {min(processors):.2f} {statistics.median(processors):.2f}"
        )


if __name__ == "__main__":
    main()

"""A one-hour candump log in a process of its own: time from start to end, and peak memory.

Run by hand: ``python -m tests.benchmarks.ingest.cold_process [--rounds 3]``. The log lies in the page
cache and the DBC's plan in the plan cache; Python, numpy and logan are imported within the time.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import time
from pathlib import Path

from tests.benchmarks.ingest.generator import CACHE, KEEP_RAW, PEAK_MB, into_page_cache, write_dbc, write_log

WORK = {
    "all signals": (
        450,
        "from logan.pipeline.ingest import read_logs; from logan.pipeline.logs_reader import Reading; "
        "s = read_logs([log], Reading(dbcs=[dbc], threads=n)).signals",
    ),
    "raw columns": (200, KEEP_RAW),
}
GOAL_S = {1: 2.5, 2: 2.0}


def run(code: str, log: Path, dbc: Path, threads: int) -> tuple[float, float]:
    """Seconds of the process, and its peak memory in MB."""
    out = CACHE / "cold.frames"
    out.unlink(missing_ok=True)
    script = (
        "from pathlib import Path\n"
        f"log, dbc, out, n = Path({str(log)!r}), Path({str(dbc)!r}), Path({str(out)!r}), {threads}\n"
        f"{code}\n"
        f"print({PEAK_MB})"
    )
    start_s = time.perf_counter()
    done = subprocess.run([sys.executable, "-c", script], check=True, capture_output=True, text=True)
    return time.perf_counter() - start_s, float(done.stdout)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--seconds", type=int, default=3600)
    arguments = parser.parse_args()
    log, dbc = write_log(".log", arguments.seconds), write_dbc()
    into_page_cache(log)
    for name, (goal_mb, code) in WORK.items():
        for threads, goal_s in GOAL_S.items():
            results = [run(code, log, dbc, threads) for _ in range(arguments.rounds)]
            best_s, peak_mb = min(s for s, _ in results), max(mb for _, mb in results)
            print(
                f"{name}, {threads} thread(s): {best_s:.2f} s (goal {goal_s}), peak {peak_mb:.0f} MB (goal {goal_mb})",
                flush=True,
            )


if __name__ == "__main__":
    main()

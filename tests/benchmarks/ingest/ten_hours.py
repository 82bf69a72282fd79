"""A ten-hour candump log (2.5 GB) to raw columns and to Parquet, against a one-hour log: time and peak memory.

Run by hand: ``python -m tests.benchmarks.ingest.ten_hours``; it writes about 4 GB below ``.test-cache``.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

from tests.benchmarks.ingest.generator import CACHE, KEEP_RAW, PEAK_MB, into_page_cache, write_dbc, write_log

WORK = {
    "raw columns": (8, KEEP_RAW),
    "Parquet": (
        18,
        "from logan.pipeline.frame_store import export_parquet, Reading; "
        "export_parquet([log], out, Reading(dbcs=[dbc], threads=2))",
    ),
}
MAX_MB, MAX_RATIO = 512, 1.6


def run(code: str, log: Path, dbc: Path) -> tuple[float, float, float]:
    """Seconds, peak memory and size of the output in MB."""
    out = CACHE / "ten-hours.out"
    script = (
        "from pathlib import Path; import time\n"
        f"log, dbc, out, n = Path({str(log)!r}), Path({str(dbc)!r}), Path({str(out)!r}), 2\n"
        f"t = time.perf_counter()\n{code}\n"
        f"print(time.perf_counter() - t, {PEAK_MB})"
    )
    try:
        done = subprocess.run([sys.executable, "-c", script], check=True, capture_output=True, text=True)
        size = sum(path.stat().st_size for path in out.rglob("*")) if out.is_dir() else out.stat().st_size
    finally:
        shutil.rmtree(out, ignore_errors=True) if out.is_dir() else out.unlink(missing_ok=True)
    seconds, peak_mb = map(float, done.stdout.split())
    return seconds, peak_mb, size / 1e6


def main() -> None:
    dbc = write_dbc()
    one, ten = write_log(".log", 3600), write_log(".log", 36_000)
    for path in (one, ten):
        print(f"{path.name}: {path.stat().st_size / 1e9:.2f} GB, read once in {into_page_cache(path):.1f} s")
    for name, (goal_s, code) in WORK.items():
        one_s, one_mb, _ = run(code, one, dbc)
        ten_s, ten_mb, size_mb = run(code, ten, dbc)
        print(
            f"{name}: one hour {one_s:.2f} s, {one_mb:.0f} MB; ten hours {ten_s:.1f} s (goal {goal_s}), "
            f"{ten_mb:.0f} MB (goal {MAX_MB}), {ten_mb / one_mb:.2f} times (goal {MAX_RATIO}), out {size_mb:.0f} MB",
            flush=True,
        )


if __name__ == "__main__":
    main()

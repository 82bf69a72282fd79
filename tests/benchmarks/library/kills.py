"""Kill an import at random instants, many times over, and look at the library after each.

Run: python -m tests.benchmarks.library.kills [kills]
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

import numpy as np

from tests.drive_library.importers import assert_whole, import_drives, start, stored_bytes, write_logs


def main(kills: int = 200) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder, logs = Path(name) / "drives", Path(name) / "logs"
        write_logs(logs, range(1, kills + 10))
        import_drives(folder, (1,), logs)
        typical = []
        for seed in (2, 3, 4):
            began = time.perf_counter()
            start(import_drives, folder, (seed,), logs).join()
            typical.append(time.perf_counter() - began)
        longest_s, rng, outcomes = 1.1 * max(typical), np.random.default_rng(20), Counter()
        for seed in range(5, kills + 5):
            before = stored_bytes(folder)
            process = start(import_drives, folder, (seed,), logs)
            time.sleep(rng.uniform(0.0, longest_s))
            process.kill()
            process.join()
            leftovers = sum(path.name != "lock" for path in (folder / ".incoming").iterdir())
            there = assert_whole(folder, before, seed)
            outcomes[
                "finished before the kill"
                if process.exitcode == 0
                else "killed: whole"
                if there
                else "killed: no trace"
            ] += 1
            outcomes["of which with files half-written"] += leftovers > 0
        print(f"one import takes {min(typical) * 1e3:.0f} to {max(typical) * 1e3:.0f} ms with its start")
        print(f"{kills} kills, library whole after each: {dict(outcomes)}")


if __name__ == "__main__":
    main(*(int(argument) for argument in sys.argv[1:]))

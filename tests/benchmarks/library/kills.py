"""Kill imports at random instants, many times over, and look at the library after each.

Run: python -m tests.benchmarks.library.kills [kills]

Three quarters of the kills hit the storing of a drive with its log and frames, a quarter hits the
whole import of a log: reading, analysing, storing. An import that ends before its kill does not count.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from multiprocessing.process import BaseProcess
from multiprocessing.synchronize import Event
from pathlib import Path

import numpy as np

from logan.drive_library.repository import DriveLibrary
from logan.pipeline.builds import BuildFolder
from logan.pipeline.importing import import_logs
from tests.drive_library.importers import assert_whole, context, import_drives, stored_bytes, write_logs
from tests.pipeline.twin_fleet import write_fleet


def import_log(build: Path, log: Path) -> None:
    import_logs(BuildFolder(build), [log])


def announced(begun: Event, work: Callable[..., None], *arguments: object) -> None:
    begun.set()
    work(*arguments)


def begin(work: Callable[..., None], *arguments: object) -> BaseProcess:
    """Start work in a process of its own; returns when it begins, so that no kill is spent on the start."""
    preload = ["tests.drive_library.importers", "tests.pipeline.twin_fleet", "logan.pipeline.importing"]
    preload += ["pyarrow.parquet", "scipy.optimize", "scipy.signal", "cantools"]
    forked = context()
    forked.set_forkserver_preload(preload)
    begun = forked.Event()
    process = forked.Process(target=announced, args=(begun, work, *arguments))
    process.start()
    begun.wait()
    return process


def typical_s(start: Callable[[int], BaseProcess]) -> float:
    spent = []
    for seed in (2, 3, 4):
        process, began = start(seed), time.perf_counter()
        process.join()
        spent.append(time.perf_counter() - began)
    return float(np.median(spent))


def kill_at_random(
    kills: int, folder: Path, start: Callable[[int], BaseProcess], check: Callable[[dict[str, bytes], int], bool]
) -> None:
    """Begin imports and kill them, until so many were really killed."""
    longest_s, rng, outcomes, seed = typical_s(start), np.random.default_rng(20), Counter(), 4
    while outcomes["killed"] < kills:
        seed += 1
        before = stored_bytes(folder)
        process = start(seed)
        time.sleep(rng.uniform(0.0, longest_s))
        process.kill()
        process.join()
        if process.exitcode == 0:
            outcomes["ended before its kill"] += 1
            check(before, seed)
            continue
        outcomes["killed"] += 1
        outcomes["of which with half-written files"] += any(
            path.name != "lock" for path in (folder / ".incoming").iterdir()
        )
        outcomes["drive whole" if check(before, seed) else "no trace"] += 1
    print(f"an import takes {longest_s * 1e3:.0f} ms; library whole after each: {dict(outcomes)}", flush=True)


def kill_storing(kills: int, place: Path) -> None:
    folder, logs = place / "drives", place / "logs"
    write_logs(logs, range(1, 4 * kills + 10))
    import_drives(folder, (1,), logs)
    kill_at_random(
        kills,
        folder,
        lambda seed: begin(import_drives, folder, (seed,), logs),
        lambda before, seed: assert_whole(folder, before, seed),
    )


def kill_whole_imports(kills: int, place: Path) -> None:
    build = write_fleet(place, vehicles=1, drives=3 * kills + 10, duration_s=60.0) / "van-001"
    folder = build / "drives"

    def start(seed: int) -> BaseProcess:
        return begin(import_log, build, build / "logs" / f"{seed:03d}.log")

    def check(before: dict[str, bytes], seed: int) -> bool:
        with DriveLibrary.open(folder, create=True) as library:
            assert library.check().is_whole
            after = stored_bytes(folder)
            assert {name: after.get(name) for name in before} == before
            fresh = set(after) - set(before)
            assert len(fresh) in (0, 2), fresh  # the drive and its frames, or neither
            assert all(record.summary.fingerprint for record in library.drives())
        return bool(fresh)

    import_log(build, build / "logs" / "001.log")
    kill_at_random(kills, folder, start, check)


def main(kills: int = 200) -> None:
    with tempfile.TemporaryDirectory() as name:
        for part in ("storing", "importing"):
            (Path(name) / part).mkdir()
        kill_storing(kills - kills // 4, Path(name) / "storing")
        kill_whole_imports(kills // 4, Path(name) / "importing")


if __name__ == "__main__":
    main(*(int(argument) for argument in sys.argv[1:]))

"""A library of a thousand drives: listing, one channel, one metric over all, and bytes per drive-hour.

Run: python -m tests.benchmarks.library.thousand_drives [drives]

The drives are an hour of the twin each, with fresh noise on every channel so that no two
files are alike; page cache warm, best of five and the worst.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np

from logan.demo.conversion import write_build
from logan.demo.routes import mixed_route
from logan.demo.twin import TwinVehicle, drive_twin
from logan.drive.drive import Drive, LogSource
from logan.drive_library.records import DriveSummary
from logan.drive_library.repository import DriveLibrary
from logan.pipeline.builds import BuildFolder
from logan.pipeline.stored import analysis_fingerprint
from logan.results import Estimate

BASE_DRIVES = 10
METRICS = 40


def base_drives() -> list[Drive]:
    drives = []
    for seed in range(BASE_DRIVES):
        rng = np.random.default_rng(seed)
        drives.append(drive_twin(TwinVehicle(), mixed_route(rng), rng=rng).to_drive())
    return drives


def variant(drive: Drive, number: int) -> Drive:
    """The same drive with whole-nanosecond times, as a log has them, and least bits of its own."""
    rng = np.random.default_rng(number)
    axes: dict[bytes, np.ndarray] = {}
    channels = {}
    for name, channel in drive.channels.items():
        key = channel.time_s.tobytes()
        if key not in axes:
            axes[key] = np.rint(channel.time_s * 1e6).astype(np.int64) * 1000 / 1e9
        step = np.diff(np.unique(channel.value[:2000]))
        noise = rng.integers(-1, 2, channel.value.size) * (float(step.min()) if step.size else 0.0)
        channels[name] = replace(channel, time_s=axes[key], value=channel.value + noise)
    source = LogSource(name=f"{number}.log", sha256=f"{number:064x}", size_bytes=1, log_format="candump")
    return replace(drive, channels=channels, sources=(source,), start_ns=drive.start_ns + number * 10**14)


def summary(number: int, fingerprint: str) -> DriveSummary:
    metrics = {
        f"metric_{index}_wh": Estimate(100.0 + number + index, "Wh", 1.0, "measured", 0.99) for index in range(METRICS)
    }
    metrics["net_wh_per_km"] = Estimate(150.0 + number % 50, "Wh/km", 2.0, "measured", 0.99)
    return DriveSummary(distance_m=5e4, grade="A", flag_counts={"amber": 1}, metrics=metrics, fingerprint=fingerprint)


def timed(work: Callable[[], object], rounds: int = 5) -> tuple[float, float]:
    spent = []
    for _ in range(rounds):
        began = time.perf_counter()
        work()
        spent.append(time.perf_counter() - began)
    return min(spent), max(spent)


def report(label: str, spent: tuple[float, float]) -> None:
    print(f"{label:46s} {spent[0] * 1e3:8.1f} ms   worst {spent[1] * 1e3:8.1f} ms")


def main(count: int = 1000) -> None:
    bases = base_drives()
    with tempfile.TemporaryDirectory() as name:
        write_build(Path(name))
        build, folder = BuildFolder(Path(name)), Path(name) / "drives"
        fingerprint = analysis_fingerprint(build.settings(), bases[0].conditions)
        with DriveLibrary.open(folder, create=True) as library:
            spent = []
            for number in range(1, count + 1):
                drive = variant(bases[number % BASE_DRIVES], number)
                began = time.perf_counter()
                library.add(drive, summary=summary(number, fingerprint))
                spent.append(time.perf_counter() - began)
            print(f"added {count} drives: median {np.median(spent) * 1e3:.0f} ms, worst {max(spent) * 1e3:.0f} ms each")
            hours = sum(record.duration_s for record in library.drives()) / 3600.0
            stored = sum(record.size_bytes for record in library.drives())
            points = sum(channel.value.size for channel in bases[0].channels.values())
            print(
                f"{stored / hours / 1e6:.3f} MB per drive-hour ({points} samples of {len(bases[0].channels)} channels)"
            )
            print(f"index {(folder / 'index.sqlite').stat().st_size / 1e6:.1f} MB")
            report("one channel of one drive", timed(lambda: library.load(count // 2, ["pack_current"])))
            report("all channels of one drive", timed(lambda: library.load(count // 2)))
            report("one metric over all drives", timed(lambda: library.metric("metric_7_wh")))
            report("records of all drives", timed(library.drives))
            report("one channel of all drives", timed(lambda: channel_of_all(library, count), 1))
            report("rebuild the index", timed(library.rebuild, 1))
            report("check every byte", timed(library.check, 1))
        report("open and list", timed(lambda: open_and_list(folder)))
        command = [sys.executable, "-m", "logan", "drives", "--build", name]
        report(
            "logan drives, in a fresh process",
            timed(lambda: subprocess.run(command, check=True, stdout=subprocess.DEVNULL), 10),
        )
        report(
            "import numpy, in a fresh process",
            timed(lambda: subprocess.run([sys.executable, "-c", "import numpy"], check=True), 10),
        )


def channel_of_all(library: DriveLibrary, count: int) -> None:
    for number in range(1, count + 1):
        library.load(number, ["pack_current"])


def open_and_list(folder: Path) -> None:
    with DriveLibrary.open(folder) as library:
        library.drives()


if __name__ == "__main__":
    main(*(int(argument) for argument in sys.argv[1:]))

"""Time to check one hour of forty channels at 10 Hz, beside the time to read those numbers from a CSV.

    python -m tests.benchmarks.quality.speed

Both are measured in turn in one process, best of five, so that the ratio means something on
a busy machine too.
"""

from __future__ import annotations

import io
import time
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pandas as pd

from logan.drive.drive import Drive
from logan.quality import DETECTORS, find_flags
from logan.quality.survey import DriveSurvey
from tests.benchmarks.quality.clean import clean_drive

CHANNELS = 40
HOUR_S = 3600.0


def hour_of_forty_channels() -> Drive:
    """One clean hour; every channel at 10 Hz, temperatures and cell voltages doubled up to forty."""
    drive, _ = clean_drive("mixed, 10 Hz")
    time_s = np.arange(1.0, 1.0 + HOUR_S, 0.1)
    rng = np.random.default_rng(4)
    channels = {}
    for name, channel in drive.channels.items():
        value = np.interp(time_s, channel.time_s, channel.value)
        channels[name] = replace(channel, time_s=time_s, value=value)
    number = 2
    while len(channels) < CHANNELS:
        for name in ("motor_temperature", "inverter_temperature", "coolant_temperature", "wheel_speed"):
            source = channels["speed" if name == "wheel_speed" else name]
            value = source.value + np.round(rng.normal(0.0, 0.05, time_s.size), 2)
            channels[f"{name}_{number}"] = replace(source, name=f"{name}_{number}", value=value)
        number += 1
    return Drive(channels=dict(list(channels.items())[:CHANNELS]), start_ns=drive.start_ns, conditions=drive.conditions)


def best_of(count: int, work: Callable[[], object]) -> float:
    """Shortest of several runs [s]."""
    return min(_timed(work) for _ in range(count))


def _timed(work: Callable[[], object]) -> float:
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def main() -> None:
    """Print the total, the ratio to reading a CSV, and the slowest detectors."""
    drive, (_, build) = hour_of_forty_channels(), clean_drive("mixed, 10 Hz")
    samples = sum(channel.value.size for channel in drive.channels.values())
    table = pd.DataFrame({name: channel.value for name, channel in drive.channels.items()})
    text = table.to_csv(index=False)
    check_s = best_of(5, lambda: find_flags(drive, build))
    read_s = best_of(3, lambda: pd.read_csv(io.StringIO(text)))
    print(f"{samples / 1e6:.2f} million samples in {len(drive.channels)} channels")
    print(f"checked in {check_s:.2f} s; reading them from CSV takes {read_s:.2f} s ({check_s / read_s:.2f} of it)")
    survey = DriveSurvey(drive, build)
    slowest = sorted(((_timed(lambda d=d: list(d.detect(survey))), d.code) for d in DETECTORS), reverse=True)[:12]
    for taken_s, code in slowest:
        print(f"  {1000 * taken_s:6.1f} ms  {code}")


if __name__ == "__main__":
    main()

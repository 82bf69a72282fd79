"""How long one hour of forty channels takes, and what exact windows cost against plain numpy.

Run: python -m tests.benchmarks.metrics.speed
"""

from __future__ import annotations

import time

import numpy as np

from logan.analysis import analyse_drive, check_drive
from logan.metrics.duration_curve import window_maxima
from tests.twin_drives import build_of, hour_of, twin_drive

REPEATS = 3


def best_s(work, clock=time.process_time) -> float:
    """Least of a few runs: the machine is shared."""
    spent = []
    for _ in range(REPEATS):
        before = clock()
        work()
        spent.append(clock() - before)
    return min(spent)


def brute_force(time_s, value, window_s, step_s=0.01):
    """Highest RMS on a hundredth of a second's grid."""
    fine_s = np.arange(time_s[0], time_s[-1], step_s)
    running = np.concatenate(([0.0], np.cumsum(np.interp(fine_s, time_s, value) ** 2))) * step_s
    count = round(window_s / step_s)
    return float(np.sqrt(np.max(running[count:] - running[:-count]) / window_s))


def main() -> None:
    twin = twin_drive("mixed", 0, duration_s=900.0)
    hour, build = hour_of(twin.to_drive()), build_of(twin.vehicle)
    spent, checked = best_s(lambda: analyse_drive(hour, build)), best_s(lambda: check_drive(hour, build))
    samples = sum(channel.time_s.size for channel in hour.channels.values())
    print(
        f"analyse_drive: {hour.duration_s:.0f} s, {len(hour.channels)} channels, {samples:,} samples: "
        f"{spent:.2f} s of one core"
    )
    print(f"of it, checking the data: {checked:.2f} s")
    current = hour["pack_current"]
    magnitude = np.abs(current.value)
    windows_s = (1.0, 10.0, 60.0, 600.0)
    exact = best_s(lambda: window_maxima(current.time_s, magnitude, windows_s, max_gap_s=1.0))
    plain = best_s(lambda: [brute_force(current.time_s, magnitude, window_s) for window_s in windows_s])
    found = window_maxima(current.time_s, magnitude, windows_s, max_gap_s=1.0)
    off = max(abs(one.rms_a / brute_force(current.time_s, magnitude, one.window_s) - 1.0) for one in found)
    print(f"exact windows: {exact * 1e3:.0f} ms; fine grid: {plain * 1e3:.0f} ms, {plain / exact:.1f} times as long")
    print(f"largest difference of the two: {off:.1e} of the RMS")


if __name__ == "__main__":
    main()

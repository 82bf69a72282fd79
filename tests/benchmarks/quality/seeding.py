"""Tools to seed faults: replace, add, drop, and where."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from logan.drive.drive import Channel, Drive
from logan.units import FloatArray

Injector = Callable[[Drive, np.random.Generator], Drive]


def change(drive: Drive, name: str, rule: Callable[[FloatArray, FloatArray], FloatArray]) -> Drive:
    """Replace a channel's values by ``rule(time_s, value)``."""
    channel = drive[name]
    return drive.with_channels(replace(channel, value=rule(channel.time_s, np.array(channel.value))))


def put(drive: Drive, name: str, time_s: FloatArray, value: FloatArray) -> Drive:
    """Add or replace a channel."""
    return drive.with_channels(Channel(name=name, time_s=time_s, value=np.asarray(value, dtype=float), source="seeded"))


def without(drive: Drive, *names: str) -> Drive:
    """Drop channels."""
    return replace(drive, channels={key: value for key, value in drive.channels.items() if key not in names})


def moving_start(drive: Drive, rng: np.random.Generator, length_s: float, least_m_per_s: float = 6.0) -> float:
    """Start of a random stretch in which the vehicle moves throughout, or the fastest one."""
    speed = drive["speed"]
    ends = speed.time_s[-1] - length_s - 5.0
    best, best_speed = speed.time_s[0] + 5.0, -1.0
    for start_s in rng.uniform(20.0, ends, 60):
        inside = (speed.time_s >= start_s) & (speed.time_s <= start_s + length_s)
        slowest = float(np.min(speed.value[inside])) if inside.any() else 0.0
        if slowest > least_m_per_s:
            return float(start_s)
        if slowest > best_speed:
            best, best_speed = float(start_s), slowest
    return best


def lively_start(drive: Drive, rng: np.random.Generator, length_s: float, name: str) -> float:
    """Start of a random stretch in which a channel moves a lot."""
    channel = drive[name]
    best, best_spread = 20.0, -1.0
    for start_s in rng.uniform(20.0, channel.time_s[-1] - length_s - 5.0, 12):
        inside = (channel.time_s >= start_s) & (channel.time_s <= start_s + length_s)
        spread = float(np.std(channel.value[inside])) if inside.sum() > 3 else 0.0
        if spread > best_spread:
            best, best_spread = float(start_s), spread
    return best

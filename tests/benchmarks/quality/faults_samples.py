"""Faults of sampling: frozen, filled, averaged, spikes, codes, time."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from logan.drive.drive import Drive
from logan.units import FloatArray
from tests.benchmarks.quality.seeding import Injector, change, lively_start, moving_start


def freeze(name: str, length_s: tuple[float, float]) -> Injector:
    def inject(drive: Drive, rng: np.random.Generator) -> Drive:
        lasting = float(rng.uniform(*length_s))
        start = lively_start(drive, rng, lasting, name)
        if name.endswith("speed"):
            start = moving_start(drive, rng, lasting, 3.0)

        def rule(t: FloatArray, value: FloatArray) -> FloatArray:
            inside = (t >= start) & (t <= start + lasting)
            value[inside] = value[inside][0] if inside.any() else 0.0
            return value

        return change(drive, name, rule)

    return inject


def straight_filler(drive: Drive, rng: np.random.Generator) -> Drive:
    lasting = float(rng.uniform(5.0, 30.0))
    start = lively_start(drive, rng, lasting, "pack_current")

    def rule(t: FloatArray, value: FloatArray) -> FloatArray:
        inside = (t >= start) & (t <= start + lasting)
        value[inside] = np.interp(t[inside], t[~inside], value[~inside])
        return value

    for name in ("pack_current", "pack_voltage", "speed"):
        drive = change(drive, name, rule)
    return drive


def _resampled(
    drive: Drive, rule: Callable[[FloatArray, FloatArray, FloatArray], FloatArray], coarse_s: float
) -> Drive:
    """Export as a table: one time axis at 0.1 s, made from samples every ``coarse_s``."""
    end_s = min(float(channel.time_s[-1]) for channel in drive.channels.values())
    fine, coarse = np.arange(1.0, end_s, 0.1), np.arange(1.0, end_s, coarse_s)
    channels = {}
    for name, channel in drive.channels.items():
        value = np.interp(coarse, channel.time_s, channel.value)
        channels[name] = replace(channel, time_s=fine, value=rule(fine, coarse, value))
    return replace(drive, channels=channels)


def interpolated_export(drive: Drive, rng: np.random.Generator) -> Drive:
    return _resampled(
        drive, lambda fine, coarse, value: np.interp(fine, coarse, value), float(rng.choice([0.5, 1.0, 2.0, 5.0]))
    )


def staircase(drive: Drive, rng: np.random.Generator) -> Drive:
    def rule(fine: FloatArray, coarse: FloatArray, value: FloatArray) -> FloatArray:
        return value[np.clip(np.searchsorted(coarse, fine + 1e-9, side="right") - 1, 0, None)]

    return _resampled(drive, rule, float(rng.choice([0.5, 1.0, 2.0])))


def averaged(drive: Drive, rng: np.random.Generator) -> Drive:
    width = int(rng.choice([10, 20, 30, 50]))

    def rule(_: FloatArray, amp: FloatArray) -> FloatArray:
        return np.round(
            np.convolve(np.concatenate((np.full(width - 1, amp[0]), amp)), np.ones(width) / width, "valid"), 1
        )

    return change(drive, "pack_current", rule)


def spikes(drive: Drive, rng: np.random.Generator) -> Drive:
    name, size = [("pack_voltage", -300.0), ("pack_current", 1500.0), ("speed", 60.0), ("motor_temperature", 80.0),
                  ("cell_voltage_min", -2.0)][int(rng.integers(5))]  # fmt: skip
    count = int(rng.integers(1, 6))

    def rule(_: FloatArray, value: FloatArray) -> FloatArray:
        value[rng.choice(np.arange(10, value.size - 10), count, replace=False)] += size
        return value

    return change(drive, name, rule)


def not_available(drive: Drive, rng: np.random.Generator) -> Drive:
    name, code = [
        ("pack_current", 6553.5),
        ("pack_voltage", 6553.5),
        ("motor_temperature", 215.0),
        ("motor_temperature", -40.0),
        ("speed", 655.35),
        ("cell_voltage_max", 65.535),
        ("state_of_charge", 2.55),
        ("pack_voltage", 0.0),
    ][int(rng.integers(8))]
    count = int(rng.integers(3, 40))

    def rule(_: FloatArray, value: FloatArray) -> FloatArray:
        start = int(rng.integers(0, value.size - count)) if rng.uniform() < 0.6 else 0
        value[start : start + count] = code
        return value

    return change(drive, name, rule)


def impossible_value(drive: Drive, rng: np.random.Generator) -> Drive:
    name, rule = [
        ("state_of_charge", lambda _, x: 100.0 * x),
        ("barometric_pressure", lambda _, x: x / 100.0),
        ("cell_voltage_min", lambda _, x: x * 1000.0),
        ("speed", lambda _, x: x * 10.0),
        ("motor_temperature", lambda _, x: x * 10.0 + 60.0),
    ][int(rng.integers(5))]
    return change(drive, name, rule)  # type: ignore[arg-type]


def late_start(drive: Drive, rng: np.random.Generator) -> Drive:
    start_s = moving_start(drive, rng, 3.0, 5.0)
    channels = {}
    for name, channel in drive.channels.items():
        keep = channel.time_s >= start_s
        if keep.sum() >= 2:
            channels[name] = replace(channel, time_s=channel.time_s[keep], value=channel.value[keep])
    return replace(drive, channels=channels)


def wrong_bits(drive: Drive, rng: np.random.Generator) -> Drive:
    """Byte order or start bit wrong: the low byte stands where the high byte belongs."""
    name, step = [("speed", 0.01), ("pack_voltage", 0.1), ("motor_speed", 0.1), ("odometer", 100.0)][
        int(rng.integers(3))
    ]
    swapped = rng.uniform() < 0.6

    def rule(_: FloatArray, value: FloatArray) -> FloatArray:
        raw = np.round(np.abs(value) / step).astype(np.int64) & 0xFFFF
        raw = ((raw & 0xFF) << 8 | raw >> 8) if swapped else (raw & 0xFF)
        return raw * step

    return change(drive, name, rule)


def lost(drive: Drive, rng: np.random.Generator) -> Drive:
    share = float(rng.uniform(0.03, 0.3))
    channels = {}
    for name, channel in drive.channels.items():
        keep = rng.uniform(size=channel.time_s.size) >= share
        channels[name] = replace(channel, time_s=channel.time_s[keep], value=channel.value[keep])
    return replace(drive, channels=channels)


def gap(drive: Drive, rng: np.random.Generator) -> Drive:
    start, lasting = moving_start(drive, rng, 30.0), float(rng.uniform(4.0, 60.0))
    channels = {}
    for name, channel in drive.channels.items():
        keep = (channel.time_s < start) | (channel.time_s > start + lasting)
        channels[name] = replace(channel, time_s=channel.time_s[keep], value=channel.value[keep])
    return replace(drive, channels=channels)


def shifted(name: str, low_s: float, high_s: float) -> Injector:
    def inject(drive: Drive, rng: np.random.Generator) -> Drive:
        lag_s = float(rng.choice([-1.0, 1.0]) * rng.uniform(low_s, high_s))
        channel = drive[name]
        return drive.with_channels(replace(channel, time_s=channel.time_s + lag_s))

    return inject


def clock_drift(drive: Drive, rng: np.random.Generator) -> Drive:
    rate = float(rng.choice([-1.0, 1.0]) * rng.uniform(700e-6, 2000e-6))
    channel = drive["gnss_speed"]
    return drive.with_channels(replace(channel, time_s=channel.time_s * (1.0 + rate)))


def cut(drive: Drive, rng: np.random.Generator) -> Drive:
    end_s = moving_start(drive, rng, 3.0, 5.0) + 3.0
    channels = {}
    for name, channel in drive.channels.items():
        keep = channel.time_s < end_s
        if keep.sum() >= 2:
            channels[name] = replace(channel, time_s=channel.time_s[keep], value=channel.value[keep])
    return replace(drive, channels=channels)

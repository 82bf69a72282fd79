"""Faults of current and voltage."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from logan.drive.drive import Drive
from tests.benchmarks.quality.seeding import change, lively_start, moving_start, put, without


def reversed_sign(drive: Drive, rng: np.random.Generator) -> Drive:
    return change(drive, "pack_current", lambda _, a: -a)


def magnitude_only(drive: Drive, rng: np.random.Generator) -> Drive:
    return change(drive, "pack_current", lambda _, a: np.abs(a))


def unsigned_wrap(drive: Drive, rng: np.random.Generator) -> Drive:
    step = float(rng.choice([0.1, 0.05, 0.02, 0.5]))
    return change(drive, "pack_current", lambda _, a: np.mod(np.round(a / step), 65_536) * step)


def sign_unresolved(drive: Drive, rng: np.random.Generator) -> Drive:
    """Voltage says one sign and the motion another: V and I from different poles of a split pack."""
    level = float(np.median(drive["pack_voltage"].value))
    return change(drive, "pack_voltage", lambda _, v: 2.0 * level - v)


def zero_offset(drive: Drive, rng: np.random.Generator) -> Drive:
    offset = float(rng.choice([-1.0, 1.0]) * rng.uniform(1.0, 5.0))
    return change(drive, "pack_current", lambda _, a: a + offset)


def zero_offset_without_loads(drive: Drive, rng: np.random.Generator) -> Drive:
    offset = float(rng.choice([-1.0, 1.0]) * rng.uniform(3.0, 8.0))
    return change(without(drive, "dcdc_power"), "pack_current", lambda _, a: a + offset)


def zero_offset_open_contactors(drive: Drive, rng: np.random.Generator) -> Drive:
    """Two minutes of key-on with the contactors open before the drive."""
    offset = float(rng.choice([-1.0, 1.0]) * rng.uniform(0.5, 3.0))
    late = {name: replace(c, time_s=c.time_s + 120.0) for name, c in drive.channels.items()}
    drive = replace(drive, channels=late)
    before = np.arange(0.0, 120.0, 0.1)
    amp = drive["pack_current"]
    drive = put(drive, "pack_current", np.concatenate((before, amp.time_s)),
                np.concatenate((np.round(rng.normal(0.0, 0.2, before.size), 1), amp.value)) + offset)  # fmt: skip
    closed = drive["contactor_closed"]
    early = np.arange(0.0, 120.0, 1.0)
    return put(drive, "contactor_closed", np.concatenate((early, closed.time_s)),
               np.concatenate((np.zeros(early.size), closed.value)))  # fmt: skip


def offset_drift(drive: Drive, rng: np.random.Generator) -> Drive:
    total = float(rng.choice([-1.0, 1.0]) * rng.uniform(2.0, 6.0))
    return change(drive, "pack_current", lambda t, a: a + total * (t - t[0]) / (t[-1] - t[0]))


def saturated(drive: Drive, rng: np.random.Generator) -> Drive:
    top = float(np.round(np.quantile(drive["pack_current"].value, rng.uniform(0.90, 0.96)), 1))
    return change(drive, "pack_current", lambda _, a: np.minimum(a, top))


def saturated_regen(drive: Drive, rng: np.random.Generator) -> Drive:
    low = float(np.round(np.quantile(drive["pack_current"].value, rng.uniform(0.03, 0.06)), 1))
    return change(drive, "pack_current", lambda _, a: np.maximum(a, min(low, -25.0)))


def gain_against_gauge(drive: Drive, rng: np.random.Generator) -> Drive:
    gain = float(rng.choice([0.75, 0.8, 1.25, 1.35]))
    return change(drive, "pack_current", lambda _, a: a * gain)


def gain_against_count(drive: Drive, rng: np.random.Generator) -> Drive:
    amp = drive["pack_current"]
    counted = np.concatenate(([0.0], np.cumsum(0.5 * (amp.value[1:] + amp.value[:-1]) * np.diff(amp.time_s)))) / 3600.0
    drive = put(drive, "pack_charge", amp.time_s[::10], np.round(counted[::10], 2))
    gain = float(rng.choice([0.9, 0.94, 1.06, 1.1]))
    return change(drive, "pack_current", lambda _, a: a * gain)


def more_than_the_pack(drive: Drive, rng: np.random.Generator) -> Drive:
    """As where milliseconds are taken for seconds: a thousand times the energy."""
    return change(drive, "pack_current", lambda _, a: a * 1000.0)


def impossible_power(drive: Drive, rng: np.random.Generator) -> Drive:
    start = lively_start(drive, rng, 4.0, "pack_current")
    return change(drive, "pack_current", lambda t, a: np.where((t > start) & (t < start + 4.0), 900.0 + 0.1 * a, a))


def impossible_acceleration(drive: Drive, rng: np.random.Generator) -> Drive:
    start = moving_start(drive, rng, 30.0)
    return change(drive, "speed", lambda t, v: np.where((t > start) & (t < start + 20.0), v + 9.0, v))


def current_zero(drive: Drive, rng: np.random.Generator) -> Drive:
    start = moving_start(drive, rng, 60.0)
    return change(drive, "pack_current", lambda t, a: np.where((t > start) & (t < start + 60.0), 0.0, a))


def voltage_factor(drive: Drive, rng: np.random.Generator) -> Drive:
    factor = float(rng.choice([10.0, 0.1, 1.0 / 96.0, 1000.0, 0.5, 2.0]))
    return change(drive, "pack_voltage", lambda _, v: v * factor)


def cells_mismatch(drive: Drive, rng: np.random.Generator) -> Drive:
    gain = float(rng.choice([0.96, 0.98, 1.02, 1.03, 1.05]))
    return change(drive, "pack_voltage", lambda _, v: v * gain)


def module_bypassed(drive: Drive, rng: np.random.Generator) -> Drive:
    gain = float(rng.choice([0.875, 0.9, 1.0 + 1 / 8]))
    drive = change(drive, "cell_voltage_min", lambda _, v: v * gain)
    return change(change(drive, "cell_voltage_max", lambda _, v: v * gain), "pack_voltage", lambda _, v: v * gain)


def soc_jump(drive: Drive, rng: np.random.Generator) -> Drive:
    start, size = (
        float(rng.uniform(5.0, drive.duration_s - 60.0)),
        float(rng.choice([-1.0, 1.0]) * rng.uniform(0.03, 0.1)),
    )
    return change(drive, "state_of_charge", lambda t, s: np.where(t < start, s + size, s))


def soc_reset_at_start(drive: Drive, rng: np.random.Generator) -> Drive:
    return change(drive, "state_of_charge", lambda t, s: np.where(t < t[0] + rng.uniform(5.0, 30.0), 0.5, s))


def soc_stuck(drive: Drive, rng: np.random.Generator) -> Drive:
    return change(drive, "state_of_charge", lambda _, s: np.full(s.shape, s[0]))


def soc_circular(drive: Drive, rng: np.random.Generator) -> Drive:
    amp = drive["pack_current"]
    counted = np.concatenate(([0.0], np.cumsum(0.5 * (amp.value[1:] + amp.value[:-1]) * np.diff(amp.time_s)))) / 3600.0
    soc = 0.9 - counted / float(rng.uniform(150.0, 210.0))
    return put(drive, "state_of_charge", amp.time_s[::10], np.round(soc[::10], 4))


def soc_coarse(drive: Drive, rng: np.random.Generator) -> Drive:
    return change(drive, "state_of_charge", lambda _, s: np.round(s / 0.01) * 0.01)


def soc_rises(drive: Drive, rng: np.random.Generator) -> Drive:
    size = float(rng.uniform(0.09, 0.15))
    return change(
        drive,
        "state_of_charge",
        lambda t, s: np.round((s + size * np.clip((t - 0.4 * t[-1]) / (0.35 * t[-1]), 0, 1)), 3),
    )

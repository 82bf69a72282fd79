"""Faults to seed into clean drives: one or more injectors per detector, with random size and place."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from logan.drive.drive import Channel, Drive, DriveConditions
from logan.units import FloatArray

Injector = Callable[[Drive, np.random.Generator], Drive]


@dataclass(frozen=True, slots=True)
class Fault:
    """A fault: the code that must be flagged, how it is seeded, and channels a drive must have."""

    code: str
    inject: Injector
    needs: tuple[str, ...] = ()
    routes: tuple[str, ...] = ()
    """Names of clean cases to seed it into; empty takes the standard ones."""
    name: str = ""


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


# --- current -----------------------------------------------------------------------------------


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


def impossible_power(drive: Drive, rng: np.random.Generator) -> Drive:
    start = lively_start(drive, rng, 4.0, "pack_current")
    return change(drive, "pack_current", lambda t, a: np.where((t > start) & (t < start + 4.0), 900.0 + 0.1 * a, a))


def impossible_acceleration(drive: Drive, rng: np.random.Generator) -> Drive:
    start = moving_start(drive, rng, 30.0)
    return change(drive, "speed", lambda t, v: np.where((t > start) & (t < start + 20.0), v + 9.0, v))


def current_zero(drive: Drive, rng: np.random.Generator) -> Drive:
    start = moving_start(drive, rng, 60.0)
    return change(drive, "pack_current", lambda t, a: np.where((t > start) & (t < start + 60.0), 0.0, a))


# --- voltage -----------------------------------------------------------------------------------


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


# --- frozen, filled, repeated, averaged ----------------------------------------------------------


def _freeze(name: str, length_s: tuple[float, float]) -> Injector:
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


def frozen_tail(drive: Drive, rng: np.random.Generator) -> Drive:
    cut = moving_start(drive, rng, 2.0) + 1.0
    lasting = float(rng.uniform(12.0, 60.0))
    channels = {}
    for name, channel in drive.channels.items():
        keep = channel.time_s < cut + lasting
        time_s, value = channel.time_s[keep], np.array(channel.value[keep])
        before = np.flatnonzero(time_s <= cut)
        value[time_s > cut] = value[before[-1]] if before.size else value[0]
        channels[name] = replace(channel, time_s=time_s, value=value)
    return replace(drive, channels=channels)


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


# --- spikes, codes, bits -------------------------------------------------------------------------


def spikes(drive: Drive, rng: np.random.Generator) -> Drive:
    name, size = [("pack_voltage", -300.0), ("pack_current", 1500.0), ("speed", 60.0), ("motor_temperature", 80.0),
                  ("cell_voltage_min", -2.0)][int(rng.integers(5))]  # fmt: skip
    count = int(rng.integers(1, 6))

    def rule(_: FloatArray, value: FloatArray) -> FloatArray:
        value[rng.choice(np.arange(10, value.size - 10), count, replace=False)] += size
        return value

    return change(drive, name, rule)


def not_available(drive: Drive, rng: np.random.Generator) -> Drive:
    name, code = [("pack_current", 6553.5), ("pack_voltage", 6553.5), ("motor_temperature", 215.0), ("motor_temperature", -40.0),
                  ("speed", 655.35), ("cell_voltage_max", 65.535), ("state_of_charge", 2.55),
                  ("pack_voltage", 0.0)][int(rng.integers(8))]  # fmt: skip
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


# --- time ----------------------------------------------------------------------------------------


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


# --- units ---------------------------------------------------------------------------------------


def fahrenheit(drive: Drive, rng: np.random.Generator) -> Drive:
    name = str(rng.choice(["ambient_temperature", "pack_temperature", "cell_temperature_max"]))
    return change(drive, name, lambda _, x: x * 1.8 + 32.0)


def power_unit(drive: Drive, rng: np.random.Generator) -> Drive:
    amp = drive["pack_current"]
    power = drive["pack_voltage"].at(amp.time_s) * amp.value
    keep = np.isfinite(power)
    return put(drive, "pack_power", amp.time_s[keep], power[keep] * float(rng.choice([1000.0, 0.001, -1.0])))


def elevation_feet(drive: Drive, rng: np.random.Generator) -> Drive:
    return change(drive, "elevation", lambda _, x: x / 0.3048)


# --- motion --------------------------------------------------------------------------------------


def speed_unit(drive: Drive, rng: np.random.Generator) -> Drive:
    factor = float(rng.choice([1.609344, 1 / 1.609344, 2.236936, 1 / 3.6]))
    return change(drive, "speed", lambda _, v: v * factor)


def speed_scale(drive: Drive, rng: np.random.Generator) -> Drive:
    gain = float(rng.choice([0.92, 0.95, 1.05, 1.08]))
    return change(drive, "speed", lambda _, v: v * gain)


def wrong_gear(drive: Drive, rng: np.random.Generator) -> Drive:
    gain = float(rng.choice([0.9, 0.95, 1.05, 1.12]))
    return change(drive, "motor_speed", lambda _, w: w * gain)


def gear_shifts(drive: Drive, rng: np.random.Generator) -> Drive:
    """A kept gearbox: second gear below 12 m/s."""
    low = np.interp(drive["motor_speed"].time_s, drive["speed"].time_s, drive["speed"].value) < float(
        rng.uniform(11.0, 14.0)
    )
    return change(drive, "motor_speed", lambda _, w: np.where(low, 1.6 * w, w))


def wheel_spin(drive: Drive, rng: np.random.Generator) -> Drive:
    start, lasting = moving_start(drive, rng, 4.0, 4.0), float(rng.uniform(0.6, 2.5))
    size = float(rng.uniform(0.5, 1.0))

    def rule(t: FloatArray, v: FloatArray) -> FloatArray:
        inside = (t > start) & (t < start + lasting)
        return np.where(inside, v * (1.0 + size * np.sin(np.pi * np.clip((t - start) / lasting, 0.0, 1.0))) + 1.0, v)

    return change(change(drive, "speed", rule), "motor_speed", lambda t, w: rule(t, w))


def speed_dropout(drive: Drive, rng: np.random.Generator) -> Drive:
    starts = [moving_start(drive, rng, 1.0, 2.0) for _ in range(3)]

    def rule(t: FloatArray, v: FloatArray) -> FloatArray:
        for start in starts:
            v[(t > start) & (t < start + 0.5)] = 0.0
        return v

    return change(drive, "speed", rule)


def jack_stand(drive: Drive, rng: np.random.Generator) -> Drive:
    """Wheels turn in the air: no inertia, no road load, the satellites see no motion."""
    still = drive["gnss_speed"]
    drive = put(drive, "gnss_speed", still.time_s, np.abs(rng.normal(0.0, 0.05, still.time_s.size)))
    for name in ("latitude", "longitude"):
        drive = change(drive, name, lambda _, x: x[0] + rng.normal(0.0, 1e-6, x.size))
    return change(drive, "pack_current", lambda _, a: 2.0 + 0.02 * a)


def jack_stand_without_satellites(drive: Drive, rng: np.random.Generator) -> Drive:
    drive = without(jack_stand(drive, rng), "gnss_speed", "latitude", "longitude", "elevation")
    return drive


# --- place ---------------------------------------------------------------------------------------


def gnss_spike(drive: Drive, rng: np.random.Generator) -> Drive:
    if rng.uniform() < 0.5:
        at = int(rng.integers(50, drive["gnss_speed"].value.size - 50))

        def jump(_: FloatArray, v: FloatArray) -> FloatArray:
            v[at] += 25.0
            return v

        return change(drive, "gnss_speed", jump)
    index = int(rng.integers(50, drive["latitude"].value.size - 50))

    def teleport(_: FloatArray, x: FloatArray) -> FloatArray:
        x[index] += 0.003
        return x

    return change(drive, "latitude", teleport)


def frozen_position(drive: Drive, rng: np.random.Generator) -> Drive:
    lasting = float(rng.uniform(10.0, 60.0))
    start = moving_start(drive, rng, lasting)

    def rule(t: FloatArray, x: FloatArray) -> FloatArray:
        inside = (t >= start) & (t <= start + lasting)
        x[inside] = x[inside][0]
        return x

    return change(change(drive, "latitude", rule), "longitude", rule)


def elevation_jump(drive: Drive, rng: np.random.Generator) -> Drive:
    start, size = (
        float(rng.uniform(60.0, drive.duration_s - 120.0)),
        float(rng.choice([-1.0, 1.0]) * rng.uniform(25.0, 60.0)),
    )
    return change(drive, "elevation", lambda t, h: np.where((t > start) & (t < start + 60.0), h + size, h))


def barometer_step(drive: Drive, rng: np.random.Generator) -> Drive:
    """The fan is switched while the vehicle stands."""
    speed = drive["speed"]
    stood = speed.time_s[(speed.value < 0.2) & (speed.time_s > 60.0) & (speed.time_s < speed.time_s[-1] - 60.0)]
    start = float(rng.choice(stood)) if stood.size else 100.0
    return change(drive, "barometric_pressure", lambda t, p: np.where(t > start, p + 180.0, p))


def open_loop(drive: Drive, rng: np.random.Generator) -> Drive:
    rise = float(rng.choice([-1.0, 1.0]) * rng.uniform(20.0, 60.0))
    drive = change(drive, "elevation", lambda t, h: h + rise * (t - t[0]) / (t[-1] - t[0]))
    for name in ("latitude", "longitude"):
        drive = change(drive, name, lambda t, x: x + (x[0] - x[-1]) * (t - t[0]) / (t[-1] - t[0]))
    return drive


def odometer_off(drive: Drive, rng: np.random.Generator) -> Drive:
    gain = float(rng.choice([0.9, 0.94, 1.06, 1.609344]))
    return change(drive, "odometer", lambda _, x: x[0] + gain * (x - x[0]))


# --- state of charge -------------------------------------------------------------------------------


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


# --- energy and sessions ---------------------------------------------------------------------------


def too_efficient(drive: Drive, rng: np.random.Generator) -> Drive:
    return change(drive, "pack_current", lambda _, a: a * float(0.7))


def too_efficient_without_torque(drive: Drive, rng: np.random.Generator) -> Drive:
    gain = float(rng.uniform(0.45, 0.6))
    return change(without(drive, "motor_torque"), "pack_current", lambda _, a: a * gain)


def poor_efficiency(drive: Drive, rng: np.random.Generator) -> Drive:
    return change(drive, "motor_torque", lambda _, x: x * float(0.6))


def unlogged_friction(drive: Drive, rng: np.random.Generator) -> Drive:
    return without(drive, "brake_switch", "brake_pressure")


def switched_heater(drive: Drive, rng: np.random.Generator) -> Drive:
    """A heater of 2 to 5 kW that is switched on for part of the drive, some of it at standstill."""
    power = float(rng.uniform(2000.0, 5000.0))
    start, end = float(rng.uniform(0.0, 0.3)) * drive.duration_s, float(rng.uniform(0.6, 1.0)) * drive.duration_s
    drive = without(drive, "heater_power", "ambient_temperature")
    return change(drive, "pack_current", lambda t, a: np.where((t > start) & (t < end), a + power / 350.0, a))


def charging_mixed_in(drive: Drive, rng: np.random.Generator) -> Drive:
    """A stop of ten minutes at a charger in the middle of the drive."""
    speed = drive["speed"]
    stood = speed.time_s[(speed.value < 0.1) & (speed.time_s > 30.0)]
    start = float(stood[stood.size // 2])
    lasting = float(rng.uniform(300.0, 900.0))
    channels = {}
    for name, channel in drive.channels.items():
        late = np.where(channel.time_s > start, channel.time_s + lasting, channel.time_s)
        period_s = float(np.median(np.diff(channel.time_s)))
        filler = np.arange(start + period_s, start + lasting, period_s)
        at = int(np.searchsorted(channel.time_s, start))
        level = channel.value[max(at - 1, 0)]
        value = np.full(filler.size, level)
        if name == "pack_current":
            value = np.round(-60.0 + rng.normal(0.0, 0.2, filler.size), 1)
        if name == "speed":
            value = np.zeros(filler.size)
        time_s = np.concatenate((late[:at], filler, late[at:]))
        channels[name] = replace(
            channel, time_s=time_s, value=np.concatenate((channel.value[:at], value, channel.value[at:]))
        )
    return replace(drive, channels=channels)


def parked(drive: Drive, rng: np.random.Generator) -> Drive:
    mixed = charging_mixed_in(drive, rng)
    mixed = change(mixed, "pack_current", lambda _, a: np.where(np.abs(a + 60.0) < 1.5, 1.2 + 0.0 * a, a))
    end_s = float(mixed["pack_current"].time_s[-1])
    channels = {}
    for name, channel in mixed.channels.items():
        period_s = float(np.median(np.diff(channel.time_s)))
        extra = np.arange(end_s + period_s, end_s + 1200.0, period_s)
        level = 1.2 if name == "pack_current" else float(channel.value[-1])
        noise = np.round(rng.normal(0.0, 0.2, extra.size), 1) if name == "pack_current" else np.zeros(extra.size)
        channels[name] = replace(channel, time_s=np.concatenate((channel.time_s, extra)),
                                 value=np.concatenate((channel.value, level + noise)))  # fmt: skip
    return replace(mixed, channels=channels)


def two_sessions(drive: Drive, rng: np.random.Generator) -> Drive:
    middle, pause = drive.duration_s / 2.0, float(rng.uniform(1200.0, 40_000.0))
    channels = {
        n: replace(c, time_s=np.where(c.time_s > middle, c.time_s + pause, c.time_s)) for n, c in drive.channels.items()
    }
    return replace(drive, channels=channels)


def contactor_inverted(drive: Drive, rng: np.random.Generator) -> Drive:
    start = lively_start(drive, rng, 30.0, "pack_current")
    return change(drive, "contactor_closed", lambda t, c: np.where((t > start) & (t < start + 30.0), 0.0, c))


def opened_under_load(drive: Drive, rng: np.random.Generator) -> Drive:
    """The contactors open while more than 50 A flow; the current stops."""
    amp = drive["pack_current"]
    busy = amp.time_s[(amp.value > 70.0) & (amp.time_s > 30.0)]
    at_s = float(rng.choice(busy))
    seconds = np.arange(0.0, amp.time_s[-1], 0.1)
    drive = put(drive, "contactor_closed", seconds, (seconds <= at_s).astype(float))
    return change(drive, "pack_current", lambda t, a: np.where(t > at_s + 0.15, 0.0, a))


# --- temperatures, cells, isolation, limits, notes ---------------------------------------------------


def open_sensor(drive: Drive, rng: np.random.Generator) -> Drive:
    name = str(rng.choice(["motor_temperature", "inverter_temperature", "coolant_temperature"]))
    return change(drive, name, lambda _, x: np.full(x.shape, float(rng.choice([-40.0, 215.0]))))


def temperature_step(drive: Drive, rng: np.random.Generator) -> Drive:
    start, size = (
        float(rng.uniform(100.0, drive.duration_s - 100.0)),
        float(rng.choice([-1.0, 1.0]) * rng.uniform(35.0, 60.0)),
    )
    name = str(rng.choice(["motor_temperature", "inverter_temperature", "coolant_temperature"]))
    return change(drive, name, lambda t, x: np.where((t > start) & (t < start + 200.0), x + size, x))


def temperature_stuck(drive: Drive, rng: np.random.Generator) -> Drive:
    name = str(rng.choice(["motor_temperature", "inverter_temperature"]))
    return change(drive, name, lambda t, x: np.where(t > 30.0, x[20], x))


def temperatures_swapped(drive: Drive, rng: np.random.Generator) -> Drive:
    hot, cold = drive["motor_temperature"], drive["coolant_temperature"]
    return drive.with_channels(replace(hot, time_s=cold.time_s, value=cold.value),
                               replace(cold, time_s=hot.time_s, value=hot.value))  # fmt: skip


def sunny_sensor(drive: Drive, rng: np.random.Generator) -> Drive:
    size = float(rng.uniform(7.0, 15.0))
    return change(drive, "ambient_temperature", lambda t, x: np.round((x + size * np.exp(-t / 180.0)) / 0.5) * 0.5)


def slow_temperature(drive: Drive, rng: np.random.Generator) -> Drive:
    channel = drive["motor_temperature"]
    stride = int(rng.choice([20, 30, 60]))
    return drive.with_channels(replace(channel, time_s=channel.time_s[::stride], value=channel.value[::stride]))


def cells_crossed(drive: Drive, rng: np.random.Generator) -> Drive:
    low, high = drive["cell_voltage_min"], drive["cell_voltage_max"]
    return drive.with_channels(
        replace(low, value=high.value, time_s=high.time_s), replace(high, value=low.value, time_s=low.time_s)
    )


def weak_cell(drive: Drive, rng: np.random.Generator) -> Drive:
    amp, size = drive["pack_current"], float(rng.uniform(0.8e-3, 2e-3))
    if rng.uniform() < 0.5:
        return change(drive, "cell_voltage_min", lambda _, v: v - float(rng.uniform(0.05, 0.15)))
    return change(drive, "cell_voltage_min", lambda t, v: v - size * np.abs(np.interp(t, amp.time_s, amp.value)))


def isolation_drop(drive: Drive, rng: np.random.Generator) -> Drive:
    time_s = np.arange(0.0, drive.duration_s, 1.0)
    ohm = np.full(time_s.size, 2.0e6) + rng.normal(0.0, 2e4, time_s.size)
    start = float(rng.uniform(100.0, drive.duration_s - 200.0))
    ohm[(time_s > start) & (time_s < start + 100.0)] = float(rng.uniform(10e3, 120e3))
    return put(drive, "isolation_resistance", time_s, np.round(ohm, -3))


def isolation_off(drive: Drive, rng: np.random.Generator) -> Drive:
    time_s = np.arange(0.0, drive.duration_s, 1.0)
    return put(
        drive, "isolation_resistance", time_s, np.full(time_s.size, float(rng.choice([0.0, 65_535_000.0, 65_535.0])))
    )


def derated(drive: Drive, rng: np.random.Generator) -> Drive:
    torque = drive["motor_torque"]
    top = float(np.quantile(torque.value, rng.uniform(0.85, 0.93)))
    return change(drive, "motor_torque", lambda _, x: np.minimum(x, 0.7 * top + 0.05 * x))


def at_bms_limit(drive: Drive, rng: np.random.Generator) -> Drive:
    amp = drive["pack_current"]
    limit = float(np.quantile(amp.value, rng.uniform(0.88, 0.95)))
    time_s = np.arange(0.0, drive.duration_s, 1.0)
    drive = put(drive, "discharge_current_limit", time_s, np.full(time_s.size, np.round(limit)))
    return change(
        drive,
        "pack_current",
        lambda _, a: np.where(a > limit, limit + 0.01 * (a - limit) + rng.normal(0, 0.2, a.size), a),
    )


def no_notes(drive: Drive, rng: np.random.Generator) -> Drive:
    return replace(drive, conditions=DriveConditions())


STANDARD = ("mixed, 10 Hz", "town, flat", "town, hills", "highway", "noisy", "cold, heater logged")
_STOPPING = ("mixed, 10 Hz", "town, flat", "town, hills", "noisy", "cold, heater logged", "half a per cent lost")
_LONG = ("mixed, 10 Hz", "highway", "noisy", "50 Hz", "hot", "heavy, fast")

FAULTS: tuple[Fault, ...] = (
    Fault("current_sign_reversed", reversed_sign, routes=(*STANDARD, "1 Hz", "no motor channels", "few channels")),
    Fault("current_magnitude_only", magnitude_only, routes=_STOPPING),
    Fault("current_unsigned_wrap", unsigned_wrap),
    Fault("current_sign_unresolved", sign_unresolved),
    Fault("current_zero_offset", zero_offset, name="loads logged"),
    Fault("current_zero_offset", zero_offset_without_loads, routes=_STOPPING[:4], name="loads not logged"),
    Fault("current_zero_offset", zero_offset_open_contactors, name="contactors open"),
    Fault("current_offset_drift", offset_drift, routes=_STOPPING),
    Fault("current_saturated", saturated, routes=_STOPPING, name="drive"),
    Fault("current_saturated", saturated_regen, routes=_STOPPING, name="regen"),
    Fault("current_gain", gain_against_gauge, routes=("long highway",), name="gauge"),
    Fault("current_gain", gain_against_count, name="BMS count"),
    Fault("impossible_power", impossible_power),
    Fault("impossible_acceleration", impossible_acceleration),
    Fault("power_without_current", current_zero),
    Fault("voltage_scale", voltage_factor),
    Fault("voltage_cells_mismatch", cells_mismatch),
    Fault("voltage_charge_mismatch", module_bypassed),
    Fault("channel_frozen", _freeze("pack_voltage", (8.0, 60.0)), name="voltage"),
    Fault("channel_frozen", _freeze("pack_current", (8.0, 60.0)), name="current"),
    Fault("channel_frozen", _freeze("speed", (15.0, 60.0)), routes=_STOPPING, name="speed"),
    Fault("channel_frozen", _freeze("motor_speed", (15.0, 60.0)), routes=_STOPPING, name="motor speed"),
    Fault("frozen_tail", frozen_tail),
    Fault("straight_line_filler", straight_filler),
    Fault("interpolated_export", interpolated_export),
    Fault("staircase", staircase),
    Fault("averaged_current", averaged),
    Fault("single_sample_spike", spikes),
    Fault("not_available_code", not_available, routes=(*STANDARD, *_LONG)),
    Fault("impossible_value", impossible_value),
    Fault("decoded_wrongly", wrong_bits),
    Fault("lost_samples", lost),
    Fault("log_gap", gap),
    Fault("voltage_current_skew", shifted("pack_current", 0.1, 0.8)),
    Fault("channels_out_of_step", shifted("speed", 0.6, 4.0), name="speed and motor speed"),
    Fault("channels_out_of_step", shifted("gnss_speed", 2.2, 6.0), name="satellite speed"),
    Fault("clock_drift", clock_drift, routes=("mixed, 10 Hz", "town, flat", "town, hills", "noisy", "hot")),
    Fault("log_cut", cut),
    Fault("temperature_unit", fahrenheit, routes=(*STANDARD[:5], "hot")),
    Fault("power_unit", power_unit),
    Fault("elevation_unit", elevation_feet),
    Fault("speed_unit", speed_unit),
    Fault("speed_scale", speed_scale),
    Fault("gear_ratio_inconsistent", wrong_gear),
    Fault("gear_ratio_changes", gear_shifts, routes=("mixed, 10 Hz", "town, flat", "town, hills", "noisy")),
    Fault("wheel_slip", wheel_spin),
    Fault("speed_dropout", speed_dropout),
    Fault("wheels_off_ground", jack_stand, name="satellites"),
    Fault("wheels_off_ground", jack_stand_without_satellites, name="energy"),
    Fault("gnss_spike", gnss_spike),
    Fault("position_frozen", frozen_position),
    Fault("elevation_jump", elevation_jump),
    Fault("barometer_step", barometer_step),
    Fault("loop_not_closed", open_loop),
    Fault("distance_mismatch", odometer_off),
    Fault("soc_jump", soc_jump, name="during"),
    Fault("soc_jump", soc_reset_at_start, name="at start"),
    Fault("soc_stuck", soc_stuck, routes=("mixed, 10 Hz", "highway", "noisy", "cold, heater logged", "heavy, fast")),
    Fault("soc_circular", soc_circular),
    Fault("soc_coarse", soc_coarse, routes=("mixed, 10 Hz", "highway", "noisy", "hot", "heavy, fast")),
    Fault("soc_rises_while_discharging", soc_rises, routes=("mixed, 10 Hz", "highway", "noisy", "hot", "heavy, fast")),
    Fault("efficiency_above_one", too_efficient, name="torque"),
    Fault("efficiency_above_one", too_efficient_without_torque, name="motion"),
    Fault("implied_efficiency", poor_efficiency),
    Fault("friction_braking_unlogged", unlogged_friction, routes=("regen limited to 15 kW", "no regen")),
    Fault("unlogged_load", switched_heater, routes=("mixed, 10 Hz", "town, flat", "town, hills", "hot")),
    Fault("charging_in_drive", charging_mixed_in, routes=_STOPPING),
    Fault("parked_in_drive", parked, routes=_STOPPING),
    Fault("several_sessions", two_sessions),
    Fault("current_with_contactor_open", contactor_inverted),
    Fault("contactor_opened_under_load", opened_under_load),
    Fault("temperature_open_or_short", open_sensor),
    Fault("temperature_jump", temperature_step),
    Fault("temperature_stuck", temperature_stuck, routes=("mixed, 10 Hz", "highway", "noisy", "hot", "heavy, fast")),
    Fault("temperatures_swapped", temperatures_swapped),
    Fault("ambient_in_sun", sunny_sensor),
    Fault("temperature_slow", slow_temperature),
    Fault("cell_min_above_max", cells_crossed),
    Fault("cell_spread", weak_cell),
    Fault("isolation_low", isolation_drop),
    Fault("isolation_monitor_off", isolation_off),
    Fault("derate_active", derated, name="torque", routes=_STOPPING),
    Fault("derate_active", at_bms_limit, name="BMS limit", routes=_STOPPING),
    Fault("notes_missing", no_notes),
)

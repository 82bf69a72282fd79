"""Faults of energy, sessions, temperatures, cells, isolation and notes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from logan.drive.drive import Drive, DriveConditions
from logan.units import FloatArray
from tests.benchmarks.quality.seeding import change, lively_start, put, without


def too_efficient(drive: Drive, rng: np.random.Generator) -> Drive:
    return change(drive, "pack_current", lambda _, a: a * 0.7)


def too_efficient_without_torque(drive: Drive, rng: np.random.Generator) -> Drive:
    gain = float(rng.uniform(0.45, 0.6))
    return change(without(drive, "motor_torque"), "pack_current", lambda _, a: a * gain)


def poor_efficiency(drive: Drive, rng: np.random.Generator) -> Drive:
    return change(drive, "motor_torque", lambda _, x: x * 0.6)


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
        at = int(np.searchsorted(channel.time_s, start, side="right"))
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


def power_alone(drive: Drive, rng: np.random.Generator) -> Drive:
    amp, volt = drive["pack_current"], drive["pack_voltage"]
    drive = put(drive, "pack_power", amp.time_s, amp.value * volt.at(amp.time_s))
    return without(drive, "pack_current", "pack_voltage")


def flickering_cell(drive: Drive, rng: np.random.Generator) -> Drive:
    """A loose sense wire: another cell is the lowest every time, and clearly lower."""
    drive = change(drive, "cell_voltage_min", lambda _, v: v - float(rng.uniform(0.025, 0.06)))
    time_s = drive["cell_voltage_min"].time_s
    return put(drive, "cell_number_min", time_s, rng.choice([17.0, 18.0, 40.0], time_s.size))


def windy(drive: Drive, rng: np.random.Generator) -> Drive:
    """A station wind of a strong breeze that nobody noted, as extra power at the wheels."""
    wind, from_rad = float(rng.uniform(6.0, 11.0)), float(rng.uniform(0.0, 2.0 * np.pi))
    heading, speed, volt = drive["heading"], drive["speed"], drive["pack_voltage"]

    def rule(time_s: FloatArray, amp: FloatArray) -> FloatArray:
        along = wind * np.cos(np.radians(np.interp(time_s, heading.time_s, heading.value)) - from_rad)
        v = np.interp(time_s, speed.time_s, speed.value)
        extra_w = 0.5 * 1.2 * 0.74 * v * ((v + along) * np.abs(v + along) - v**2)
        return amp + extra_w / 0.87 / np.interp(time_s, volt.time_s, volt.value)

    return change(drive, "pack_current", rule)


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


def load_not_drawn(drive: Drive, rng: np.random.Generator) -> Drive:
    """The heater's request is logged as its power: it stands or switches, the pack does not feel it."""
    time_s = np.arange(0.0, drive.duration_s, 1.0)
    level = np.full(time_s.size, float(rng.uniform(3000.0, 5500.0)))
    if rng.uniform() < 0.5:
        level[np.mod(time_s + rng.uniform(0.0, 60.0), 60.0) < 30.0] = 0.0
    return put(drive, "heater_power", time_s, level)


def clock_not_set(drive: Drive, rng: np.random.Generator) -> Drive:
    return replace(drive, start_ns=int(rng.choice([315_964_800, 0, 946_684_800])) * 1_000_000_000)


def miles_for_kilometres(drive: Drive, rng: np.random.Generator) -> Drive:
    """The display's mph is read as km/h."""
    return change(drive, "speed", lambda _, v: v / 1.609344)


def tenth_of_speed(drive: Drive, rng: np.random.Generator) -> Drive:
    return change(drive, "speed", lambda _, v: 0.1 * v)


def stuck_bit(drive: Drive, rng: np.random.Generator) -> Drive:
    """A bit of the current, 6.4 to 51.2 A of it, stands at zero."""
    bit = 1 << int(rng.integers(6, 10))

    def rule(_: FloatArray, amp: FloatArray) -> FloatArray:
        raw = np.round(amp / 0.1).astype(np.int64) & 0xFFFF & ~bit
        return np.where(raw >= 0x8000, raw - 0x10000, raw) * 0.1

    return change(drive, "pack_current", rule)


def minutes_of_heat(drive: Drive, rng: np.random.Generator) -> Drive:
    """A load of some kilowatts runs for minutes, and no channel shows it."""
    lasting, power_w = float(rng.uniform(180.0, 400.0)), float(rng.uniform(3000.0, 7000.0))
    start = float(rng.uniform(0.1, 0.6)) * drive.duration_s

    def rule(t: FloatArray, amp: FloatArray) -> FloatArray:
        return amp + np.where((t > start) & (t < start + lasting), power_w / 370.0, 0.0)

    return change(drive, "pack_current", rule)


def half_of_current(drive: Drive, rng: np.random.Generator) -> Drive:
    """For minutes something else feeds the motor: the sensor sees half of it."""
    lasting, start = float(rng.uniform(200.0, 400.0)), float(rng.uniform(0.1, 0.6)) * drive.duration_s
    return change(drive, "pack_current", lambda t, a: np.where((t > start) & (t < start + lasting), 0.5 * a, a))

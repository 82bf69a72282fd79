"""Faults of units, speed, place and height."""

from __future__ import annotations

import numpy as np

from logan.drive.drive import Drive
from logan.units import FloatArray
from tests.benchmarks.quality.seeding import change, moving_start, put, without


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
    return without(jack_stand(drive, rng), "gnss_speed", "latitude", "longitude", "elevation")


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

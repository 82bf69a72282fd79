"""Drives by formula: speed a smooth known curve, pack power whatever the wheels ask by constant efficiencies."""

from __future__ import annotations

import numpy as np

from logan.drive.drive import Channel, Drive, DriveConditions

GRAVITY = 9.80665


def channel(name, time_s, value):
    return Channel(name=name, time_s=time_s, value=np.broadcast_to(np.asarray(value, float), time_s.shape).copy())


def wavy_speed(time_s, mean=18.0, swing=9.0, period_s=70.0):
    """Speed that never stops, a long wave with a short one on it; and its slope."""
    slow, fast = 2 * np.pi / period_s, 2 * np.pi / 8.0
    speed = mean + swing * np.sin(slow * time_s) + 0.08 * swing * np.sin(fast * time_s)
    return speed, swing * slow * np.cos(slow * time_s) + 0.08 * swing * fast * np.cos(fast * time_s)


def smooth_drive(
    build, *, duration_s=900.0, rate_hz=10.0, lag_s=0.0, climb_m=0.0, temperature_degc=20.0, without=(), extra=(),
    conditions=None, mean=18.0, swing=9.0,
):  # fmt: skip
    """A drive of the build's own plan: its balance closes at the plan's parameters."""
    vehicle, powertrain = build.vehicle, build.powertrain
    time_s = np.arange(0.0, duration_s, 1.0 / rate_hz)
    speed, _ = wavy_speed(time_s, mean, swing)
    late_speed, late_slope = wavy_speed(time_s - lag_s, mean, swing)
    density = 101_325.0 / (287.058 * (temperature_degc + 273.15))
    mass = vehicle.mass_kg.value + (conditions.payload_kg or 0.0 if conditions else 0.0)
    from logan.drive.wheel_work import rotating_mass_of

    factor = 1.0 - vehicle.rolling_temperature_coefficient_per_k.value * (temperature_degc - 25.0)
    grade_n = mass * GRAVITY * climb_m / duration_s / late_speed
    force_n = (
        (mass + rotating_mass_of(build)) * late_slope
        + mass * GRAVITY * vehicle.rolling_coefficient.value * factor
        + 0.5 * density * vehicle.drag_area_m2.value * late_speed**2
        + grade_n
    )
    wheel_w = force_n * late_speed
    drive, regen = powertrain.drive_efficiency.value, powertrain.regen_efficiency.value
    power_w = np.where(wheel_w > 0, wheel_w / drive, wheel_w * regen) + build.auxiliary.base_power_w.value
    channels = {
        "speed": channel("speed", time_s, speed),
        "pack_voltage": channel("pack_voltage", time_s, 350.0),
        "pack_current": channel("pack_current", time_s, power_w / 350.0),
        "elevation": channel("elevation", time_s, climb_m * time_s / duration_s),
        "ambient_temperature": channel("ambient_temperature", time_s, temperature_degc),
        "barometric_pressure": channel("barometric_pressure", time_s, 101_325.0),
        "brake_switch": channel("brake_switch", time_s, 0.0),
    }
    channels |= {added.name: added for added in extra}
    kept = {name: value for name, value in channels.items() if name not in without}
    return Drive(channels=kept, conditions=conditions or DriveConditions())

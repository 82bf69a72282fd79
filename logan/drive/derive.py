"""Channels worked out from others where a log lacks them, marked as derived, with their uncertainty."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from logan.drive.drive import Channel, Step
from logan.drive.elevation import barometric_elevation
from logan.numerics import union_times
from logan.settings import BuildSettings

_WHEEL_SLIP_RATIO = 0.01
_PACK_METER_RATIO = 0.014
"""Power and voltage are each good to 1 % (common practice)."""


def derive_channels(
    channels: Mapping[str, Channel], settings: BuildSettings | None
) -> tuple[dict[str, Channel], tuple[Step, ...]]:
    """Work out speed, pack current, and elevation where they are missing and can be had.

    Parameters
    ----------
    channels : mapping of str to Channel
        What was logged.
    settings : BuildSettings or None
        Gearing and tyre, for speed from motor speed.

    Returns
    -------
    derived : dict of str to Channel
        Only the new ones.
    steps : tuple of Step
        One for each.
    """
    derived: dict[str, Channel] = {}
    steps: list[Step] = []
    for name, found in (
        ("speed", _speed(channels, settings)),
        ("pack_current", _current(channels)),
        ("elevation", _elevation(channels)),
    ):
        if name in channels or found is None:
            continue
        derived[name] = found
        sigma = f", one standard uncertainty {found.sigma:.2g} {found.unit}" if found.sigma is not None else ""
        steps.append(
            Step(
                action="derive",
                detail=f"{name} from {found.source}{sigma}",
                reason=f"the log has no {name}",
                channels=(name,),
            )
        )
    return derived, tuple(steps)


def _speed(channels: Mapping[str, Channel], settings: BuildSettings | None) -> Channel | None:
    """Road speed from the wheels, else from satellites, else from motor speed, gearing and tyre. [m/s]"""
    wheels = [channels[name] for name in sorted(channels) if name == "wheel_speed" or name.startswith("wheel_speed_")]
    wheels = [wheel for wheel in wheels if wheel.time_s.size]
    if wheels:
        time_s = wheels[0].time_s
        values = np.stack([wheel.at(time_s) for wheel in wheels])
        known = np.isfinite(values)
        total = np.where(known, values, 0.0).sum(axis=0)
        mean = np.where(known.any(axis=0), total / np.maximum(known.sum(axis=0), 1), np.nan)
        return Channel(
            name="speed", time_s=time_s, value=mean, source=f"mean of {len(wheels)} wheel speeds", is_derived=True,
            sigma=_relative_sigma(mean, _WHEEL_SLIP_RATIO),
        )  # fmt: skip
    gnss = channels.get("gnss_speed")
    if gnss is not None and gnss.time_s.size:
        return Channel(
            name="speed", time_s=gnss.time_s, value=gnss.value, source="gnss_speed", is_derived=True, sigma=gnss.sigma
        )
    motor = channels.get("motor_speed")
    if motor is None or settings is None or not motor.time_s.size:
        return None
    circumference = settings.vehicle.tyre_rolling_circumference_m
    metres_per_rad = circumference.value / (2.0 * np.pi * settings.powertrain.gearing.total_ratio)
    value = np.abs(motor.value) * metres_per_rad
    ratio = float(np.hypot(circumference.sigma / circumference.value, _WHEEL_SLIP_RATIO))
    return Channel(
        name="speed", time_s=motor.time_s, value=value, source="motor_speed, gearing and tyre circumference",
        is_derived=True, sigma=_relative_sigma(value, ratio),
    )  # fmt: skip


def _current(channels: Mapping[str, Channel]) -> Channel | None:
    """Pack current from power and voltage; positive on discharge as they are. [A]"""
    power, voltage = channels.get("pack_power"), channels.get("pack_voltage")
    if power is None or voltage is None or not power.time_s.size or not voltage.time_s.size:
        return None
    time_s = union_times(power.time_s, voltage.time_s)
    volts = voltage.at(time_s)
    value = power.at(time_s) / np.where(volts > 1.0, volts, np.nan)
    return Channel(
        name="pack_current", time_s=time_s, value=value, source="pack_power / pack_voltage", is_derived=True,
        sigma=_relative_sigma(value, _PACK_METER_RATIO),
    )  # fmt: skip


def _elevation(channels: Mapping[str, Channel]) -> Channel | None:
    pressure = channels.get("barometric_pressure")
    if pressure is None or not np.isfinite(pressure.value).any():
        return None
    return barometric_elevation(pressure, channels.get("ambient_temperature"))


def _relative_sigma(value: np.ndarray[tuple[int], np.dtype[np.float64]], ratio: float) -> float:
    """Uncertainty at the middle of the moving values."""
    moving = np.abs(value[np.isfinite(value) & (np.abs(value) > 1.0)])
    return ratio * float(np.median(moving)) if moving.size else ratio

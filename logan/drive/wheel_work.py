"""Work at the wheels by cause, step by step, from speed, height and the build's road load."""

from __future__ import annotations

from typing import Final

import numpy as np

from logan.drive.drive import Drive, air_of, headwind_at, height_along, road_speed
from logan.numerics import spans_where
from logan.physics.road_load import air_work_integral, speed_power_integral
from logan.physics.tyre import rotating_mass_kg, temperature_factor
from logan.results import result
from logan.settings import BuildSettings
from logan.units import STANDARD_GRAVITY_M_PER_S2, FloatArray

STANDING_M_PER_S: Final = 0.3
LEAST_STOP_S: Final = 2.0
"""Slower than this for this long is standing."""


@result()
class WheelWork:
    """Work at the wheels in each step between two speed samples; zero in steps that are not covered.

    Parameters
    ----------
    time_s, speed_m_per_s : ndarray, shape (n,)
        Samples. [s, m/s]
    distance_m, rolling_j, air_j, kinetic_j, hills_j : ndarray, shape (n - 1,)
        Per step; kinetic and hills are signed. Hills are zero where height is not known. [m, J]
    mass_kg, effective_mass_kg : float
        With payload; and with rotating parts. [kg]
    height_sigma_m : float or None
        One standard uncertainty of one height; None where height is not known. [m]
    notes : tuple of str
        What was assumed.
    """

    time_s: FloatArray
    speed_m_per_s: FloatArray
    distance_m: FloatArray
    rolling_j: FloatArray
    air_j: FloatArray
    kinetic_j: FloatArray
    hills_j: FloatArray
    mass_kg: float
    effective_mass_kg: float
    height_sigma_m: float | None
    notes: tuple[str, ...]

    @property
    def total_j(self) -> FloatArray:
        """Work that motor and brakes did together, shape (n - 1,). [J]"""
        return np.asarray(self.rolling_j + self.air_j + self.kinetic_j + self.hills_j)


def vehicle_mass_kg(drive: Drive, build: BuildSettings) -> float:
    """Mass on the scales plus the payload noted. [kg]"""
    return build.vehicle.mass_kg.value + (drive.conditions.payload_kg or 0.0)


def effective_mass_kg(drive: Drive, build: BuildSettings) -> float:
    """Mass plus what rotating parts add. [kg]"""
    motor = build.powertrain.motor
    return vehicle_mass_kg(drive, build) + rotating_mass_kg(
        wheel_inertia_kg_m2=build.vehicle.wheel_inertia_kg_m2,
        rotor_inertia_kg_m2=motor.rotor_inertia_kg_m2 * motor.count,
        total_ratio=build.powertrain.gearing.total_ratio,
        rolling_circumference_m=build.vehicle.tyre_rolling_circumference_m.value,
    )


def wheel_work(drive: Drive, build: BuildSettings) -> WheelWork | None:
    """Work at the wheels by cause; None where the drive has no speed.

    Kinetic and height energy are differences between the ends of each step, so no
    derivative of a noisy signal is taken.

    Parameters
    ----------
    drive : Drive
        The drive.
    build : BuildSettings
        Mass, drag area, rolling coefficient, gearing.

    Returns
    -------
    WheelWork or None
        Step by step.
    """
    channel = road_speed(drive)
    if channel is None:
        return None
    present = np.isfinite(channel.value)
    time_s, speed = channel.time_s[present], np.abs(channel.value[present])
    if time_s.size < 2:
        return None
    vehicle, air = build.vehicle, air_of(drive)
    mass, inertia = vehicle_mass_kg(drive, build), effective_mass_kg(drive, build)
    step_s = np.diff(time_s)
    covered = step_s <= channel.max_gap_s
    before, after = speed[:-1], speed[1:]
    distance = speed_power_integral(before, after, step_s, 1)
    warm = float(temperature_factor(air.temperature_degc, vehicle.rolling_temperature_coefficient_per_k.value))
    rolling = mass * STANDARD_GRAVITY_M_PER_S2 * vehicle.rolling_coefficient.value * warm * distance
    wind = headwind_at(drive, time_s)
    mean_wind = np.zeros(step_s.shape) if wind is None else 0.5 * (wind[:-1] + wind[1:])
    drag = air_work_integral(before, after, step_s, mean_wind, np.zeros(step_s.shape))
    drag = 0.5 * air.density_kg_per_m3 * vehicle.drag_area_m2.value * drag * (drive.conditions.drag_factor or 1.0)
    rolling = rolling * (drive.conditions.rolling_factor or 1.0)
    height = height_along(drive)
    climb = np.zeros(step_s.shape)
    if height is not None:
        climb = np.nan_to_num(np.diff(_held_while_standing(time_s, speed, height.at(time_s))))
    notes = [f"{text} assumed" for text in air.assumed]
    if wind is None:
        notes.append("still air assumed: no wind is known")
    if height is None:
        notes.append("level road assumed: no height is known")
    return WheelWork(
        time_s=time_s,
        speed_m_per_s=speed,
        distance_m=np.where(covered, distance, 0.0),
        rolling_j=np.where(covered, rolling, 0.0),
        air_j=np.where(covered, drag, 0.0),
        kinetic_j=np.where(covered, 0.5 * inertia * (after**2 - before**2), 0.0),
        hills_j=np.where(covered, mass * STANDARD_GRAVITY_M_PER_S2 * climb, 0.0),
        mass_kg=mass,
        effective_mass_kg=inertia,
        height_sigma_m=None if height is None else height.sigma_m,
        notes=tuple(notes),
    )


def _held_while_standing(time_s: FloatArray, speed_m_per_s: FloatArray, height_m: FloatArray) -> FloatArray:
    """Height with every stop at its mean: a barometer that drifts at a light climbs no hill."""
    held = height_m.copy()
    for start_s, end_s in spans_where(time_s, speed_m_per_s < STANDING_M_PER_S, min_duration_s=LEAST_STOP_S):
        inside = (time_s >= start_s) & (time_s <= end_s)
        known = height_m[inside][np.isfinite(height_m[inside])]
        if known.size:
            held[inside] = known.mean()
    return held

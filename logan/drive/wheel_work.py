"""Work at the wheels by cause, step by step, from speed, height and the build's road load."""

from typing import Final

import numpy as np

from logan.drive.drive import STANDSTILL_M_PER_S, Drive, air_of, headwind_at, height_along, road_speed
from logan.numerics import cumulative, spans_where
from logan.physics.road_load import air_work_integral, speed_power_integral
from logan.physics.tyre import rotating_mass_kg, speed_rise_share, temperature_factor, warm_up_share
from logan.results import result
from logan.settings import BuildSettings
from logan.units import STANDARD_GRAVITY_M_PER_S2, FloatArray

LEAST_STOP_S: Final = 2.0
"""Slower than this for this long is standing."""

HILL_S_PER_M: Final = 20.0
HILL_MOST_S: Final = 60.0
"""Over how long height is averaged, by its own uncertainty, where short stretches are told apart: satellite height
wanders by metres within a stop, and no road climbs as much (set on drives of known hills)."""

UNDER_WAY_S: Final = 300.0
"""How long a vehicle that already moves when its log begins is taken to have been driven (common practice)."""


@result()
class WheelWork:
    """Work at the wheels in each step between two speed samples; zero in steps that are not covered.

    Parameters
    ----------
    time_s, speed_m_per_s : ndarray, shape (n,)
        Samples. [s, m/s]
    distance_m, rolling_j, air_j, driveline_j, kinetic_j, hills_j : ndarray, shape (n - 1,)
        Per step; kinetic and hills are signed. Hills are zero where height is not known. [m, J]
    mass_kg : float
        With payload. [kg]
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
    driveline_j: FloatArray
    kinetic_j: FloatArray
    hills_j: FloatArray
    mass_kg: float
    height_sigma_m: float | None
    notes: tuple[str, ...]

    @property
    def total_j(self) -> FloatArray:
        """Work that motor and brakes did together, shape (n - 1,). [J]"""
        return np.asarray(self.resisted_j + self.kinetic_j + self.hills_j)

    @property
    def resisted_j(self) -> FloatArray:
        """What tires, air and driveline took, shape (n - 1,). [J]"""
        return np.asarray(self.rolling_j + self.air_j + self.driveline_j)

    @property
    def climbed_j(self) -> FloatArray:
        """Height energy since the start as short stretches may believe it, shape (n,). [J]"""
        running = np.concatenate(([0.0], np.cumsum(self.hills_j)))
        half_s = 0.5 * min(HILL_S_PER_M * (self.height_sigma_m or 0.0), HILL_MOST_S)
        if half_s <= 0.0:
            return running
        area = cumulative(self.time_s, running)
        first_s, last_s = (np.clip(self.time_s + lag, *self.time_s[[0, -1]]) for lag in (-half_s, half_s))
        return (np.interp(last_s, self.time_s, area) - np.interp(first_s, self.time_s, area)) / (last_s - first_s)


def vehicle_mass_kg(drive: Drive, build: BuildSettings) -> float:
    """Mass on the scales plus the payload noted. [kg]"""
    return build.vehicle.mass_kg.value + (drive.conditions.payload_kg or 0.0)


def rotating_mass_of(build: BuildSettings, total_ratio: float | None = None) -> float:
    """Mass that wheels and rotors seem to add when speed changes, in the gear in the vehicle or another. [kg]"""
    motor = build.powertrain.motor
    return rotating_mass_kg(
        wheel_inertia_kg_m2=build.vehicle.wheel_inertia_kg_m2,
        rotor_inertia_kg_m2=motor.rotor_inertia_kg_m2 * motor.count,
        total_ratio=build.powertrain.gearing.total_ratio if total_ratio is None else total_ratio,
        rolling_circumference_m=build.vehicle.tyre_rolling_circumference_m.value,
    )


def effective_mass_kg(drive: Drive, build: BuildSettings) -> float:
    """Mass plus what rotating parts add. [kg]"""
    return vehicle_mass_kg(drive, build) + rotating_mass_of(build)


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
    rolling = mass * STANDARD_GRAVITY_M_PER_S2 * vehicle.rolling_coefficient.value * distance
    rolling *= _tire_factor(build, air.temperature_degc, time_s[1:], 0.5 * (before + after))
    by_speed = build.powertrain.driveline_n_s_per_m.value + vehicle.linear_road_load_n_s_per_m.value
    driveline = build.powertrain.driveline_drag_n.value * distance
    driveline += by_speed * speed_power_integral(before, after, step_s, 2)
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
        driveline_j=np.where(covered, driveline, 0.0),
        kinetic_j=np.where(covered, 0.5 * inertia * (after**2 - before**2), 0.0),
        hills_j=np.where(covered, mass * STANDARD_GRAVITY_M_PER_S2 * climb, 0.0),
        mass_kg=mass,
        height_sigma_m=None if height is None else height.sigma_m,
        notes=tuple(notes),
    )


def _tire_factor(build: BuildSettings, degc: float, time_s: FloatArray, speed_m_per_s: FloatArray) -> FloatArray:
    """Rolling resistance over the coefficient: by outside temperature, and as drives taught, by speed and warm-up."""
    vehicle = build.vehicle
    begun_s = time_s - time_s[0] + (UNDER_WAY_S if speed_m_per_s[:20].mean() > 3.0 else 0.0)
    return np.asarray(
        temperature_factor(degc, vehicle.rolling_temperature_coefficient_per_k.value)
        + vehicle.rolling_rise_ratio.value * speed_rise_share(speed_m_per_s)
        + vehicle.warm_up_rise_ratio.value * warm_up_share(begun_s)
    )


def _held_while_standing(time_s: FloatArray, speed_m_per_s: FloatArray, height_m: FloatArray) -> FloatArray:
    """Height with every stop at its mean: a barometer that drifts at a light climbs no hill."""
    held = height_m.copy()
    for start_s, end_s in spans_where(time_s, speed_m_per_s < STANDSTILL_M_PER_S, min_duration_s=LEAST_STOP_S):
        inside = (time_s >= start_s) & (time_s <= end_s)
        known = height_m[inside][np.isfinite(height_m[inside])]
        if known.size:
            held[inside] = known.mean()
    return held

"""What each step of a schedule asks of the wheels, per unit of each parameter.

Wheel work is linear in (mass x rolling coefficient, its rise at a cold start, drag area, mass, 1, the tires' rise with
speed, driveline drag and its rise with speed; what grows in proportion to speed by certification stands with the 1), so
the work of every step for every sample is one matrix product, exact for straight speeds.
"""

import numpy as np

from logan.drive.wheel_work import rotating_mass_of
from logan.model.parameters import Conditions
from logan.model.priors import raised_if_published
from logan.model.schedule import Schedule
from logan.physics.air import air_density_kg_per_m3, wind_components_m_per_s
from logan.physics.powertrain import regen_fade_ratio, regen_limit_ratio
from logan.physics.road_load import air_work_integral, speed_power_integral
from logan.physics.tyre import speed_rise_share, warm_up_share
from logan.results import result
from logan.settings import BuildSettings
from logan.units import STANDARD_GRAVITY_M_PER_S2, FloatArray

MAX_YAW_DEG = 15.0
"""Yaw beyond which drag area is taken to rise no further."""

ASSUMED_CHARGE_RATE_PER_HOUR = 2.0
"""Charge limit of a pack whose datasheet limit is not given, where cold or full packs need one (common practice)."""


@result()
class WheelSteps:
    """A schedule under its conditions, reduced to what the wheels must do; standing steps are left out.

    Parameters
    ----------
    rolling_j_per_kg : ndarray, shape (k,)
        Work per unit of mass times rolling coefficient at 25 degC times temperature factor. [J/kg]
    warm_up_j_per_kg : ndarray, shape (k,)
        Work per unit of mass times rolling coefficient times the extra share of a cold start. [J/kg]
    air_j_per_m2 : ndarray, shape (k,)
        Work per unit of drag area. [J/m2]
    climb_j_per_kg, kinetic_j_per_kg : ndarray, shape (k,)
        Work per unit of mass against gravity, and into speed. [J/kg]
    linear_j : ndarray, shape (k,)
        Work of what grows in proportion to speed. [J]
    rotating_mass_kg : float
        Mass that rotating parts seem to add. [kg]
    step_s, distance_m, speed_m_per_s : ndarray, shape (k,)
        Duration, distance and mean speed. [s, m, m/s]
    regen_share_ratio : ndarray, shape (k,)
        Share of braking that regen can take at this speed. [ratio]
    regen_limit_w : float
        Most power that regen puts into the pack; infinity for no limit. [W]
    duration_s : float
        Of the schedule, standing included. [s]
    """

    rolling_j_per_kg: FloatArray
    warm_up_j_per_kg: FloatArray
    air_j_per_m2: FloatArray
    climb_j_per_kg: FloatArray
    kinetic_j_per_kg: FloatArray
    linear_j: FloatArray
    rotating_mass_kg: float
    step_s: FloatArray
    distance_m: FloatArray
    speed_m_per_s: FloatArray
    regen_share_ratio: FloatArray
    regen_limit_w: float
    duration_s: float

    @property
    def total_distance_m(self) -> float:
        """Distance driven. [m]"""
        return float(self.distance_m.sum())

    @property
    def path_m(self) -> FloatArray:
        """Distance that makes work a force, shape (k,): below 2 m/s the step's own is none any more. [m]"""
        return np.maximum(self.distance_m, 2.0 * self.step_s)

    @property
    def basis_j(self) -> FloatArray:
        """Work per unit of each weight of a sample, shape (8, k)."""
        return np.stack(
            [
                self.rolling_j_per_kg,
                self.warm_up_j_per_kg,
                self.air_j_per_m2,
                self.climb_j_per_kg + self.kinetic_j_per_kg,
                self.rotating_mass_kg * self.kinetic_j_per_kg + self.linear_j,
                self.rolling_j_per_kg * speed_rise_share(self.speed_m_per_s),
                self.distance_m,
                self.distance_m * self.speed_m_per_s,
            ]
        )


def regen_power_limit_w(build: BuildSettings, conditions: Conditions) -> float:
    """Most power that regen puts into the pack under these conditions.

    Parameters
    ----------
    build : BuildSettings
        The build; limits that it does not give do not bind while the pack is warm and not full.
    conditions : Conditions
        Cell temperature and state of charge.

    Returns
    -------
    float
        Infinity where nothing limits. [W]
    """
    pack = build.pack
    nominal_v = pack.cells_in_series * pack.cell_nominal_voltage_v
    limits = []
    if pack.charge_current_limit_a is not None:
        limits.append(pack.charge_current_limit_a * nominal_v)
    if build.powertrain.regen_power_limit_w is not None:
        limits.append(build.powertrain.regen_power_limit_w)
    allowed = regen_limit_ratio(conditions.cell_temperature_degc, conditions.state_of_charge_ratio)
    if allowed < 1.0:
        charge_limit_w = nominal_v * (
            pack.charge_current_limit_a
            if pack.charge_current_limit_a is not None
            else ASSUMED_CHARGE_RATE_PER_HOUR * pack.cell_capacity_ah.value * pack.cells_in_parallel
        )
        limits.append(allowed * charge_limit_w)
    return min(limits, default=float("inf"))


def wheel_steps(schedule: Schedule, conditions: Conditions, build: BuildSettings) -> WheelSteps:
    """Reduce a schedule under its conditions to what the wheels must do in each step. Method: plan (1).

    Parameters
    ----------
    schedule : Schedule
        Speeds and heights.
    conditions : Conditions
        Weather and load; payload is left to the caller, who owns the mass.
    build : BuildSettings
        Gearing, inertia and regen settings.

    Returns
    -------
    WheelSteps
        Moving, usable steps only.
    """
    step_m = schedule.step_distance_m
    moving = step_m > 0.0
    before, after = schedule.speed_m_per_s[:-1][moving], schedule.speed_m_per_s[1:][moving]
    step_s, step_m = np.diff(schedule.time_s)[moving], step_m[moving]
    rise_m = np.zeros(step_m.shape) if schedule.elevation_m is None else np.diff(schedule.elevation_m)[moving]
    level = np.sqrt(np.clip(1.0 - (rise_m / step_m) ** 2, 0.0, 1.0))
    rolling = STANDARD_GRAVITY_M_PER_S2 * level * step_m * conditions.rolling_factor
    middle_s = 0.5 * (schedule.time_s[1:] + schedule.time_s[:-1])[moving] - schedule.time_s[0]
    coldness = np.zeros(step_m.shape) if conditions.warm_start else warm_up_share(middle_s)
    mean_m_per_s = 0.5 * (before + after)
    linear = raised_if_published(build.vehicle.linear_road_load_n_s_per_m).value * conditions.rolling_factor
    return WheelSteps(
        rolling_j_per_kg=rolling,
        warm_up_j_per_kg=rolling * coldness,
        air_j_per_m2=_air_work_j_per_m2(schedule, conditions, build, moving),
        climb_j_per_kg=STANDARD_GRAVITY_M_PER_S2 * rise_m,
        kinetic_j_per_kg=0.5 * (after**2 - before**2),
        linear_j=linear * speed_power_integral(before, after, step_s, 2),
        rotating_mass_kg=rotating_mass_of(build),
        step_s=step_s,
        distance_m=step_m,
        speed_m_per_s=mean_m_per_s,
        regen_share_ratio=regen_fade_ratio(mean_m_per_s, build.powertrain.regen_fade_speed_m_per_s),
        regen_limit_w=regen_power_limit_w(build, conditions),
        duration_s=schedule.duration_s,
    )


def _air_work_j_per_m2(
    schedule: Schedule, conditions: Conditions, build: BuildSettings, moving: np.ndarray[tuple[int], np.dtype[np.bool_]]
) -> FloatArray:
    """Work against the air per unit of drag area in each moving step, with yaw. [J/m2]"""
    before, after = schedule.speed_m_per_s[:-1][moving], schedule.speed_m_per_s[1:][moving]
    step_s = np.diff(schedule.time_s)[moving]
    headwind = np.full(before.shape, conditions.headwind_m_per_s)
    crosswind = np.full(before.shape, conditions.crosswind_m_per_s)
    if schedule.heading_deg is not None and conditions.wind_m_per_s:
        along, across = wind_components_m_per_s(
            conditions.wind_m_per_s, conditions.wind_from_deg, schedule.heading_deg[:-1][moving]
        )
        headwind, crosswind = headwind + along, crosswind + across
    density = air_density_kg_per_m3(
        conditions.ambient_temperature_degc, conditions.pressure_pa, conditions.relative_humidity_ratio
    )
    work = 0.5 * density * conditions.drag_area_factor * air_work_integral(before, after, step_s, headwind, crosswind)
    ratio = build.vehicle.frontal_crosswind_ratio
    if ratio and np.any(crosswind):
        air = np.maximum(np.abs(0.5 * (before + after) + headwind), 1e-9)
        yaw_deg = np.minimum(np.degrees(np.arctan2(np.abs(crosswind), air)), MAX_YAW_DEG)
        work = work * (1.0 + ratio * yaw_deg)
    return np.asarray(work)

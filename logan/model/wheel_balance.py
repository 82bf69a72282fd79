"""Residual of the reverse energy balance and its derivatives, segment by segment."""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from typing import Final

import numpy as np

from logan.constants import STANDARD_GRAVITY_M_PER_S2
from logan.model.segments_table import AUXILIARY_LEVELS_W, DriveSegments, RoadIntegrals
from logan.model.unknowns import (
    AUXILIARY,
    CONSTANT_LOSS,
    COPPER_LOSS,
    DRAG,
    DRIVE,
    MASS,
    REGEN,
    ROLLING,
    SHARED_COUNT,
    TEMPERATURE,
    WARM_UP,
    physical,
)
from logan.units import FloatArray

OWN_NAMES: Final = ("level", "wind_first_m_per_s", "wind_second_m_per_s", "auxiliary", "brake_ratio")
"""A drive's own unknowns: log factor on road load, wind (from north and east, or along the road and none),
log factor on auxiliary power, and the share of the friction-brake work that the plan's parameters see."""

OWN_COUNT: Final = len(OWN_NAMES)
LEVEL, WIND_FIRST, WIND_SECOND, OWN_AUXILIARY, BRAKE = range(OWN_COUNT)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RoadWork:
    """Work at the wheels over each interval and its parts; shape (n,) each. [J]

    Parameters
    ----------
    total, rolling, air : ndarray
        All of it; rolling resistance; air.
    by_mass, by_temperature, by_warm_up : ndarray
        Derivatives by log mass, log fall per kelvin, and warm-up rise.
    air_by_first_wind, air_by_second_wind : ndarray
        Derivatives by the drive's own wind. [J s/m]
    """

    total: FloatArray
    rolling: FloatArray
    air: FloatArray
    by_mass: FloatArray
    by_temperature: FloatArray
    by_warm_up: FloatArray
    air_by_first_wind: FloatArray
    air_by_second_wind: FloatArray


def road_work(
    shared: FloatArray, own: FloatArray, road: RoadIntegrals, drive: DriveSegments, rotating_mass_kg: float
) -> RoadWork:
    """Work at the wheels over a drive's segments or trip steps, for given unknowns; see ``RoadWork``."""
    payload_kg, air_density_kg_per_m3 = drive.payload_kg, drive.air_density_kg_per_m3
    mass, drag, rolling, *_ = physical(shared)
    fall_per_k, rise = float(np.exp(shared[TEMPERATURE])), float(shared[WARM_UP])
    level = float(np.exp(own[LEVEL]))
    gravity = STANDARD_GRAVITY_M_PER_S2
    rolling_n = (mass + payload_kg) * gravity * rolling * level
    stretched_m = road.distance_m - fall_per_k * road.temperature_distance_m_k + rise * road.warm_up_distance_m
    half_drag = 0.5 * drag * level
    first, second = (road.air_north, road.air_east) if drive.has_heading else (road.air_along, np.zeros(road.count))
    # Own wind as a share of the along-road term gives its mean along the road, and with it the square.
    along_m_per_s = (own[WIND_FIRST] * first + own[WIND_SECOND] * second) / np.maximum(road.air_along, 1e-9)
    by_along = half_drag * (road.air_along + 2.0 * air_density_kg_per_m3 * road.distance_m * along_m_per_s)
    air = half_drag * (road.air_kg_m2_per_s2 + along_m_per_s * road.air_along)
    air += half_drag * air_density_kg_per_m3 * road.distance_m * along_m_per_s**2
    rolling_j = rolling_n * stretched_m
    stored_per_kg = road.kinetic_m2_per_s2 + gravity * road.climb_m
    stored_j = (mass + payload_kg) * stored_per_kg + rotating_mass_kg * road.kinetic_m2_per_s2
    return RoadWork(
        total=rolling_j + air + stored_j,
        rolling=rolling_j,
        air=air,
        by_mass=mass / (mass + payload_kg) * rolling_j + mass * stored_per_kg,
        by_temperature=-rolling_n * fall_per_k * road.temperature_distance_m_k,
        by_warm_up=rolling_n * road.warm_up_distance_m,
        air_by_first_wind=by_along * first / np.maximum(road.air_along, 1e-9),
        air_by_second_wind=by_along * second / np.maximum(road.air_along, 1e-9),
    )


def surplus_at(drive: DriveSegments, auxiliary_w: float) -> tuple[FloatArray, FloatArray]:
    """Energy above an auxiliary power, and the time it was positive; shape (n,) each. [J, s]

    Cubic between the tabulated levels, so that energy and its slope are both continuous;
    beyond the last level the last slope goes on.
    """
    levels = AUXILIARY_LEVELS_W
    column = min(max(bisect_right(levels, auxiliary_w) - 1, 0), len(levels) - 2)
    width = levels[column + 1] - levels[column]
    share = min(max((auxiliary_w - levels[column]) / width, 0.0), 1.0)
    low_j, high_j = drive.surplus_j[:, column], drive.surplus_j[:, column + 1]
    low_slope, high_slope = -width * drive.surplus_s[:, column], -width * drive.surplus_s[:, column + 1]
    squared, cubed = share**2, share**3
    energy = (
        (2 * cubed - 3 * squared + 1) * low_j
        + (cubed - 2 * squared + share) * low_slope
        + (3 * squared - 2 * cubed) * high_j
        + (cubed - squared) * high_slope
    )
    slope = (
        (6 * squared - 6 * share) * (low_j - high_j)
        + (3 * squared - 4 * share + 1) * low_slope
        + (3 * squared - 2 * share) * high_slope
    ) / width
    beyond_w = auxiliary_w - levels[column] - share * width
    return np.asarray(energy + slope * beyond_w), np.asarray(-slope)


def balance_residual(
    shared: FloatArray, own: FloatArray, drive: DriveSegments, rotating_mass_kg: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Pack energy that the balance leaves unexplained, and its derivatives.

    The balance is written at the pack: energy drawn, less what regen would have had to draw
    to come back, less the work at the wheels over the drive efficiency. Written so, scaling
    mass, drag area and drive efficiency up and regen efficiency down changes nothing at all.

    Parameters
    ----------
    shared : ndarray, shape (10,)
        In the order of ``SHARED_NAMES``. [ratio]
    own : ndarray, shape (5,)
        In the order of ``OWN_NAMES``. [ratio]
    drive : DriveSegments
        n segments.
    rotating_mass_kg : float
        Mass that rotating parts seem to add. [kg]

    Returns
    -------
    residual : ndarray, shape (n,)
        Zero where the balance closes. [J]
    by_shared : ndarray, shape (n, 10)
        Derivatives. [J]
    by_own : ndarray, shape (n, 5)
        Derivatives. [J]
    """
    values = physical(shared)
    drive_efficiency, regen_efficiency = values[DRIVE], values[REGEN]
    auxiliary_w = float(values[AUXILIARY] * np.exp(own[OWN_AUXILIARY]))
    work = road_work(shared, own, drive.road, drive, rotating_mass_kg)
    drawn_j, drawn_s = surplus_at(drive, auxiliary_w)
    duration_s = drive.road.duration_s
    returned_j = drawn_j - drive.total_j + auxiliary_w * duration_s
    round_trip = 1.0 / (drive_efficiency * regen_efficiency)
    brake_j = max(own[BRAKE], 0.0) * drive.brake_j
    wheel_j = (work.total + brake_j) / drive_efficiency
    losses_j = values[CONSTANT_LOSS] * drive.road.moving_s + values[COPPER_LOSS] * drive.force_squared_n2_s
    residual = drawn_j - round_trip * returned_j - losses_j - wheel_j
    by_shared = np.empty((drive.count, SHARED_COUNT))
    by_shared[:, MASS] = -work.by_mass / drive_efficiency
    by_shared[:, DRAG] = -work.air / drive_efficiency
    by_shared[:, ROLLING] = -work.rolling / drive_efficiency
    by_shared[:, DRIVE] = round_trip * returned_j + wheel_j
    by_shared[:, REGEN] = round_trip * returned_j
    by_shared[:, AUXILIARY] = -auxiliary_w * (drawn_s + round_trip * (duration_s - drawn_s))
    by_shared[:, TEMPERATURE] = -work.by_temperature / drive_efficiency
    by_shared[:, WARM_UP] = -work.by_warm_up / drive_efficiency
    by_shared[:, CONSTANT_LOSS] = -drive.road.moving_s
    by_shared[:, COPPER_LOSS] = -drive.force_squared_n2_s
    by_own = np.empty((drive.count, OWN_COUNT))
    by_own[:, LEVEL] = -(work.rolling + work.air) / drive_efficiency
    by_own[:, WIND_FIRST] = -work.air_by_first_wind / drive_efficiency
    by_own[:, WIND_SECOND] = -work.air_by_second_wind / drive_efficiency
    by_own[:, OWN_AUXILIARY] = by_shared[:, AUXILIARY]
    by_own[:, BRAKE] = -drive.brake_j / drive_efficiency if own[BRAKE] > 0.0 else 0.0
    return residual, by_shared, by_own

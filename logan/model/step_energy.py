"""Pack energy of short steps of a drive: the one expression that the fit fits and the prediction predicts."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from logan.model.segments_table import DriveSegments, RoadIntegrals
from logan.model.unknowns import (
    AUXILIARY,
    COLD_REGEN,
    CONSTANT_LOSS,
    COPPER_LOSS,
    DRAG,
    DRIVE,
    DRIVELINE_DRAG,
    DRIVELINE_RISE,
    LEVEL,
    MASS,
    OWN_AUXILIARY,
    OWN_COUNT,
    REGEN,
    ROLLING,
    SHARED_COUNT,
    TEMPERATURE,
    TIRE_RISE,
    WARM_UP,
    WIND_FIRST,
    WIND_SECOND,
    physical,
)
from logan.physics.tyre import speed_rise_share
from logan.units import STANDARD_GRAVITY_M_PER_S2, FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RoadWork:
    """Work at the wheels in each step and its parts; shape (m,) each. [J]

    Parameters
    ----------
    total, rolling, air : ndarray
        All of it; rolling resistance; air.
    by_mass, by_temperature, by_warm_up, by_tire_rise, by_driveline_rise : ndarray
        Derivatives by log mass, log fall per kelvin, warm-up rise, the tires' rise, and driveline drag by speed.
    air_by_first_wind, air_by_second_wind : ndarray
        Derivatives by the drive's own wind. [J s/m]
    """

    total: FloatArray
    rolling: FloatArray
    air: FloatArray
    by_mass: FloatArray
    by_temperature: FloatArray
    by_warm_up: FloatArray
    by_tire_rise: FloatArray
    by_driveline_rise: FloatArray
    air_by_first_wind: FloatArray
    air_by_second_wind: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StepEnergy:
    """Net pack energy of each step, cabin included, and its derivatives.

    Parameters
    ----------
    energy_j : ndarray, shape (m,)
        [J]
    by_shared, by_own : ndarray, shape (m, p) and (m, o)
        Derivatives. [J]
    """

    energy_j: FloatArray
    by_shared: FloatArray
    by_own: FloatArray


def road_work(
    shared: FloatArray, own: FloatArray, road: RoadIntegrals, drive: DriveSegments, rotating_mass_kg: float
) -> RoadWork:
    """Work at the wheels over steps of a drive, for given unknowns; see ``RoadWork``. Method: fit (1) to (3)."""
    payload_kg = drive.payload_kg
    mass, drag, rolling, *_ = physical(shared)
    fall_per_k, rise = float(np.exp(shared[TEMPERATURE])), float(shared[WARM_UP])
    gravity, level = STANDARD_GRAVITY_M_PER_S2, float(np.exp(own[LEVEL]))
    rolling_n = (mass + payload_kg) * gravity * rolling * level * drive.rolling_factor
    speed_m_per_s = road.distance_m / np.maximum(road.duration_s, 1e-9)
    faster_m = speed_rise_share(speed_m_per_s) * road.distance_m
    stretched_m = road.distance_m - fall_per_k * road.temperature_distance_m_k + rise * road.warm_up_distance_m
    stretched_m = stretched_m + shared[TIRE_RISE] * faster_m
    spin_m2_per_s = speed_m_per_s * road.distance_m
    driveline_j = shared[DRIVELINE_DRAG] * road.distance_m + shared[DRIVELINE_RISE] * spin_m2_per_s
    half_drag = 0.5 * drag * level * drive.drag_factor
    first, second = (road.air_north, road.air_east) if drive.has_heading else (road.air_along, np.zeros(road.count))
    # Own wind as a share of the along-road term gives its mean along the road, and with it the square.
    along = np.maximum(road.air_along, 1e-9)
    along_m_per_s = (own[WIND_FIRST] * first + own[WIND_SECOND] * second) / along
    whole_kg = drive.air_density_kg_per_m3 * road.distance_m
    by_along = half_drag * (road.air_along + 2.0 * whole_kg * along_m_per_s)
    air = half_drag * (road.air_kg_m2_per_s2 + along_m_per_s * road.air_along + whole_kg * along_m_per_s**2)
    rolling_j = rolling_n * stretched_m
    # Twice the density times the integral of speed squared over time is what a wind changes; B of a coastdown is known.
    linear_j = 0.5 * drive.linear_n_s_per_m / drive.air_density_kg_per_m3 * road.air_along
    stored_per_kg = road.kinetic_m2_per_s2 + gravity * road.climb_m
    stored_j = (mass + payload_kg) * stored_per_kg + rotating_mass_kg * road.kinetic_m2_per_s2
    return RoadWork(
        total=rolling_j + linear_j + air + driveline_j + stored_j,
        rolling=rolling_j,
        air=air,
        by_mass=mass / (mass + payload_kg) * rolling_j + mass * stored_per_kg,
        by_temperature=-rolling_n * fall_per_k * road.temperature_distance_m_k,
        by_warm_up=rolling_n * road.warm_up_distance_m,
        by_tire_rise=rolling_n * faster_m,
        by_driveline_rise=spin_m2_per_s,
        air_by_first_wind=by_along * first / along,
        air_by_second_wind=by_along * second / along,
    )


def step_energy(
    shared: FloatArray, own: FloatArray, road: RoadIntegrals, drive: DriveSegments, rotating_mass_kg: float
) -> StepEnergy:
    """Net pack energy of each step of a drive.

    Wheel work over the drive efficiency where positive; times the regen efficiency where negative, as far as a cold
    pack and its limit take it; plus losses while moving, auxiliaries, and the cabin's logged energy. Method: fit (4).

    Parameters
    ----------
    shared : ndarray, shape (p,)
        In the order of ``SHARED_NAMES``. [ratio]
    own : ndarray, shape (o,)
        In the order of ``OWN_NAMES``. [ratio]
    road : RoadIntegrals
        The drive's m steps, with the climbs to be believed.
    drive : DriveSegments
        The drive.
    rotating_mass_kg : float
        Mass that rotating parts seem to add. [kg]
    """
    values = physical(shared)
    work = road_work(shared, own, road, drive, rotating_mass_kg)
    regen = values[REGEN] * np.exp(-max(values[COLD_REGEN], 0.0) * drive.trip_cold_k)
    driving = work.total > 0.0
    back_j = np.where(driving, 0.0, -regen * work.total)
    capped = back_j > drive.trip_regen_limit_j
    back_j = np.minimum(back_j, drive.trip_regen_limit_j)
    forward_j = np.where(driving, work.total / values[DRIVE], 0.0)
    # What regen does not take, friction brakes do: the motor sees no more than the rest.
    motor_j = np.where(capped, -back_j / regen, work.total)
    path_m = np.maximum(road.distance_m, 2.0 * road.duration_s)
    moves = road.moving_s > 0.0
    squared = np.where(moves, (motor_j / path_m) ** 2 * road.duration_s, 0.0)
    by_squared = np.where(moves & ~capped, 2.0 * motor_j / path_m**2 * road.duration_s, 0.0)
    auxiliary_j = values[AUXILIARY] * np.exp(own[OWN_AUXILIARY]) * road.duration_s
    # Change of pack energy per change of wheel work, step by step.
    factor = np.where(driving, 1.0 / values[DRIVE], np.where(capped, 0.0, regen)) + values[COPPER_LOSS] * by_squared
    by_shared = np.zeros((road.count, SHARED_COUNT))
    for index, part in (
        (MASS, work.by_mass), (DRAG, work.air), (ROLLING, work.rolling),
        (TEMPERATURE, work.by_temperature), (WARM_UP, work.by_warm_up), (TIRE_RISE, work.by_tire_rise),
        (DRIVELINE_DRAG, road.distance_m), (DRIVELINE_RISE, work.by_driveline_rise),
    ):  # fmt: skip
        by_shared[:, index] = factor * part
    by_shared[:, DRIVE] = -forward_j
    by_shared[:, REGEN] = np.where(capped, -2.0 * values[COPPER_LOSS] * squared, -back_j)
    by_shared[:, COLD_REGEN] = -by_shared[:, REGEN] * drive.trip_cold_k * (values[COLD_REGEN] > 0.0)
    by_shared[:, AUXILIARY] = auxiliary_j
    by_shared[:, CONSTANT_LOSS] = road.moving_s
    by_shared[:, COPPER_LOSS] = squared
    by_own = np.zeros((road.count, OWN_COUNT))
    by_own[:, LEVEL] = factor * (work.rolling + work.air)
    by_own[:, WIND_FIRST], by_own[:, WIND_SECOND] = factor * work.air_by_first_wind, factor * work.air_by_second_wind
    by_own[:, OWN_AUXILIARY] = auxiliary_j
    losses_j = values[CONSTANT_LOSS] * road.moving_s + values[COPPER_LOSS] * squared
    energy_j = forward_j - back_j + losses_j + auxiliary_j + drive.trip_cabin_j
    return StepEnergy(energy_j=energy_j, by_shared=by_shared, by_own=by_own)

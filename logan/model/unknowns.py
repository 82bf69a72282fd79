"""The vector that the fit solves for, and the pack energy of short steps that it gives."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from logan.model.parameters import (
    ENVIRONMENT_UNITS,
    MOST_REGEN_LOST_RATIO,
    PARAMETER_NAMES,
    PARAMETER_UNITS,
    ParameterDistribution,
    regen_left_ratio,
)
from logan.model.segments_table import DriveSegments, RoadIntegrals
from logan.physics.tyre import WARM_UP_RISE_RATIO, speed_rise_share
from logan.results import result
from logan.settings import BuildSettings
from logan.units import STANDARD_GRAVITY_M_PER_S2, BoolArray, FloatArray

TAUGHT_NAMES: Final = tuple(name for name in ENVIRONMENT_UNITS if name not in ("heating_w_per_k", "cooling_w_per_k"))
SHARED_NAMES: Final = (*PARAMETER_NAMES, *TAUGHT_NAMES)
"""Order of the shared vector. The first seven are held as logarithms, the others as they are."""

SHARED_UNITS: Final = (*PARAMETER_UNITS, *(ENVIRONMENT_UNITS[name] for name in TAUGHT_NAMES))
LOG_COUNT: Final = 7
SHARED_COUNT: Final = len(SHARED_NAMES)


class At:
    """Where each unknown stands in the shared vector."""

    (
        MASS, DRAG, ROLLING, DRIVE, REGEN, AUXILIARY, TEMPERATURE, WARM_UP, CONSTANT_LOSS, COPPER_LOSS, COLD_REGEN,
        DRIVELINE_DRAG, DRIVELINE_RISE, TIRE_RISE, FULL_REGEN,
    ) = range(SHARED_COUNT)  # fmt: skip


class Own:
    """Where a drive's own unknowns stand: log factor on road load, wind, log factor on auxiliary power.

    The wind is that from north and east, or along the road and none. [ratio, m/s, m/s, ratio]
    """

    LEVEL, WIND_FIRST, WIND_SECOND, AUXILIARY = range(4)


OWN_COUNT: Final = 4

COLD_LOG_SIGMA: Final = 0.5
"""Spread of the fall per kelvin: it stands for gear oil and bearings too (common practice)."""

COLD_PER_K: Final = 0.012
"""Fall of road drag per kelvin that the fit starts from where the build names none of its own: what real drives of
summer and winter show, tires, oil and bearings together (common practice)."""

WARM_UP_SIGMA_RATIO: Final = 0.25
CONSTANT_LOSS_W: Final = (100.0, 100.0)
COPPER_LOSS_W_PER_N2: Final = (3.0e-4, 3.0e-4)
COLD_REGEN_PER_K: Final = (0.03, 0.03)
"""Mean and standard deviation of the loss terms, and of the share of regen that each kelvin of a cold pack takes away
(common practice)."""

FULL_REGEN_RATIO: Final = (0.4, 0.3)
"""Mean and standard deviation of the share of regen that a full pack takes away (common practice: a charge limit that
tapers from 90 % to nothing when full binds in about half of the braking)."""

DRIVELINE_DRAG_N: Final = {False: (30.0, 15.0), True: (55.0, 25.0)}
DRIVELINE_N_S_PER_M: Final = {False: (0.60, 0.35), True: (1.05, 0.60)}
"""Mean and standard deviation of the drag of gears, bearings and seals at the wheels, by whether all are driven:
constant, and by speed (from memory). A day's tires and wind do not scale it."""

TIRE_RISE_RATIO: Final = (0.10, 0.06)
"""Mean and standard deviation of how far rolling resistance rises between 80 km/h, at which drums state it (ISO 28580),
and what (v2 - v80 2) / v65 2 makes of it, v65 being 65 mph (from memory)."""

PLAN_SPEED_M_PER_S: Final = 18.0
PLAN_ACCELERATION_M_PER_S2: Final = 0.15
PLAN_BRAKING_M_PER_S2: Final = 0.5
"""Where a plan's efficiencies hold: this speed, the road load and so much acceleration more, or so much braking (common
practice: the middle of mixed driving)."""

_MOST_NAMED_RATIO: Final = 0.75
_MOST_EFFICIENCY_RATIO: Final = 0.995
_NAMED: Final = (At.CONSTANT_LOSS, At.COPPER_LOSS, At.DRIVELINE_DRAG, At.DRIVELINE_RISE)
"""Losses with names of their own take at most this share of a plan's loss."""


@result()
class SharedPrior:
    """Normal prior of the shared vector.

    Parameters
    ----------
    mean : ndarray, shape (p,)
        In the order of ``SHARED_NAMES``.
    precision : ndarray, shape (p, p)
        Inverse covariance; rows of fixed unknowns are zero.
    is_free : ndarray of bool, shape (p,)
        False for an unknown that is held at its mean.
    """

    mean: FloatArray
    precision: FloatArray
    is_free: BoolArray

    @property
    def covariance(self) -> FloatArray:
        """Covariance, shape (p, p); zero for what is fixed."""
        return inverse_of_free(self.precision, self.is_free)


def inverse_of_free(information: FloatArray, is_free: BoolArray) -> FloatArray:
    """Inverse over the free unknowns, shape (p, p); zero for the others."""
    covariance = np.zeros(information.shape)
    free = np.ix_(is_free, is_free)
    covariance[free] = np.linalg.inv(information[free])
    return covariance


def shared_prior(prior: ParameterDistribution, build: BuildSettings, *, as_planned: bool = False) -> SharedPrior:
    """Widen the plan's distribution by what only the fit needs.

    Parameters
    ----------
    prior : ParameterDistribution
        The plan's six parameters.
    build : BuildSettings
        For the fall of rolling resistance per kelvin.
    as_planned : bool
        True keeps to what the plan itself predicts with: two efficiencies, and its own fall per kelvin.
    """
    mean, sigma = np.zeros(SHARED_COUNT), np.zeros(SHARED_COUNT)
    fall = build.vehicle.rolling_temperature_coefficient_per_k
    mean[:LOG_COUNT] = [*prior.log_mean, np.log(fall.value)]
    mean[At.WARM_UP], sigma[At.WARM_UP] = WARM_UP_RISE_RATIO, WARM_UP_SIGMA_RATIO
    sigma[At.TEMPERATURE] = max(COLD_LOG_SIGMA, fall.sigma / fall.value) if fall.sigma > 0 else 0.0
    follows = np.zeros((2, SHARED_COUNT))
    if not as_planned:
        if fall.sigma > 0:
            mean[At.TEMPERATURE] = max(mean[At.TEMPERATURE], np.log(COLD_PER_K))
        mean[At.COLD_REGEN], sigma[At.COLD_REGEN] = COLD_REGEN_PER_K
        mean[At.TIRE_RISE], sigma[At.TIRE_RISE] = TIRE_RISE_RATIO
        mean[At.FULL_REGEN], sigma[At.FULL_REGEN] = FULL_REGEN_RATIO
        drives_all = build.vehicle.driven_wheels in ("four", "all")
        losses = (CONSTANT_LOSS_W, COPPER_LOSS_W_PER_N2, DRIVELINE_DRAG_N[drives_all], DRIVELINE_N_S_PER_M[drives_all])
        named, sigma[list(_NAMED)] = np.array(losses).T
        is_certified = build.vehicle.linear_road_load_n_s_per_m.value > 0.0
        if is_certified:
            named[2:] = 0.0
        mean[list(_NAMED)], mean[[At.DRIVE, At.REGEN]], follows[:, _NAMED] = _without_named_losses(prior, named)
        if is_certified:
            # A certified road load was coasted down with the driveline in it, and its efficiencies are without.
            follows[:, [At.DRIVELINE_DRAG, At.DRIVELINE_RISE]] = 0.0
    covariance = np.diag(sigma**2)
    size = len(PARAMETER_NAMES)
    covariance[:size, :size] = prior.log_covariance
    joined = np.eye(SHARED_COUNT)
    joined[[At.DRIVE, At.REGEN]] += np.where(prior.log_sigma[[At.DRIVE, At.REGEN], None] > 0.0, follows, 0.0)
    covariance = joined @ covariance @ joined.T
    is_free = np.diag(covariance) > 0.0
    return SharedPrior(mean=mean, precision=inverse_of_free(covariance, is_free), is_free=is_free)


def _without_named_losses(prior: ParameterDistribution, named: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Split a plan's efficiencies into losses with names and the rest, so that both lose the same. Method: fit (19).

    Parameters
    ----------
    prior : ParameterDistribution
        The plan.
    named : ndarray, shape (4,)
        Constant loss, copper loss, drag of the driveline and its rise. [W, W/N2, N, N s/m]

    Returns
    -------
    named : ndarray, shape (4,)
        Smaller where they would be more than most of what the plan loses.
    efficiency : ndarray, shape (2,)
        Logarithms of drive and regen efficiency without them. [ratio]
    follows : ndarray, shape (2, 4)
        How those go with the losses: what the plan says is the whole. [any]
    """
    drive, regen = prior.median[[At.DRIVE, At.REGEN]]

    def split(losses: FloatArray) -> FloatArray:
        force_n, drag_n, lost_n = _at_plan(prior.median, losses)
        driving = (1.0 + drag_n / force_n[0]) / (1.0 / drive - lost_n[0] / force_n[0])
        return np.log([driving, (regen * force_n[1] + lost_n[1]) / (force_n[1] - drag_n)])

    named_ratio = 1.0 - (np.exp(-split(named)[0]) - 1.0) / (1.0 / drive - 1.0)
    named = named * min(1.0, _MOST_NAMED_RATIO / max(named_ratio, 1e-9))
    efficiency = split(named)
    step = np.array([1.0, 1e-6, 1.0, 1e-2])
    follows = np.stack([(split(named + row) - efficiency) / row.sum() for row in np.diag(step)], axis=1)
    return named, np.minimum(efficiency, np.log(_MOST_EFFICIENCY_RATIO)), follows


def _at_plan(parameters: FloatArray, losses: FloatArray) -> tuple[FloatArray, float, FloatArray]:
    """Forces of driving and braking at which a plan's efficiencies hold, drag of the driveline, other losses. [N]"""
    mass, drag, rolling = parameters[[At.MASS, At.DRAG, At.ROLLING]]
    speed = PLAN_SPEED_M_PER_S
    road_n = mass * STANDARD_GRAVITY_M_PER_S2 * rolling + 0.6 * drag * speed**2
    force_n = np.array([road_n + PLAN_ACCELERATION_M_PER_S2 * mass, PLAN_BRAKING_M_PER_S2 * mass])
    drag_n = float(losses[2] + losses[3] * speed)
    return force_n, drag_n, losses[0] / speed + losses[1] * (force_n + drag_n * np.array([1.0, -1.0])) ** 2 / speed


def whole_efficiencies(shared: FloatArray) -> FloatArray:
    """Drive and regen efficiency as a plan counts them, named losses in them, shape (2,). Method: fit (19). [ratio]"""
    values = physical(shared)
    force_n, drag_n, lost_n = _at_plan(values, values[list(_NAMED)])
    drawn = (1.0 + drag_n / force_n[0]) / values[At.DRIVE] + lost_n[0] / force_n[0]
    return np.array([1.0 / drawn, (values[At.REGEN] * (force_n[1] - drag_n) - lost_n[1]) / force_n[1]])


def physical(shared: FloatArray) -> FloatArray:
    """The shared vector in its units, shape (p,)."""
    values = np.array(shared, dtype=np.float64)
    values[:LOG_COUNT] = np.exp(values[:LOG_COUNT])
    return values


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
    fall_per_k, rise = float(np.exp(shared[At.TEMPERATURE])), float(shared[At.WARM_UP])
    gravity, level = STANDARD_GRAVITY_M_PER_S2, float(np.exp(own[Own.LEVEL]))
    rolling_n = (mass + payload_kg) * gravity * rolling * level * drive.rolling_factor
    speed_m_per_s = road.distance_m / np.maximum(road.duration_s, 1e-9)
    faster_m = speed_rise_share(speed_m_per_s) * road.distance_m
    stretched_m = road.distance_m - fall_per_k * road.temperature_distance_m_k + rise * road.warm_up_distance_m
    stretched_m = stretched_m + shared[At.TIRE_RISE] * faster_m
    spin_m2_per_s = speed_m_per_s * road.distance_m
    driveline_j = shared[At.DRIVELINE_DRAG] * road.distance_m + shared[At.DRIVELINE_RISE] * spin_m2_per_s
    half_drag = 0.5 * drag * level * drive.drag_factor
    first, second = (road.air_north, road.air_east) if drive.has_heading else (road.air_along, np.zeros(road.count))
    # Own wind as a share of the along-road term gives its mean along the road, and with it the square.
    along = np.maximum(road.air_along, 1e-9)
    along_m_per_s = (own[Own.WIND_FIRST] * first + own[Own.WIND_SECOND] * second) / along
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
        In the order of ``Own``. [ratio]
    road : RoadIntegrals
        The drive's m steps, with the climbs to be believed.
    drive : DriveSegments
        The drive.
    rotating_mass_kg : float
        Mass that rotating parts seem to add. [kg]
    """
    values = physical(shared)
    work = road_work(shared, own, road, drive, rotating_mass_kg)
    cold, full = drive.trip_cold_k, drive.trip_full_ratio
    regen = values[At.REGEN] * regen_left_ratio(values[At.COLD_REGEN], values[At.FULL_REGEN], cold, full)
    driving = work.total > 0.0
    back_j = np.where(driving, 0.0, -regen * work.total)
    capped = back_j > drive.trip_regen_limit_j
    back_j = np.minimum(back_j, drive.trip_regen_limit_j)
    forward_j = np.where(driving, work.total / values[At.DRIVE], 0.0)
    # What regen does not take, friction brakes do: the motor sees no more than the rest.
    motor_j = np.where(capped, -back_j / regen, work.total)
    path_m = np.maximum(road.distance_m, 2.0 * road.duration_s)
    moves = road.moving_s > 0.0
    squared = np.where(moves, (motor_j / path_m) ** 2 * road.duration_s, 0.0)
    loop_j = drive.trip_swing_j / (values[At.DRIVE] * regen)
    by_squared = np.where(moves & ~capped, 2.0 * motor_j / path_m**2 * road.duration_s, 0.0)
    auxiliary_j = values[At.AUXILIARY] * np.exp(own[Own.AUXILIARY]) * road.duration_s
    # Change of pack energy per change of wheel work, step by step.
    factor = (
        np.where(driving, 1.0 / values[At.DRIVE], np.where(capped, 0.0, regen)) + values[At.COPPER_LOSS] * by_squared
    )
    by_shared = np.zeros((road.count, SHARED_COUNT))
    for index, part in (
        (At.MASS, work.by_mass), (At.DRAG, work.air), (At.ROLLING, work.rolling),
        (At.TEMPERATURE, work.by_temperature), (At.WARM_UP, work.by_warm_up), (At.TIRE_RISE, work.by_tire_rise),
        (At.DRIVELINE_DRAG, road.distance_m), (At.DRIVELINE_RISE, work.by_driveline_rise),
    ):  # fmt: skip
        by_shared[:, index] = factor * part
    by_shared[:, At.DRIVE] = -forward_j - loop_j
    by_shared[:, At.REGEN] = np.where(capped, -2.0 * values[At.COPPER_LOSS] * squared, -back_j) - loop_j
    by_shared[:, At.COLD_REGEN] = -by_shared[:, At.REGEN] * cold * (values[At.COLD_REGEN] > 0.0)
    if 0.0 < values[At.FULL_REGEN] < MOST_REGEN_LOST_RATIO:
        by_shared[:, At.FULL_REGEN] = -by_shared[:, At.REGEN] * full / (1.0 - values[At.FULL_REGEN] * full)
    by_shared[:, At.AUXILIARY] = auxiliary_j
    by_shared[:, At.CONSTANT_LOSS] = road.moving_s
    by_shared[:, At.COPPER_LOSS] = squared + drive.trip_swing_n2_s
    by_own = np.zeros((road.count, OWN_COUNT))
    by_own[:, Own.LEVEL] = factor * (work.rolling + work.air)
    by_own[:, Own.WIND_FIRST], by_own[:, Own.WIND_SECOND] = (
        factor * work.air_by_first_wind,
        factor * work.air_by_second_wind,
    )
    by_own[:, Own.AUXILIARY] = auxiliary_j
    losses_j = values[At.CONSTANT_LOSS] * road.moving_s + values[At.COPPER_LOSS] * by_shared[:, At.COPPER_LOSS]
    energy_j = forward_j - back_j + loop_j - drive.trip_swing_j + losses_j + auxiliary_j + drive.trip_cabin_j
    return StepEnergy(energy_j=energy_j, by_shared=by_shared, by_own=by_own)

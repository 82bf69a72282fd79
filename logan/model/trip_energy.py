"""Pack energy of a recorded drive, predicted from parameters: its speeds, hills, weather and cabin load given."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from logan.constants import STANDARD_GRAVITY_M_PER_S2
from logan.model.drive_likelihood import (
    LOGGED_AUXILIARY_SIGMA_RATIO,
    OWN_MEAN,
    WIND_SIGMA_KNOWN_M_PER_S,
    WIND_SIGMA_NO_HEADING_M_PER_S,
    NoiseScales,
    own_mean,
    segment_variance_j2,
)
from logan.model.segments_table import DriveSegments
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
from logan.model.wheel_balance import BRAKE, LEVEL, OWN_AUXILIARY, OWN_COUNT, WIND_FIRST, WIND_SECOND, road_work
from logan.units import FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TripEnergy:
    """Predicted pack energy of a drive and its derivatives.

    Parameters
    ----------
    energy_j : float
        Net, cabin included. [J]
    by_shared, by_own : ndarray, shape (10,) and (5,)
        Derivatives. [J]
    by_height_j_per_m : float
        Derivative by the height of the drive's end.
    """

    energy_j: float
    by_shared: FloatArray
    by_own: FloatArray
    by_height_j_per_m: float


def trip_energy(
    shared: FloatArray,
    drive: DriveSegments,
    rotating_mass_kg: float,
    *,
    friction_ratio: float = 0.0,
    own: FloatArray = OWN_MEAN,
) -> TripEnergy:
    """Predict a drive's net pack energy from parameters, without looking at its pack power.

    Parameters
    ----------
    shared : ndarray, shape (10,)
        In the order of ``SHARED_NAMES``. [ratio]
    drive : DriveSegments
        Its trip steps, cabin load and payload.
    rotating_mass_kg : float
        Mass that rotating parts seem to add. [kg]
    friction_ratio : float
        Share of the braking work that friction takes. [ratio]
    own : ndarray, shape (5,)
        The drive's own unknowns; left out, those of an average drive. [ratio]

    Returns
    -------
    TripEnergy
        Step by step: wheel work over the drive efficiency where positive; times the regen
        efficiency where negative, as far as the pack may take it.
    """
    values, trip = physical(shared), drive.trip
    work = road_work(shared, own, trip, drive, rotating_mass_kg)
    driving = work.total > 0.0
    regen = values[REGEN] * (1.0 - friction_ratio)
    back_j = -regen * work.total
    capped = ~driving & (back_j > drive.trip_regen_limit_j)
    # Change of pack energy per change of wheel work, step by step.
    factor = np.where(driving, 1.0 / values[DRIVE], np.where(capped, 0.0, regen))
    traction_j = np.where(capped, -np.where(capped, drive.trip_regen_limit_j, 0.0), work.total * factor)
    force_n = work.total / np.maximum(trip.distance_m, 2.0 * trip.duration_s)
    squared = np.where(trip.moving_s > 0.0, force_n**2 * trip.duration_s, 0.0)
    auxiliary_w = values[AUXILIARY] * np.exp(own[OWN_AUXILIARY])
    auxiliary_j = float(auxiliary_w * trip.duration_s.sum())
    moving_s = float(trip.moving_s.sum())
    losses_j = values[CONSTANT_LOSS] * moving_s + values[COPPER_LOSS] * float(squared.sum())
    by_shared = np.zeros(SHARED_COUNT)
    for index, part in (
        (MASS, work.by_mass), (DRAG, work.air), (ROLLING, work.rolling),
        (TEMPERATURE, work.by_temperature), (WARM_UP, work.by_warm_up),
    ):  # fmt: skip
        by_shared[index] = factor @ part
    by_shared[DRIVE] = -traction_j[driving].sum()
    by_shared[REGEN] = traction_j[~driving & ~capped].sum()
    by_shared[[AUXILIARY, CONSTANT_LOSS, COPPER_LOSS]] = auxiliary_j, moving_s, squared.sum()
    by_own = np.zeros(OWN_COUNT)
    by_own[LEVEL] = factor @ (work.rolling + work.air)
    by_own[WIND_FIRST], by_own[WIND_SECOND] = factor @ work.air_by_first_wind, factor @ work.air_by_second_wind
    by_own[OWN_AUXILIARY] = auxiliary_j
    return TripEnergy(
        energy_j=float(traction_j.sum()) + auxiliary_j + losses_j + drive.cabin_j,
        by_shared=by_shared,
        by_own=by_own,
        by_height_j_per_m=(values[MASS] + drive.payload_kg) * STANDARD_GRAVITY_M_PER_S2 / values[DRIVE],
    )


def friction_share_ratio(
    shared: FloatArray, own: FloatArray, drives: Sequence[DriveSegments], rotating_mass_kg: float
) -> float:
    """Share of the braking work that friction took beyond what the regen limits explain; shared (10,), own (d, 5).

    [ratio]
    """
    friction_j = braked_j = 0.0
    regen = physical(shared)[REGEN]
    for drive, drive_own in zip(drives, own, strict=True):
        work = road_work(shared, drive_own, drive.trip, drive, rotating_mass_kg)
        held_j = np.maximum(-work.total, 0.0)
        beyond_j = np.maximum(held_j - drive.trip_regen_limit_j / regen, 0.0)
        friction_j += max(drive_own[BRAKE], 0.0) * float(drive.brake_j.sum()) - float(beyond_j.sum())
        braked_j += float(held_j.sum())
    return float(np.clip(friction_j / braked_j, 0.0, 0.9)) if braked_j > 0.0 else 0.0


def with_logged_auxiliary(drive: DriveSegments, shared: FloatArray, spread_ratio: float) -> tuple[FloatArray, float]:
    """Own unknowns of an unseen drive that logged its auxiliary power, and the spread that is left of it.

    Returns
    -------
    own : ndarray, shape (5,)
        Average, but for the auxiliary power. [ratio]
    spread_ratio : float
        One sigma of what is left. [ratio]
    """
    own = own_mean(drive)
    if not drive.auxiliary_power_w:
        return own, float(np.hypot(spread_ratio, drive.unlogged_cabin_log_sigma))
    own[OWN_AUXILIARY] = np.log(drive.auxiliary_power_w) - shared[AUXILIARY]
    return own, LOGGED_AUXILIARY_SIGMA_RATIO


def own_variance_j2(energy: TripEnergy, drive: DriveSegments, scales: NoiseScales, auxiliary_sigma: float) -> float:
    """Variance of a drive's energy from what is its own: level, wind, auxiliaries, height, and what segments miss. [J2]

    What a segment misses is taken independent of the next; height matters at the two ends only.
    """
    wind = WIND_SIGMA_KNOWN_M_PER_S if drive.wind_known else WIND_SIGMA_NO_HEADING_M_PER_S
    sigma = np.zeros(OWN_COUNT)
    sigma[LEVEL], sigma[OWN_AUXILIARY] = scales.level_sigma_ratio, auxiliary_sigma
    sigma[WIND_FIRST] = sigma[WIND_SECOND] = wind
    missed_j2 = float(segment_variance_j2(drive).sum()) * scales.segment_ratio**2
    end_height_j2 = 2.0 * (energy.by_height_j_per_m * drive.elevation_sigma_m) ** 2
    return float(((energy.by_own * sigma) ** 2).sum()) + missed_j2 + end_height_j2

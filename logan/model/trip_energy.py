"""Pack energy of a recorded drive, predicted from parameters: its speeds, hills, weather and cabin load given."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from logan.model.drive_likelihood import (
    LOGGED_AUXILIARY_SIGMA_RATIO,
    OWN_MEAN,
    NoiseScales,
    own_mean,
    own_sigma,
    segment_variance_j2,
)
from logan.model.heights import expected_climbs
from logan.model.segments_table import DriveSegments
from logan.model.unknowns import AUXILIARY, DRIVE, MASS, OWN_AUXILIARY, physical, step_energy
from logan.units import STANDARD_GRAVITY_M_PER_S2, FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TripEnergy:
    """Predicted pack energy of a drive and its derivatives.

    Parameters
    ----------
    energy_j : float
        Net, cabin included. [J]
    by_shared, by_own : ndarray, shape (p,) and (o,)
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
    own: FloatArray = OWN_MEAN,
    scales: NoiseScales | None = None,
) -> TripEnergy:
    """Predict a drive's net pack energy from parameters, without looking at its pack power.

    Parameters
    ----------
    shared : ndarray, shape (p,)
        In the order of ``SHARED_NAMES``. [ratio]
    drive : DriveSegments
        Its trip steps, cabin load and payload.
    rotating_mass_kg : float
        Mass that rotating parts seem to add. [kg]
    own : ndarray, shape (o,)
        The drive's own unknowns; left out, those of an average drive. [ratio]
    scales : NoiseScales or None
        How well heights are known; None takes the climbs as logged.

    Returns
    -------
    TripEnergy
        The sum of the very steps that the fit sums over its segments.
    """
    road = drive.trip
    if scales is not None:
        road = expected_climbs(drive, scales.edge_ratio, scales.hilliness_m2_per_m).road
    steps = step_energy(shared, own, road, drive, rotating_mass_kg)
    values = physical(shared)
    return TripEnergy(
        energy_j=float(steps.energy_j.sum()),
        by_shared=steps.by_shared.sum(axis=0),
        by_own=steps.by_own.sum(axis=0),
        by_height_j_per_m=(values[MASS] + drive.payload_kg) * STANDARD_GRAVITY_M_PER_S2 / values[DRIVE],
    )


def with_logged_auxiliary(drive: DriveSegments, shared: FloatArray, spread_ratio: float) -> tuple[FloatArray, float]:
    """Own unknowns of an unseen drive that logged its auxiliary power, and the spread that is left of it.

    Returns
    -------
    own : ndarray, shape (o,)
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
    sigma = own_sigma(drive, scales)
    sigma[OWN_AUXILIARY] = auxiliary_sigma
    missed_j2 = float(segment_variance_j2(drive).sum()) * scales.segment_ratio**2
    height_m = drive.elevation_sigma_m * (scales.edge_ratio if drive.has_elevation else 1.0)
    end_height_j2 = 2.0 * (energy.by_height_j_per_m * height_m) ** 2
    return float(((energy.by_own * sigma) ** 2).sum()) + missed_j2 + end_height_j2

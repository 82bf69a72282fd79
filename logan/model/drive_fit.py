"""What a fit says of single drives, and their energy predicted: speeds, hills, weather and cabin load given."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from logan.drive.wheel_work import rotating_mass_of
from logan.model.drive_likelihood import (
    LOGGED_AUXILIARY_SIGMA_RATIO,
    OWN_MEAN,
    NoiseScales,
    own_mean,
    own_sigma,
    segment_variance_j2,
)
from logan.model.fit_result import DriveFit, DrivenHull
from logan.model.heights import expected_climbs
from logan.model.hierarchy import Solution
from logan.model.parameters import ParameterDistribution
from logan.model.segments_table import DriveSegments
from logan.model.unknowns import OWN_COUNT, At, Own, physical, shared_prior, step_energy
from logan.physics.air import dry_air_density_kg_per_m3
from logan.results import Estimate
from logan.settings import BuildSettings
from logan.units import JOULES_PER_WATT_HOUR, STANDARD_GRAVITY_M_PER_S2, FloatArray


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
        by_height_j_per_m=(values[At.MASS] + drive.payload_kg) * STANDARD_GRAVITY_M_PER_S2 / values[At.DRIVE],
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
    own[Own.AUXILIARY] = np.log(drive.auxiliary_power_w) - shared[At.AUXILIARY]
    return own, LOGGED_AUXILIARY_SIGMA_RATIO


def own_variance_j2(energy: TripEnergy, drive: DriveSegments, scales: NoiseScales, auxiliary_sigma: float) -> float:
    """Variance of a drive's energy from what is its own: level, wind, auxiliaries, height, and what segments miss. [J2]

    What a segment misses is taken independent of the next; height matters at the two ends only.
    """
    sigma = own_sigma(drive, scales)
    sigma[Own.AUXILIARY] = auxiliary_sigma
    missed_j2 = float(segment_variance_j2(drive).sum()) * scales.segment_ratio**2
    height_m = drive.elevation_sigma_m * (scales.edge_ratio if drive.has_elevation else 1.0)
    end_height_j2 = 2.0 * (energy.by_height_j_per_m * height_m) ** 2
    return float(((energy.by_own * sigma) ** 2).sum()) + missed_j2 + end_height_j2


def predicted_energy(
    shared: FloatArray,
    covariance: FloatArray,
    drive: DriveSegments,
    rotating_mass_kg: float,
    scales: NoiseScales,
    *,
    source: str,
    own_ratio: float = 1.0,
) -> Estimate:
    """Net pack energy of a drive that the parameters have not seen.

    Parameters
    ----------
    shared, covariance : ndarray, shape (p,) and (p, p)
        Shared vector and its covariance. [ratio]
    drive : DriveSegments
        Its speeds, hills, weather and cabin load.
    rotating_mass_kg : float
        Mass that rotating parts seem to add. [kg]
    scales : NoiseScales
        How far drives stray from the mean.
    source : str
        "plan" or "fit".
    own_ratio : float
        By how much what is the drive's own is widened.

    Returns
    -------
    Estimate
        With the parameters' and the drive's own uncertainty. [Wh]
    """
    own, auxiliary_sigma = with_logged_auxiliary(drive, shared, scales.auxiliary_sigma_ratio)
    energy = trip_energy(shared, drive, rotating_mass_kg, own=own, scales=scales)
    by_shared = np.array(energy.by_shared)
    if drive.auxiliary_power_w:
        by_shared[At.AUXILIARY] = 0.0
    own_j2 = own_ratio**2 * own_variance_j2(energy, drive, scales, auxiliary_sigma)
    shared_j2 = max(float(by_shared @ covariance @ by_shared), 0.0)
    sigma_wh = float(np.sqrt(shared_j2 + own_j2)) / JOULES_PER_WATT_HOUR
    return Estimate(energy.energy_j / JOULES_PER_WATT_HOUR, "Wh", sigma_wh, source, drive.coverage_ratio)


def drive_fits(
    solution: Solution,
    drives: Sequence[DriveSegments],
    build: BuildSettings,
    covariance: FloatArray,
    prior: ParameterDistribution,
    own_ratio: float,
) -> tuple[DriveFit, ...]:
    """One entry per drive, refused ones too, in their order."""
    place = {id(state.drive): number for number, state in enumerate(solution.states)}
    return tuple(
        _fitted(solution, place[id(drive)], build, covariance, prior, own_ratio)
        if id(drive) in place
        else _refused(drive)
        for drive in drives
    )


def _fitted(
    solution: Solution,
    number: int,
    build: BuildSettings,
    covariance: FloatArray,
    prior: ParameterDistribution,
    own_ratio: float,
) -> DriveFit:
    state, own = solution.states[number], solution.own[number]
    drive, rotating_kg = state.drive, rotating_mass_of(build)
    own_sigma = np.sqrt(np.diag(np.linalg.inv(solution.likelihoods[number].own_information)))
    level = float(np.exp(own[Own.LEVEL]))
    return DriveFit(
        drive_id=drive.drive_id,
        distance_m=drive.distance_m,
        measured_wh=drive.measured_j / JOULES_PER_WATT_HOUR,
        planned=planned_energy(drive, prior, build),
        refined=predicted_energy(
            solution.shared, covariance, drive, rotating_kg, solution.scales, source="fit", own_ratio=own_ratio
        ),
        level=Estimate(level, "ratio", level * float(own_sigma[Own.LEVEL]), "fit"),
        headwind=_headwind(drive, own, own_sigma),
        segment_count=drive.count,
    )  # fmt: skip


def planned_energy(drive: DriveSegments, plan: ParameterDistribution, build: BuildSettings) -> Estimate:
    """Net pack energy that a plan gives a drive, for the drive's own speeds, hills, weather and cabin load. [Wh]

    Parameters
    ----------
    drive : DriveSegments
        A drive without a refusal.
    plan : ParameterDistribution
        What was assumed before any drive.
    build : BuildSettings
        For rotating masses and the answer of the tyres to temperature.

    Returns
    -------
    Estimate
        With the plan's and the drive's own uncertainty. [Wh]
    """
    planned = shared_prior(plan, build, as_planned=True)
    rotating_kg = rotating_mass_of(build)
    return predicted_energy(planned.mean, planned.covariance, drive, rotating_kg, NoiseScales(), source="plan")


def _headwind(drive: DriveSegments, own: FloatArray, own_sigma: FloatArray) -> Estimate:
    """Mean over the drive of the wind that the log does not hold, against the travel."""
    along = float(drive.trip.air_along.sum())
    if along <= 0.0:
        return Estimate(0.0, "m/s", None, "fit")
    if not drive.has_heading:
        return Estimate(float(own[Own.WIND_FIRST]), "m/s", float(own_sigma[Own.WIND_FIRST]), "fit")
    share = np.zeros(OWN_COUNT)
    share[Own.WIND_FIRST] = drive.trip.air_north.sum() / along
    share[Own.WIND_SECOND] = drive.trip.air_east.sum() / along
    return Estimate(float(share @ own), "m/s", float(np.sqrt(share**2 @ own_sigma**2)), "fit")


def _refused(drive: DriveSegments) -> DriveFit:
    return DriveFit(
        drive_id=drive.drive_id,
        distance_m=drive.distance_m,
        measured_wh=drive.measured_j / JOULES_PER_WATT_HOUR,
        refusal=drive.refusal or "took no part",
    )


def hull_of(drives: Sequence[DriveSegments]) -> DrivenHull | None:
    """Conditions that the drives cover; None without any."""
    if not drives:
        return None
    speed = np.concatenate([drive.trip.distance_m / np.maximum(drive.trip.duration_s, 1e-9) for drive in drives])
    metres = np.concatenate([drive.trip.distance_m for drive in drives])
    order = np.argsort(speed)
    share = np.cumsum(metres[order]) / max(metres.sum(), 1e-9)
    low, high = (float(speed[order][min(int(np.searchsorted(share, part)), speed.size - 1)]) for part in (0.05, 0.95))
    temperature = np.array([drive.ambient_temperature_degc for drive in drives])
    density = np.array([drive.air_density_kg_per_m3 for drive in drives])
    return DrivenHull(
        speed_low_m_per_s=low,
        speed_high_m_per_s=high,
        temperature_low_degc=float(temperature.min()),
        temperature_high_degc=float(temperature.max()),
        distance_m=float(metres.sum()),
        duration_s=sum(drive.duration_s for drive in drives),
        pressure_pa=float(np.median(density / dry_air_density_kg_per_m3(temperature, np.ones(temperature.shape)))),
    )

"""Elevation of a drive with an honest uncertainty, and the climbs between a drive's edges."""

from dataclasses import replace
from typing import Final

import numpy as np

from logan.drive.drive import GNSS_HEIGHT_SIGMA_M, UNKNOWN_HEIGHT_SIGMA_M, Channel, Drive
from logan.model.segments_table import DriveSegments, RoadIntegrals
from logan.numerics import spans_where
from logan.physics.air import standard_elevation_m
from logan.results import result
from logan.units import FloatArray

FLOOR_SIGMA_M: Final = 1.0
BAROMETER_SIGMA_M: Final = 2.0
"""Map error that never vanishes, and weather drift over an hour (common practice)."""

CORRELATION_S: Final = 30.0
"""Time over which the error of satellite height wanders (common practice)."""

_LONGEST_GAP_S: Final = 30.0


@result()
class ElevationTrack:
    """Elevation on a time grid.

    Parameters
    ----------
    elevation_m : ndarray, shape (n,)
        Above sea level, or zero throughout where none is known. [m]
    sigma_m : float
        One standard uncertainty of a single height.
    is_known : bool
        False when it is a guess of level road.
    source : str
        How it was got.
    """

    elevation_m: FloatArray
    sigma_m: float
    is_known: bool
    source: str


def elevation_track(drive: Drive, time_s: FloatArray, speed_m_per_s: FloatArray) -> ElevationTrack:
    """Elevation on a grid; the logged height first, then the barometer's.

    Parameters
    ----------
    drive : Drive
        The drive.
    time_s, speed_m_per_s : ndarray, shape (n,)
        Grid, and road speed on it; heights at standstill tell the sensor's noise. [s, m/s]
    """
    channel = drive.get("elevation")
    if channel is not None and np.isfinite(channel.value).sum() > 1:
        height_m = channel.at(time_s, max_gap_s=max(_LONGEST_GAP_S, channel.max_gap_s))
        seen_m = max(
            standstill_sigma_m(channel, time_s, speed_m_per_s), FLOOR_SIGMA_M, _resolution_m(channel) / np.sqrt(12.0)
        )
        # A sensor's usual error is an upper bound; the fit learns from here how large it really is.
        sigma_m = min(channel.sigma, seen_m) if channel.sigma else seen_m
        return ElevationTrack(elevation_m=_filled(height_m), sigma_m=sigma_m, is_known=True, source="logged elevation")
    pressure = drive.get("barometric_pressure")
    if pressure is not None and np.isfinite(pressure.value).sum() > 1 and np.nanstd(pressure.value) > 5.0:
        height_m = standard_elevation_m(pressure.at(time_s, max_gap_s=max(_LONGEST_GAP_S, pressure.max_gap_s)))
        return ElevationTrack(
            elevation_m=_filled(height_m), sigma_m=BAROMETER_SIGMA_M, is_known=True, source="barometer"
        )
    return ElevationTrack(
        elevation_m=np.zeros(time_s.shape),
        sigma_m=UNKNOWN_HEIGHT_SIGMA_M,
        is_known=False,
        source="none: taken as level",
    )


def _filled(height_m: FloatArray) -> FloatArray:
    # Before the first and after the last height the road is taken as level; gaps inside stay unknown.
    known = np.flatnonzero(np.isfinite(height_m))
    if known.size:
        height_m[: known[0]] = height_m[known[0]]
        height_m[known[-1] + 1 :] = height_m[known[-1]]
    return height_m


def _resolution_m(channel: Channel) -> float:
    steps = np.abs(np.diff(channel.value[np.isfinite(channel.value)]))
    steps = steps[steps > 1e-6]
    return float(np.min(steps)) if steps.size else 0.0


def standstill_sigma_m(channel: Channel, time_s: FloatArray, speed_m_per_s: FloatArray) -> float:
    """Noise of a height sensor from how far it wanders while the vehicle stands.

    The error is taken to be a first-order Gauss-Markov process of 30 s, whose drift over
    a stop of length t has variance 2 sigma^2 (1 - exp(-t / 30 s)).

    Parameters
    ----------
    channel : Channel
        Logged elevation.
    time_s, speed_m_per_s : ndarray, shape (n,)
        Road speed. [s, m/s]

    Returns
    -------
    float
        Standard deviation; the typical 3 m where there are fewer than three stops. [m]
    """
    stops = spans_where(time_s, np.abs(speed_m_per_s) < 0.1, min_duration_s=4.0)
    drift = []
    for start_s, end_s in stops:
        ends = channel.at(np.array([start_s + 0.5, end_s - 0.5]), max_gap_s=max(5.0, channel.max_gap_s))
        if np.isfinite(ends).all():
            drift.append((ends[1] - ends[0]) ** 2 / (2.0 * (1.0 - np.exp(-(end_s - start_s - 1.0) / CORRELATION_S))))
    if len(drift) < 3:
        return GNSS_HEIGHT_SIGMA_M
    # A few stops say little: lean on the typical value as if it had been seen at three more.
    return float(np.sqrt((sum(drift) + 3.0 * GNSS_HEIGHT_SIGMA_M**2) / (len(drift) + 3)))


HILLINESS_M2_PER_M: Final = 0.1
"""Variance of a climb per metre of road before any height is seen: rolling country (common practice)."""

_PSEUDO_SEGMENTS: Final = 20.0
_PSEUDO_OF_A_DRIVE: Final = 5.0


@result()
class Climbs:
    """Climbs of a drive as they are to be believed.

    Parameters
    ----------
    road : RoadIntegrals
        The drive's m steps with these climbs.
    incidence : ndarray, shape (n, e)
        Which edges a segment stands between: -1 and +1. [ratio]
    edge_error_m : ndarray, shape (e,)
        Expected errors of the heights at the edges. [m]
    edge_m2 : ndarray, shape (e, e)
        Covariance of those errors that the log leaves. [m2]
    """

    road: RoadIntegrals
    incidence: FloatArray
    edge_error_m: FloatArray
    edge_m2: FloatArray


def hilliness_m2_per_m(climb_m2_per_m: FloatArray) -> float:
    """Variance of a climb per metre of road, from expected squares over lengths of all segments, shape (n,). [m2/m]

    Method: fit (8).
    """
    total = float(climb_m2_per_m.sum()) + _PSEUDO_SEGMENTS * HILLINESS_M2_PER_M
    return total / (climb_m2_per_m.size + _PSEUDO_SEGMENTS)


def expected_climbs(drive: DriveSegments, edge_ratio: float, hilliness: float) -> Climbs:
    """What a drive's climbs are to be expected to be, given its heights and their error. Method: fit (5), (6), (8).

    Parameters
    ----------
    drive : DriveSegments
        n segments between e edges.
    edge_ratio : float
        Factor on its heights' standard uncertainty.
    hilliness : float
        Variance of a climb per metre of road among all drives. [m2/m]
    """
    incidence = np.zeros((drive.count, drive.edge_sigma_j.size))
    rows = np.arange(drive.count)
    incidence[rows, drive.start_edge.astype(np.int64)] = -1.0
    incidence[rows, drive.end_edge.astype(np.int64)] = 1.0
    if not drive.has_elevation:
        edges = drive.edge_sigma_j.size
        edge_m2 = np.eye(edges) * drive.elevation_sigma_m**2
        return Climbs(road=drive.trip, incidence=incidence, edge_error_m=np.zeros(edges), edge_m2=edge_m2)
    variance_m2 = (drive.elevation_sigma_m * edge_ratio) ** 2
    metres = np.maximum(drive.segment_m, 1.0)
    excess_m2 = max(0.0, float((drive.climb_m**2).sum()) - 2.0 * drive.count * variance_m2)
    per_metre = (drive.count * excess_m2 / max(float(metres.sum()), 1.0) + _PSEUDO_OF_A_DRIVE * hilliness) / (
        drive.count + _PSEUDO_OF_A_DRIVE
    )
    seen_m2 = np.diag(per_metre * metres) + variance_m2 * incidence @ incidence.T
    gain = variance_m2 * np.linalg.solve(seen_m2, incidence).T
    edge_m2 = variance_m2 * (np.eye(incidence.shape[1]) - gain @ incidence)
    error_m = gain @ drive.climb_m
    return Climbs(
        road=_with_climbs(drive, drive.climb_m - incidence @ error_m),
        incidence=incidence,
        edge_error_m=error_m,
        edge_m2=0.5 * (edge_m2 + edge_m2.T),
    )


def _with_climbs(drive: DriveSegments, climb_m: FloatArray) -> RoadIntegrals:
    """The drive's steps, each segment's climb moved to what is believed, evenly along its road."""
    step_m = np.array(drive.trip.climb_m)
    missing_m = climb_m - drive.sums(step_m)
    share = np.zeros(step_m.shape)
    per_metre = missing_m / np.maximum(drive.segment_m, 1.0)
    for first, last, slope in zip(drive.first_step, drive.last_step, per_metre, strict=True):
        share[int(first) : int(last)] = slope
    return replace(drive.trip, climb_m=step_m + share * drive.trip.distance_m)

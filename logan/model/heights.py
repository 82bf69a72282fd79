"""What the climbs between a drive's edges were, where every logged height has an error of its own.

A height is measured with an error, so a logged climb holds two of them, and a fit that took it as it is would see
mass over efficiency too small. The true climbs are latent values with a prior; the fit uses what is to be expected
of them given the log, and carries what is left in doubt as an error of the balance. Method: fit (5) to (8).
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np

from logan.model.segments_table import DriveSegments, RoadIntegrals
from logan.results import result
from logan.units import FloatArray

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
    """What a drive's climbs are to be expected to be, given its heights and their error.

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

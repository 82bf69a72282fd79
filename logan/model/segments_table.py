"""What a drive brings to the fit: integrals over its segments, small enough to store with the drive.

Every array is an integral taken at the logger's native rate between two instants, so that
nothing is lost by keeping the integrals and letting the samples go.
"""

from __future__ import annotations

import hashlib
from dataclasses import fields, replace

import numpy as np

from logan.results import JsonValue, result, result_from_json
from logan.units import FloatArray


def _values(instance: object) -> list[object]:
    values = [getattr(instance, field.name) for field in fields(instance)]  # type: ignore[arg-type]
    return [value for value in values if not isinstance(value, RoadIntegrals)]


@result()
class RoadIntegrals:
    """What the road asked for over n intervals, free of every fitted parameter; shape (n,) each.

    Parameters
    ----------
    start_s, duration_s, moving_s, distance_m : ndarray
        When, how long, how long in motion, how far. [s, s, s, m]
    temperature_distance_m_k : ndarray
        Integral over distance of ambient less 25 °C. [m K]
    warm_up_distance_m : ndarray
        Integral over distance of how cold the tyres still are: 1 at a cold start, decaying. [m]
    air_kg_m2_per_s2 : ndarray
        Integral over distance of density times air speed squared, known wind included. [J/m2]
    air_along, air_north, air_east : ndarray
        Its change per m/s of unknown wind against the travel, from north, from east. [J s/m3]
    kinetic_m2_per_s2 : ndarray
        Half the change of speed squared. [m2/s2]
    climb_m : ndarray
        Change of elevation; zero where none is known. [m]
    """

    start_s: FloatArray
    duration_s: FloatArray
    moving_s: FloatArray
    distance_m: FloatArray
    temperature_distance_m_k: FloatArray
    warm_up_distance_m: FloatArray
    air_kg_m2_per_s2: FloatArray
    air_along: FloatArray
    air_north: FloatArray
    air_east: FloatArray
    kinetic_m2_per_s2: FloatArray
    climb_m: FloatArray

    @property
    def count(self) -> int:
        """Number of intervals."""
        return int(self.duration_s.size)


@result("coastdown-load/1")
class CoastdownLoad:
    """Deceleration of a drive's coastdown pairs on the level without wind: constant + quadratic x speed squared.

    Parameters
    ----------
    constant_m_per_s2, quadratic_per_m : float
        Mean over the pairs, as driven. [m/s2, 1/m]
    constant_sigma_ratio, quadratic_sigma_ratio : float
        Relative standard uncertainties, mass not included.
    air_density_kg_per_m3 : float
        Mean over the runs.
    beyond_reference_k : float
        Mean ambient less 25 degrees Celsius. [K]
    warm_up_share_ratio, warm_up_slope_s2_per_m2 : float
        How cold the tyres still were: share = ratio + slope x speed squared over the runs. [ratio, s2/m2]
    pair_count : int
        Pairs of runs in opposite directions.
    """

    constant_m_per_s2: float
    quadratic_per_m: float
    constant_sigma_ratio: float
    quadratic_sigma_ratio: float
    air_density_kg_per_m3: float
    beyond_reference_k: float
    warm_up_share_ratio: float
    warm_up_slope_s2_per_m2: float
    pair_count: int


@result("drive-segments/6")
class DriveSegments:
    """One drive, reduced to what the fit and the comparison need: short steps, joined to segments for the fit.

    Parameters
    ----------
    drive_id : str
        The caller's name for it.
    trip : RoadIntegrals
        The whole drive in short steps. m rows.
    trip_power_j, trip_cabin_j : ndarray, shape (m,)
        Pack energy of each step, and the logged heating and cooling in it. [J]
    trip_regen_limit_j : ndarray, shape (m,)
        Most energy that the pack could take back in the step; infinity where no limit is known. [J]
    trip_cold_k : ndarray, shape (m,)
        How far the pack was too cold to take regen readily. [K]
    trip_full_ratio : ndarray, shape (m,)
        How far it was too full: 0 to 1. [ratio]
    trip_shaft_j : ndarray, shape (m,) or (0,)
        Work at the motor shafts as logged, infinite where unknown; empty where no torque is logged. [J]
    trip_swing_j, trip_swing_n2_s : ndarray, shape (m,)
        Pack energy that went against the step's own direction, and the variance of the wheels' force times its length,
        as the pack's power shows them. [J, N2 s]
    first_step, last_step : ndarray, shape (n,)
        Which steps a segment of the fit covers; the last not included. [ratio]
    climb_m : ndarray, shape (n,)
        Change of the logged height over each segment; zero where none is known. [m]
    start_edge, end_edge : ndarray, shape (n,)
        Which edge a segment starts and ends at; neighbours share one. [ratio]
    edge_sigma_j : ndarray, shape (e,)
        Standard uncertainty of the energy stored at each edge, from speed and timing. [J]
    elevation_sigma_m : float
        Standard uncertainty of a single height.
    auxiliary_power_w : float or None
        Mean of the logged auxiliary power without cabin; None where not logged. [W]
    payload_kg : float
        Load beyond the weighed mass.
    drag_factor, rolling_factor : float
        What the driver says that a roof rack or a trailer made of drag area and rolling resistance.
    ambient_temperature_degc, air_density_kg_per_m3 : float
        Mean over the drive.
    pack_lag_s : float
        By how much pack power was late against speed, already taken out. [s]
    has_elevation, has_heading, cabin_logged, wind_known : bool
        What the log holds.
    payload_known : bool
        True where the driver noted the load, none included.
    coverage_ratio : float
        Share of the driving time that the trip steps cover.
    refusal : str
        Why the drive cannot take part in the fit; empty when it can.
    warnings : tuple of str
        What makes it less sure.
    linear_n_s_per_m : float
        Known road load that grows in proportion to speed: coefficient B of a coastdown. [N s/m]
    unlogged_cabin_log, unlogged_cabin_log_sigma : float
        Mean and spread of the log factor by which heating or cooling that was not logged raised the auxiliaries.
    coastdown : CoastdownLoad or None
        What its coastdown pairs showed; None without any. No segment repeats it.
    """

    drive_id: str
    trip: RoadIntegrals
    trip_power_j: FloatArray
    trip_cabin_j: FloatArray
    trip_regen_limit_j: FloatArray
    trip_cold_k: FloatArray
    trip_full_ratio: FloatArray
    trip_shaft_j: FloatArray
    trip_swing_j: FloatArray
    trip_swing_n2_s: FloatArray
    first_step: FloatArray
    last_step: FloatArray
    climb_m: FloatArray
    start_edge: FloatArray
    end_edge: FloatArray
    edge_sigma_j: FloatArray
    elevation_sigma_m: float
    auxiliary_power_w: float | None
    payload_kg: float
    ambient_temperature_degc: float
    air_density_kg_per_m3: float
    pack_lag_s: float
    has_elevation: bool
    has_heading: bool
    cabin_logged: bool
    wind_known: bool
    coverage_ratio: float
    refusal: str = ""
    warnings: tuple[str, ...] = ()
    linear_n_s_per_m: float = 0.0
    unlogged_cabin_log: float = 0.0
    unlogged_cabin_log_sigma: float = 0.0
    coastdown: CoastdownLoad | None = None
    drag_factor: float = 1.0
    payload_known: bool = False
    rolling_factor: float = 1.0

    @property
    def distance_m(self) -> float:
        """Distance that the trip steps cover. [m]"""
        return float(self.trip.distance_m.sum())

    @property
    def duration_s(self) -> float:
        """Time that the trip steps cover. [s]"""
        return float(self.trip.duration_s.sum())

    @property
    def measured_j(self) -> float:
        """Net pack energy over the trip steps. [J]"""
        return float(self.trip_power_j.sum())

    @property
    def cabin_j(self) -> float:
        """Logged heating and cooling over the trip steps. [J]"""
        return float(self.trip_cabin_j.sum())

    @property
    def count(self) -> int:
        """Number of segments that the fit uses."""
        return int(self.first_step.size)

    @property
    def segment_m(self) -> FloatArray:
        """Length of each segment, shape (n,). [m]"""
        return self.sums(self.trip.distance_m)

    @property
    def fingerprint(self) -> str:
        """Name of everything that the fit knows of the drive, 16 hexadecimal digits."""
        digest = hashlib.sha256()
        for part in (*_values(self.trip), *_values(self)):
            digest.update(part.tobytes() if isinstance(part, np.ndarray) else repr(part).encode())
        return digest.hexdigest()[:16]

    @property
    def joins(self) -> FloatArray:
        """Which steps make up what the fit sums up, shape (n + 1, m): segments in motion, and all standing. [ratio]"""
        step, stands = np.arange(self.trip.count), self.trip.moving_s <= 0.0
        inside = (step >= self.first_step[:, None]) & (step < self.last_step[:, None])
        return np.vstack((inside & ~stands, inside.any(axis=0) & stands)).astype(np.float64)

    def sums(self, per_step: FloatArray) -> FloatArray:
        """Sum what m steps have over each segment, shape (n,). [any]"""
        running = np.concatenate(([0.0], np.cumsum(per_step)))
        return np.asarray(running[self.last_step.astype(np.int64)] - running[self.first_step.astype(np.int64)])

    @classmethod
    def from_dict(cls, content: JsonValue) -> DriveSegments:
        """Read back what ``logan.results.json_ready`` wrote.

        Raises
        ------
        ValueError
            If the content is of another schema.
        """
        found = result_from_json(cls, content)
        # JSON has no infinity: json_ready wrote null, which only a limit that does not bind can be.
        limit_j = found.trip_regen_limit_j
        return replace(found, trip_regen_limit_j=np.where(np.isnan(limit_j), np.inf, limit_j))

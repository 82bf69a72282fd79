"""Running integrals of what the road asks for, readable between any two whole seconds of a drive."""

from typing import Final

import numpy as np
from scipy.ndimage import gaussian_filter1d

from logan.drive.drive import STANDSTILL_M_PER_S
from logan.drive.wheel_work import UNDER_WAY_S
from logan.model.drive_track import DriveTrack
from logan.model.segments_table import RoadIntegrals
from logan.physics.tyre import REFERENCE_TEMPERATURE_DEGC, TEMPERATURE_HIGH_DEGC, TEMPERATURE_LOW_DEGC, WARM_UP_TIME_S
from logan.results import result
from logan.units import BoolArray, FloatArray, IntArray

TRIP_STEP_S: Final = 2
"""Length of the steps in which a drive's consumption is predicted. [s]"""


@result()
class RunningRoad:
    """Integrals from the start of the grid to each whole second; shape (s,) each unless said.

    Parameters
    ----------
    second_s, grid_index : ndarray
        The whole seconds, and where they stand in the grid. [s, ratio]
    covered_s, uncovered_s : ndarray
        Time with and without power and speed. [s]
    moving_s, distance_m, temperature_distance_m_k, warm_up_distance_m : ndarray
        As in ``RoadIntegrals``.
    air_kg_m2_per_s2, air_along, air_north, air_east : ndarray
        As in ``RoadIntegrals``.
    power_j, cabin_j : ndarray
        Pack energy and cabin energy. [J]
    drivetrain_j, drawn_j, drivetrain_j2_per_s : ndarray
        Pack energy less cabin and planned auxiliaries: net, what was drawn of it, and of its power's square.
        [J, J, J2/s]
    speed_m_per_s, net_power_w : ndarray
        Mean over the second around each, and over two. [m/s, W]
    elevation_m, smooth_elevation_m : ndarray
        Raw, and smoothed for short steps. [m]
    is_covered_at : ndarray of bool
        True where the second around is covered.
    regen_limit_j : ndarray
        Integral of the pack's acceptance; infinity where none is logged. [J]
    """

    second_s: FloatArray
    grid_index: IntArray
    covered_s: FloatArray
    uncovered_s: FloatArray
    moving_s: FloatArray
    distance_m: FloatArray
    temperature_distance_m_k: FloatArray
    warm_up_distance_m: FloatArray
    air_kg_m2_per_s2: FloatArray
    air_along: FloatArray
    air_north: FloatArray
    air_east: FloatArray
    power_j: FloatArray
    cabin_j: FloatArray
    drivetrain_j: FloatArray
    drawn_j: FloatArray
    drivetrain_j2_per_s: FloatArray
    speed_m_per_s: FloatArray
    net_power_w: FloatArray
    elevation_m: FloatArray
    smooth_elevation_m: FloatArray
    is_covered_at: BoolArray
    regen_limit_j: FloatArray

    def road(self, starts: IntArray, ends: IntArray, *, is_smooth: bool = False) -> RoadIntegrals:
        """What the road asked for between pairs of whole seconds, by their index."""
        height_m = self.smooth_elevation_m if is_smooth else self.elevation_m
        summed = (
            "moving_s", "distance_m", "temperature_distance_m_k", "warm_up_distance_m", "air_kg_m2_per_s2", "air_along",
            "air_north", "air_east",
        )  # fmt: skip
        return RoadIntegrals(
            start_s=self.second_s[starts],
            duration_s=self.covered_s[ends] - self.covered_s[starts],
            kinetic_m2_per_s2=0.5 * (self.speed_m_per_s[ends] ** 2 - self.speed_m_per_s[starts] ** 2),
            climb_m=height_m[ends] - height_m[starts],
            **{name: getattr(self, name)[ends] - getattr(self, name)[starts] for name in summed},
        )

    def timing_error_j(self, mass_kg: float, lag_s: float) -> FloatArray:
        """Energy that a clock error between power and speed puts on the wrong side of each second. [J]"""
        acceleration = np.gradient(self.speed_m_per_s) if self.speed_m_per_s.size > 1 else np.zeros(1)
        kinetic_w = mass_kg * self.speed_m_per_s * np.abs(acceleration)
        return np.asarray(lag_s * np.hypot(self.net_power_w, kinetic_w))


def running_road(track: DriveTrack, auxiliary_w: float) -> RunningRoad:
    """Integrate a track once, from its first whole second to its last; auxiliaries as planned. [W]"""
    second_s = np.arange(np.ceil(track.time_s[0]), np.floor(track.time_s[-1]) + 1.0)
    grid_index = np.searchsorted(track.time_s, second_s)
    step_s = np.diff(track.time_s)
    covered_step_s = np.where(track.is_covered, step_s, 0.0)

    def total(rate: FloatArray) -> FloatArray:
        summed = np.concatenate(([0.0], np.cumsum(0.5 * (rate[1:] + rate[:-1]) * covered_step_s)))
        return np.asarray(summed[grid_index])

    speed, density = track.speed_m_per_s, track.density_kg_per_m3
    air_speed = speed + track.headwind_m_per_s
    per_wind = 2.0 * density * np.abs(air_speed) * speed
    held_degc = np.clip(track.temperature_degc, TEMPERATURE_LOW_DEGC, TEMPERATURE_HIGH_DEGC)
    begun_s = track.time_s - track.time_s[0] + (UNDER_WAY_S if speed[: min(20, speed.size)].mean() > 3.0 else 0.0)
    net_w = track.power_w - track.cabin.power_w
    net_j, drivetrain_w = total(net_w), net_w - auxiliary_w
    elevation_m = track.elevation.elevation_m[grid_index]
    speed_at = _speed_at(track, second_s)
    uncovered = np.concatenate(([0.0], np.cumsum(step_s - covered_step_s)))[grid_index]
    return RunningRoad(
        second_s=second_s,
        grid_index=grid_index,
        covered_s=total(np.ones(speed.shape)),
        uncovered_s=uncovered,
        moving_s=total((speed > STANDSTILL_M_PER_S).astype(float)),
        distance_m=total(speed),
        temperature_distance_m_k=total((held_degc - REFERENCE_TEMPERATURE_DEGC) * speed),
        warm_up_distance_m=total(np.exp(-begun_s / WARM_UP_TIME_S) * speed),
        air_kg_m2_per_s2=total(density * air_speed * np.abs(air_speed) * speed),
        air_along=total(per_wind),
        air_north=total(per_wind * track.heading_cosine),
        air_east=total(per_wind * track.heading_sine),
        power_j=total(track.power_w),
        cabin_j=total(track.cabin.power_w),
        drivetrain_j=total(drivetrain_w),
        drawn_j=total(np.maximum(drivetrain_w, 0.0)),
        drivetrain_j2_per_s=total(drivetrain_w**2),
        speed_m_per_s=speed_at,
        net_power_w=_around(net_j, second_s),
        elevation_m=elevation_m,
        smooth_elevation_m=_smoothed(elevation_m, speed_at, track.elevation.sigma_m),
        is_covered_at=np.concatenate(([False], (np.diff(uncovered) <= 0.0))) & np.isfinite(elevation_m),
        regen_limit_j=total(np.minimum(track.regen_limit_w, 1e12)),
    )


def _around(running: FloatArray, second_s: FloatArray) -> FloatArray:
    """Mean rate over one second before and one after, one-sided at the ends."""
    return np.asarray(np.gradient(running, second_s)) if running.size > 1 else np.zeros(running.shape)


def _speed_at(track: DriveTrack, second_s: FloatArray) -> FloatArray:
    """Mean speed over half a second before and after; the sample itself at the ends."""
    step_m = 0.5 * (track.speed_m_per_s[1:] + track.speed_m_per_s[:-1]) * np.diff(track.time_s)
    metres = np.concatenate(([0.0], np.cumsum(step_m)))
    ahead, behind = (np.interp(second_s + half, track.time_s, metres) for half in (0.5, -0.5))
    speed = np.asarray(ahead - behind)
    at_ends = (second_s - 0.5 < track.time_s[0]) | (second_s + 0.5 > track.time_s[-1])
    speed[at_ends] = np.interp(second_s[at_ends], track.time_s, track.speed_m_per_s)
    return speed


def _smoothed(elevation_m: FloatArray, speed_m_per_s: FloatArray, sigma_m: float) -> FloatArray:
    """Heights smoothed over the seconds in motion; a stop is one place, whatever its height sensor wandered."""
    known = np.isfinite(elevation_m)
    if known.sum() < 3:
        return np.zeros(elevation_m.shape)
    at = np.arange(elevation_m.size)
    filled = np.interp(at, at[known], elevation_m[known])
    stands = speed_m_per_s <= STANDSTILL_M_PER_S
    place = np.cumsum(~(stands & np.concatenate(([False], stands[:-1])))) - 1
    mean_m = np.bincount(place, weights=filled) / np.bincount(place)
    smooth_m = gaussian_filter1d(mean_m, min(max(5.0 * sigma_m, 5.0), 15.0), mode="nearest")
    return np.asarray(smooth_m[place])


def empty_road() -> RoadIntegrals:
    """Return road integrals over no interval."""
    nothing = np.empty(0)
    return RoadIntegrals(**dict.fromkeys(RoadIntegrals.__dataclass_fields__, nothing))

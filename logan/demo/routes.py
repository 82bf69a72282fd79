"""Invented routes for the twin: target speeds over time, hills over distance."""

from dataclasses import dataclass

import numpy as np

from logan.units import BoolArray, FloatArray

_MPH = 0.44704
_COASTDOWN_ROAD_M = 20_000


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TwinRoute:
    """Where and how fast the twin is asked to go.

    Parameters
    ----------
    time_s, speed_m_per_s : ndarray, shape (n,)
        Target speed, linear in between. [s, m/s]
    is_coasting : ndarray of bool, shape (n,)
        Drive and brakes released: a coastdown.
    elevation_m, heading_deg : ndarray, shape (m,)
        Height and bearing, one value every ``elevation_spacing_m`` of road. [m, deg]
    start_m : float
        Where on the road it starts.
    turn_s : tuple of float
        When it turns round on the spot and drives the same road back. [s]
    """

    time_s: FloatArray
    speed_m_per_s: FloatArray
    is_coasting: BoolArray
    elevation_m: FloatArray
    heading_deg: FloatArray
    elevation_spacing_m: float = 10.0
    start_m: float = 0.0
    turn_s: tuple[float, ...] = ()


def _hills(
    distance_m: float, climb_ratio: float, rng: np.random.Generator, *, out_and_back: bool
) -> tuple[FloatArray, FloatArray]:
    """Smooth hills with the given typical grade, and a slowly turning bearing."""
    count = int(distance_m * 1.15 / 10.0) + 3
    at_m = np.arange(count) * 10.0
    elevation = np.full(count, 200.0)
    for wavelength_m in (1500.0, 4000.0, 11_000.0):
        wave = wavelength_m * rng.uniform(0.8, 1.25)
        elevation += climb_ratio * wave / 9.0 * np.sin(2 * np.pi * (at_m / wave + rng.uniform()))
    heading = np.mod(60.0 + 50.0 * np.sin(2 * np.pi * at_m / 9000.0 + rng.uniform(0, 6)), 360.0)
    if out_and_back:
        half = distance_m / 2.0
        mirrored = np.where(at_m > half, np.maximum(2 * half - at_m, 0.0), at_m)
        elevation = np.interp(mirrored, at_m, elevation)
        heading = np.mod(np.interp(mirrored, at_m, heading) + np.where(at_m > half, 180.0, 0.0), 360.0)
    return elevation, heading


def route_of(
    time_s: FloatArray,
    speed_m_per_s: FloatArray,
    *,
    rng: np.random.Generator,
    climb_ratio: float = 0.0,
    out_and_back: bool = True,
    is_coasting: BoolArray | None = None,
) -> TwinRoute:
    """A route from a speed schedule, with hills of the given typical grade."""
    distance_m = float(np.sum(0.5 * (speed_m_per_s[1:] + speed_m_per_s[:-1]) * np.diff(time_s)))
    elevation, heading = _hills(max(distance_m, 100.0), climb_ratio, rng, out_and_back=out_and_back)
    return TwinRoute(
        time_s=time_s,
        speed_m_per_s=speed_m_per_s,
        is_coasting=np.zeros(time_s.shape, dtype=bool) if is_coasting is None else is_coasting,
        elevation_m=elevation,
        heading_deg=heading,
    )


def _stops(
    duration_s: float, rng: np.random.Generator, cruise_m_per_s: tuple[float, float], leg_s: tuple[float, float]
) -> tuple[list[float], list[float]]:
    """Stop-and-go: accelerate, cruise with a wandering speed, brake, wait."""
    times, speeds = [0.0, 5.0], [0.0, 0.0]
    while times[-1] < duration_s:
        cruise = rng.uniform(*cruise_m_per_s)
        times.append(times[-1] + cruise / rng.uniform(0.8, 2.2))
        speeds.append(cruise)
        end = times[-1] + rng.uniform(*leg_s)
        while times[-1] < end:
            times.append(times[-1] + rng.uniform(5.0, 15.0))
            speeds.append(max(2.0, cruise + rng.normal(0.0, 0.06 * cruise)))
        times.append(times[-1] + speeds[-1] / rng.uniform(0.8, 2.5))
        speeds.append(0.0)
        times.append(times[-1] + rng.uniform(3.0, 25.0))
        speeds.append(0.0)
    return times, speeds


def urban_route(rng: np.random.Generator, *, duration_s: float = 1800.0, climb_ratio: float = 0.01) -> TwinRoute:
    """Stop-and-go at 20 to 40 mph."""
    times, speeds = _stops(duration_s, rng, (18 * _MPH, 42 * _MPH), (15.0, 70.0))
    return route_of(np.array(times), np.array(speeds), rng=rng, climb_ratio=climb_ratio)


def highway_route(
    rng: np.random.Generator, *, duration_s: float = 1800.0, speed_mph: float = 65.0, climb_ratio: float = 0.01
) -> TwinRoute:
    """Out and back at a nearly steady speed, with a stop at the turn."""
    half_s = duration_s / 2.0
    times, speeds = [0.0, 10.0], [0.0, 0.0]
    for _ in range(2):
        times.append(times[-1] + 25.0)
        speeds.append(speed_mph * _MPH)
        end = times[-1] + half_s - 60.0
        while times[-1] < end:
            times.append(times[-1] + rng.uniform(10.0, 30.0))
            speeds.append(speed_mph * _MPH + rng.normal(0.0, 0.8))
        times.extend([times[-1] + 25.0, times[-1] + 40.0])
        speeds.extend([0.0, 0.0])
    return route_of(np.array(times), np.array(speeds), rng=rng, climb_ratio=climb_ratio)


def mixed_route(rng: np.random.Generator, *, duration_s: float = 3600.0, climb_ratio: float = 0.015) -> TwinRoute:
    """A third each of town, country road and highway."""
    times, speeds = _stops(duration_s / 3, rng, (18 * _MPH, 38 * _MPH), (15.0, 60.0))
    country_times, country_speeds = _stops(duration_s / 3, rng, (40 * _MPH, 55 * _MPH), (90.0, 240.0))
    fast_times, fast_speeds = _stops(duration_s / 3, rng, (60 * _MPH, 70 * _MPH), (400.0, 700.0))
    for part_times, part_speeds in ((country_times, country_speeds), (fast_times, fast_speeds)):
        start = times[-1] + 1.0
        times.extend(start + moment for moment in part_times)
        speeds.extend(part_speeds)
    return route_of(np.array(times), np.array(speeds), rng=rng, climb_ratio=climb_ratio)


def hill_route(rng: np.random.Generator, *, duration_s: float = 900.0, grade_ratio: float = 0.06) -> TwinRoute:
    """A long steady climb and the same way down: heat and regen."""
    speed = 45 * _MPH
    times = np.array([0.0, 10.0, 30.0, duration_s / 2, duration_s / 2 + 20, duration_s / 2 + 40, duration_s / 2 + 60,
                      duration_s - 20, duration_s, duration_s + 10])  # fmt: skip
    speeds = np.array([0.0, 0.0, speed, speed, 0.0, 0.0, speed, speed, 0.0, 0.0])
    flat = route_of(times, speeds, rng=rng)
    distance = float(np.sum(0.5 * (speeds[1:] + speeds[:-1]) * np.diff(times)))
    at_m = np.arange(flat.elevation_m.size) * 10.0
    up = np.minimum(at_m, np.maximum(distance - at_m, 0.0))
    return TwinRoute(
        time_s=times,
        speed_m_per_s=speeds,
        is_coasting=flat.is_coasting,
        elevation_m=200.0 + grade_ratio * up,
        heading_deg=np.where(at_m > distance / 2, 270.0, 90.0),
    )


def coastdown_route(
    rng: np.random.Generator,
    *,
    pairs: int = 4,
    high_mph: float = 70.0,
    coast_s: float = 150.0,
    grade_ratio: float = 0.0,
) -> TwinRoute:
    """Coastdown pairs in both directions: accelerate, let go, brake, turn."""
    times, speeds, coasting, turns = [0.0, 5.0], [0.0, 0.0], [False, False], []
    for _ in range(2 * pairs):
        turns.append(times[-1] - 5.0)
        for step_s, speed, is_coasting in (
            (30.0, high_mph * _MPH, False),
            (5.0, high_mph * _MPH, False),
            (0.1, high_mph * _MPH, True),
            (coast_s, 10 * _MPH, True),
            (0.1, 10 * _MPH, False),
            (12.0, 0.0, False),
            (20.0, 0.0, False),
        ):
            times.append(times[-1] + step_s)
            speeds.append(speed)
            coasting.append(is_coasting)
    flat = route_of(np.array(times), np.array(speeds), rng=rng, is_coasting=np.array(coasting))
    at_m = np.arange(_COASTDOWN_ROAD_M // 10, dtype=np.float64) * 10.0
    return TwinRoute(
        time_s=flat.time_s,
        speed_m_per_s=flat.speed_m_per_s,
        is_coasting=flat.is_coasting,
        elevation_m=200.0 + grade_ratio * at_m,
        heading_deg=np.full(at_m.shape, 90.0),
        start_m=0.5 * _COASTDOWN_ROAD_M,
        turn_s=tuple(turns[1:]),
    )

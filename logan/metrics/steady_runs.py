"""Steady speeds held for a while: power at that speed, one way or both ways averaged."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from logan.drive.drive import Drive, PackPower, height_along, pack_power, road_speed
from logan.drive.wheel_work import effective_mass_kg, vehicle_mass_kg
from logan.metrics.opposite_runs import are_opposite, mean_heading, paired
from logan.numerics import cumulative, rolling_mean, spans_where
from logan.results import Estimate, Figure, result
from logan.settings import BuildSettings
from logan.units import STANDARD_GRAVITY_M_PER_S2

LEAST_SPEED_M_PER_S: Final = 8.0
LEAST_DURATION_S: Final = 60.0
MOST_STRAY_M_PER_S: Final = 0.8
PAIR_SPEED_M_PER_S: Final = 1.0
UNKNOWN_WIND_M_PER_S: Final = 2.0


@result("steady-run/1")
class SteadyRun:
    """Steady speed held on the level, one way or both ways averaged.

    Parameters
    ----------
    speed_m_per_s : float
        Mean.
    power_w, wh_per_km : Figure
        Pack power, and per distance.
    is_two_way : bool
        True where opposite runs at this speed were averaged (removes a headwind's linear part).
    spans : tuple of tuple
        Start and end of each run. [s]
    """

    speed_m_per_s: float
    power_w: Figure
    wh_per_km: Figure
    is_two_way: bool
    spans: tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True)
class _OneWay:
    """One steady stretch, kinetic and height energy taken out."""

    start_s: float
    end_s: float
    speed_m_per_s: float
    power_w: float
    sigma_w: float
    heading_deg: float | None


def steady_runs(drive: Drive, build: BuildSettings) -> tuple[SteadyRun, ...]:
    """Steady speeds of a drive; opposite stretches at one speed are averaged.

    Parameters
    ----------
    drive, build : Drive, BuildSettings
        The drive; mass and drive efficiency, which take out kinetic and height energy.

    Returns
    -------
    tuple of SteadyRun
        By speed.

    References
    ----------
    .. [1] 40 CFR 1066.301(c): averaging both directions; it removes the wind's linear part and the slope,
       and leaves the square of the wind over that of the speed in the air resistance.
    """
    power, speed = pack_power(drive), road_speed(drive)
    if power is None or speed is None:
        return ()
    fast, slow = (rolling_mean(speed.time_s, speed.value, window) for window in (5.0, 30.0))
    is_steady = (np.abs(fast - slow) < MOST_STRAY_M_PER_S) & (slow > LEAST_SPEED_M_PER_S)
    found = []
    for start_s, end_s in spans_where(speed.time_s, np.nan_to_num(is_steady, nan=0.0) > 0.0):
        # The long mean looks back half a minute; its stretch has been steady since the middle of that.
        one = _one_way(drive, build, power, start_s - 15.0, end_s)
        if one is not None:
            found.append(one)
    groups = paired(sorted(found, key=lambda one: one.start_s), _belong)
    runs = (_run(ways, build.instruments.power_gain_sigma_ratio) for ways in groups)
    return tuple(sorted(runs, key=lambda run: run.speed_m_per_s))


def _one_way(drive: Drive, build: BuildSettings, power: PackPower, start_s: float, end_s: float) -> _OneWay | None:
    duration_s = end_s - start_s
    speed = road_speed(drive)
    if duration_s < LEAST_DURATION_S or speed is None:
        return None
    running = cumulative(power.time_s, np.nan_to_num(power.power_w), max_gap_s=power.max_gap_s)
    edges_s = np.linspace(start_s, end_s, max(3, int(duration_s / 10.0)) + 1)
    blocks_w = np.diff(np.interp(edges_s, power.time_s, running)) / np.diff(edges_s)
    value = speed.between(start_s, end_s).value
    if value.size < 10:
        return None
    tenth = max(1, value.size // 20)
    first, last = float(value[:tenth].mean()), float(value[-tenth:].mean())
    mass, efficiency = vehicle_mass_kg(drive, build), build.powertrain.drive_efficiency.value
    gained_j = 0.5 * effective_mass_kg(drive, build) * (last**2 - first**2)
    height, height_sigma_j = height_along(drive), 0.0
    if height is not None:
        ends = height.at(np.array([start_s, end_s]))
        if np.isfinite(ends).all():
            gained_j += mass * STANDARD_GRAVITY_M_PER_S2 * float(ends[1] - ends[0])
        height_sigma_j = mass * STANDARD_GRAVITY_M_PER_S2 * height.sigma_m * float(np.sqrt(2.0))
    mean_w = float(blocks_w.mean()) - gained_j / efficiency / duration_s
    spread_w = float(np.std(blocks_w, ddof=1)) / np.sqrt(blocks_w.size)
    sigma_w = float(np.hypot(spread_w, height_sigma_j / efficiency / duration_s))
    heading = mean_heading(drive, start_s, end_s)
    # A stretch round a bend has no one direction.
    heading_deg = heading[0] if heading is not None and heading[1] > 0.9 else None
    return _OneWay(start_s, end_s, float(value.mean()), mean_w, sigma_w, heading_deg)


def _belong(one: _OneWay, other: _OneWay) -> bool:
    is_alike = abs(one.speed_m_per_s - other.speed_m_per_s) <= PAIR_SPEED_M_PER_S
    return is_alike and are_opposite(one.heading_deg, other.heading_deg)


def _run(ways: tuple[_OneWay, ...], gain: float) -> SteadyRun:
    count = len(ways)
    speed = sum(way.speed_m_per_s for way in ways) / count
    power_w = sum(way.power_w for way in ways) / count
    # One sensor read both ways: its gain does not average out.
    sigma_w = float(np.hypot(np.sqrt(sum(way.sigma_w**2 for way in ways)) / count, gain * power_w))
    source = "both ways averaged"
    if count == 1:
        # An unknown wind moves the air part, about half of the power at these speeds, by twice its share of speed.
        sigma_w = float(np.hypot(sigma_w, power_w * UNKNOWN_WIND_M_PER_S / speed))
        source = "one way: wind not removed"
    return SteadyRun(
        speed_m_per_s=speed,
        power_w=Estimate(power_w, "W", sigma_w, source),
        wh_per_km=Estimate(power_w / speed / 3.6, "Wh/km", sigma_w / speed / 3.6, source),
        is_two_way=count == 2,
        spans=tuple((way.start_s, way.end_s) for way in ways),
    )

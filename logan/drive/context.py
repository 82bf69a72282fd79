"""What else was true at one moment of a drive."""

from typing import Final

import numpy as np

from logan.drive.drive import Drive, height_along, pack_power, road_speed
from logan.numerics import cumulative
from logan.results import result
from logan.units import FloatArray

SLOPE_BASE_M: Final = 200.0
"""Stretch over which a slope is taken from height: satellite height is too coarse for less. [m]"""

SLOPE_REACH_S: Final = 5.0


@result("context/1")
class Context:
    """Speed, load, slope and surroundings at one moment; None where not logged.

    Parameters
    ----------
    at_s : float
        The moment. [s]
    speed_m_per_s, power_w, grade_ratio, state_of_charge_ratio, ambient_degc : float or None
        Road speed, pack power, slope, state of charge and outside air at that moment.
    """

    at_s: float
    speed_m_per_s: float | None = None
    power_w: float | None = None
    grade_ratio: float | None = None
    state_of_charge_ratio: float | None = None
    ambient_degc: float | None = None


class ContextLookup:
    """Contexts of one drive: the nearest sample of each channel, within five of its longest steps.

    Parameters
    ----------
    drive : Drive
        The drive.
    """

    def __init__(self, drive: Drive) -> None:
        self._drive = drive
        self._power = pack_power(drive)
        self._slope = None if "grade" in drive else slope_along(drive)

    def at(self, at_s: float) -> Context:
        """Context of one moment. [s]"""
        power = self._power
        ambient_degc = self._value(at_s, "ambient_temperature")
        if ambient_degc is None:
            ambient_degc = self._drive.conditions.ambient_temperature_degc
        return Context(
            at_s=at_s,
            speed_m_per_s=self._value(at_s, "speed", "gnss_speed"),
            power_w=_nearest(power.time_s, power.power_w, at_s, 5.0 * power.max_gap_s) if power else None,
            grade_ratio=self._grade(at_s),
            state_of_charge_ratio=self._value(at_s, "state_of_charge"),
            ambient_degc=ambient_degc,
        )

    def _grade(self, at_s: float) -> float | None:
        """Slope as logged; else from height over a stretch that the height can bear."""
        if self._slope is None:
            return self._value(at_s, "grade")
        return _nearest(*self._slope, at_s, SLOPE_REACH_S)

    def _value(self, at_s: float, *names: str) -> float | None:
        for name in names:
            channel = self._drive.get(name)
            if channel is not None:
                value = _nearest(channel.time_s, channel.value, at_s, 5.0 * channel.max_gap_s)
                if value is not None:
                    return value
        return None


def slope_along(drive: Drive) -> tuple[FloatArray, FloatArray] | None:
    """Times, and slope over the stretch around each; NaN where height is not known. None without speed or height."""
    speed, height = road_speed(drive), height_along(drive)
    if speed is None or height is None or speed.time_s.size < 2:
        return None
    height_m = height.at(speed.time_s)
    known = np.isfinite(height_m)
    travelled = cumulative(speed.time_s, np.abs(np.nan_to_num(speed.value)), max_gap_s=speed.max_gap_s)
    if int(known.sum()) < 2 or float(travelled[-1]) < SLOPE_BASE_M:
        return None
    ahead = np.minimum(travelled + 0.5 * SLOPE_BASE_M, travelled[-1])
    behind = np.maximum(travelled - 0.5 * SLOPE_BASE_M, 0.0)
    climbed = np.interp(ahead, travelled[known], height_m[known]) - np.interp(behind, travelled[known], height_m[known])
    return speed.time_s, np.where(known, climbed / (ahead - behind), np.nan)


def _nearest(time_s: FloatArray, value: FloatArray, at_s: float, reach_s: float) -> float | None:
    if time_s.size == 0:
        return None
    right = int(np.searchsorted(time_s, at_s))
    candidates = {max(right - 1, 0), min(right, time_s.size - 1)}
    for index in sorted(candidates, key=lambda candidate: abs(float(time_s[candidate]) - at_s)):
        if abs(float(time_s[index]) - at_s) <= reach_s and np.isfinite(value[index]):
            return float(value[index])
    return None

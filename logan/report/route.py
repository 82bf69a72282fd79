"""The road of a drive without a map: height and consumption along the distance."""

from __future__ import annotations

from typing import Final

import numpy as np

from logan.drive.drive import Drive, height_along, pack_power, road_speed
from logan.numerics import cumulative
from logan.results import result
from logan.units import JOULES_PER_WATT_HOUR, FloatArray

STRETCHES: Final = 40
_SHORTEST_M: Final = 200.0
"""A shorter stretch says more about one sample than about the road. [m]"""


@result("route-profile/1")
class RouteProfile:
    """Height and consumption along the distance.

    Parameters
    ----------
    distance_m, height_m : ndarray, shape (n,)
        Height where it was logged; empty where it was not. [m, m]
    edge_m : ndarray, shape (k + 1,)
        Ends of equally long stretches. [m]
    wh_per_km : ndarray, shape (k,)
        Net consumption of each stretch; NaN where power was not known for all of it. [Wh/km]
    """

    distance_m: FloatArray
    height_m: FloatArray
    edge_m: FloatArray
    wh_per_km: FloatArray

    @property
    def length_m(self) -> float:
        """From start to end. [m]"""
        return float(self.edge_m[-1])


def route_profile(drive: Drive) -> RouteProfile | None:
    """Height and consumption of a drive along its distance.

    Parameters
    ----------
    drive : Drive
        With a speed, and a height or a pack power.

    Returns
    -------
    RouteProfile or None
        None where there is no speed, or the drive went nowhere.
    """
    speed = road_speed(drive)
    if speed is None or speed.time_s.size < 2:
        return None
    along_m = cumulative(speed.time_s, speed.value, max_gap_s=speed.max_gap_s)
    if along_m[-1] < _SHORTEST_M:
        return None
    height = height_along(drive)
    heights = np.empty(0) if height is None else height.height_m
    places = np.empty(0) if height is None else np.interp(height.time_s, speed.time_s, along_m)
    edge_m = np.linspace(0.0, along_m[-1], int(min(STRETCHES, along_m[-1] // _SHORTEST_M)) + 1)
    return RouteProfile(
        distance_m=places, height_m=heights, edge_m=edge_m, wh_per_km=_consumption(drive, speed.time_s, along_m, edge_m)
    )


def _consumption(drive: Drive, time_s: FloatArray, along_m: FloatArray, edge_m: FloatArray) -> FloatArray:
    power = pack_power(drive)
    if power is None:
        return np.full(edge_m.size - 1, np.nan)
    # Where the vehicle stands, one place has many times: the first arrival splits the stretches.
    first = np.concatenate(([True], np.diff(along_m) > 0.0))
    edge_s = np.interp(edge_m, along_m[first], time_s[first])
    edge_s[-1] = time_s[-1]
    energy_j = cumulative(power.time_s, power.power_w, max_gap_s=power.max_gap_s)
    known = np.isfinite(power.power_w[:-1]) & np.isfinite(power.power_w[1:])
    known &= np.diff(power.time_s) <= power.max_gap_s
    known_s = np.concatenate(([0.0], np.cumsum(np.where(known, np.diff(power.time_s), 0.0))))
    used_wh = np.diff(np.interp(edge_s, power.time_s, energy_j)) / JOULES_PER_WATT_HOUR
    is_whole = np.diff(np.interp(edge_s, power.time_s, known_s)) >= 0.9 * np.diff(edge_s)
    return np.where(is_whole, used_wh / np.diff(edge_m) * 1000.0, np.nan)

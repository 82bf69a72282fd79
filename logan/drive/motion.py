"""Which speed, height and air a drive is reckoned with."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from logan.constants import STANDARD_PRESSURE_PA
from logan.drive.drive import Channel, Drive
from logan.numerics import cumulative, interpolate
from logan.physics.air import air_density_kg_per_m3, standard_pressure_pa, wind_components_m_per_s
from logan.units import FloatArray

STATION_WIND_FACTOR = 0.7
"""Wind at the vehicle's height over that of a weather station's mast (common practice)."""

GNSS_HEIGHT_SIGMA_M = 3.0
"""One standard uncertainty of a height whose own is not known (common practice for GNSS)."""


def road_speed(drive: Drive) -> Channel | None:
    """Speed that a drive is reckoned with: the vehicle's own, else the satellites', else a wheel's."""
    for name in ("speed", "gnss_speed", "wheel_speed"):
        channel = drive.get(name)
        if channel is not None and channel.time_s.size > 1:
            return channel
    return None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Height:
    """Height along a drive.

    Parameters
    ----------
    time_s, height_m : ndarray, shape (n,)
        [s, m]
    sigma_m : float
        One standard uncertainty of one value. [m]
    source : str
        ``elevation``, or ``grade`` summed over distance.
    """

    time_s: FloatArray
    height_m: FloatArray
    sigma_m: float
    source: str

    def at(self, at_s: FloatArray) -> FloatArray:
        """Height at other times; NaN outside and in gaps over ten seconds. [m]"""
        return interpolate(at_s, self.time_s, self.height_m, max_gap_s=10.0)


def height_along(drive: Drive) -> Height | None:
    """Height of a drive from its elevation, else from its grade; None where it has neither."""
    elevation = drive.get("elevation")
    if elevation is not None and int(np.isfinite(elevation.value).sum()) > 1:
        sigma_m = GNSS_HEIGHT_SIGMA_M if elevation.sigma is None else elevation.sigma
        return Height(time_s=elevation.time_s, height_m=elevation.value, sigma_m=sigma_m, source="elevation")
    grade, speed = drive.get("grade"), road_speed(drive)
    if grade is None or speed is None:
        return None
    climb = grade.at(speed.time_s) * speed.value
    height_m = cumulative(speed.time_s, climb, max_gap_s=speed.max_gap_s)
    return Height(time_s=speed.time_s, height_m=height_m, sigma_m=GNSS_HEIGHT_SIGMA_M, source="grade")


@dataclass(frozen=True, slots=True, kw_only=True)
class Air:
    """Outside air of a whole drive.

    Parameters
    ----------
    temperature_degc, pressure_pa, relative_humidity_ratio : float
        Medians, or what the driver noted, or the assumption listed in ``assumed``.
    density_kg_per_m3 : float
        [kg/m3]
    assumed : tuple of str
        What was not known and is assumed.
    """

    temperature_degc: float
    pressure_pa: float
    relative_humidity_ratio: float
    density_kg_per_m3: float
    assumed: tuple[str, ...]


def air_of(drive: Drive) -> Air:
    """Air of a drive: logged, else noted, else 20 °C, the standard pressure at its height, and 50 %."""
    noted = drive.conditions
    assumed: list[str] = []
    temperature = _median(drive, "ambient_temperature", noted.ambient_temperature_degc, (-60.0, 70.0))
    if temperature is None:
        temperature = 20.0
        assumed.append("ambient 20 °C")
    pressure = _median(drive, "barometric_pressure", noted.pressure_pa, (4e4, 1.1e5))
    if pressure is None:
        height = _median(drive, "elevation", None, (-500.0, 6000.0))
        pressure = STANDARD_PRESSURE_PA if height is None else float(standard_pressure_pa(height))
        assumed.append("standard air pressure" if height is None else "standard air pressure at this height")
    humidity = _median(drive, "relative_humidity", noted.relative_humidity_ratio, (0.0, 1.0))
    if humidity is None:
        humidity = 0.5
        assumed.append("relative humidity 50 %")
    return Air(
        temperature_degc=temperature,
        pressure_pa=pressure,
        relative_humidity_ratio=humidity,
        density_kg_per_m3=air_density_kg_per_m3(temperature, pressure, humidity),
        assumed=tuple(assumed),
    )


def _median(drive: Drive, channel: str, otherwise: float | None, possible: tuple[float, float]) -> float | None:
    """Median of what air on a road can be; a sensor that reads anything else is not believed."""
    found = drive.get(channel)
    if found is None:
        return otherwise
    known = found.value[(found.value >= possible[0]) & (found.value <= possible[1])]
    return float(np.median(known)) if known.size else otherwise


def headwind_at(drive: Drive, at_s: FloatArray) -> FloatArray | None:
    """Wind against the direction of travel; None where nothing is known of it. [m/s]"""
    logged = drive.get("headwind")
    if logged is not None:
        return np.nan_to_num(logged.at(at_s, max_gap_s=60.0))
    heading, noted = drive.get("heading"), drive.conditions
    if heading is None or noted.wind_m_per_s is None or noted.wind_from_deg is None:
        return None
    along, _ = wind_components_m_per_s(noted.wind_m_per_s, noted.wind_from_deg, heading.at(at_s, max_gap_s=60.0))
    return np.nan_to_num(along) * STATION_WIND_FACTOR

"""Height along a drive from barometer and satellites, with an uncertainty that can be believed.

Nothing is smoothed: a filtered height hides climbs, and its slope is biased. Heights are
compared at the ends of stretches, where an error of each end counts once.
"""

from dataclasses import replace
from typing import Final

import numpy as np

from logan.drive.drive import GNSS_HEIGHT_SIGMA_M, STANDSTILL_M_PER_S, Channel
from logan.numerics import METRES_PER_DEGREE, rolling_mean, true_runs
from logan.results import Refusal, result
from logan.units import DRY_AIR_GAS_CONSTANT_J_PER_KG_K, STANDARD_GRAVITY_M_PER_S2, ZERO_CELSIUS_K, FloatArray
from logan.units.sentences import measure

_STANDARD_SEA_LEVEL_PA: Final = 101_325.0
_LAPSE_K_PER_M: Final = 0.0065
_STANDARD_TEMPERATURE_K: Final = 288.15
_WEATHER_PA_PER_HOUR: Final = 60.0
"""Drift of the air pressure with the weather, one standard deviation (common practice)."""
_BAROMETER_NOISE_M: Final = 0.5
_LOOP_CLOSED_M: Final = 50.0
_STEEPEST_HERE_RATIO: Final = 0.05
"""Slope that may lie between the two ends of a loop that does not quite close."""


def barometric_elevation(pressure: Channel, ambient: Channel | None = None) -> Channel:
    """Height from air pressure, right up to a constant.

    The standard atmosphere gives the height of the first sample; differences from there
    follow the hypsometric equation at the ambient temperature, where it was logged.

    Parameters
    ----------
    pressure : Channel
        Outside air pressure. [Pa]
    ambient : Channel, optional
        Outside air temperature. [degC]

    Returns
    -------
    Channel
        Elevation, derived; ``sigma`` is that of a difference over the drive. [m]

    References
    ----------
    .. [1] ISO 2533 (second-hand), standard atmosphere: h = (T0 / L) (1 - (p / p0)^(R L / g)).
    """
    known = pressure.value[np.isfinite(pressure.value)]
    first_pa = float(np.median(known[: max(1, min(known.size, 10))]))
    exponent = DRY_AIR_GAS_CONSTANT_J_PER_KG_K * _LAPSE_K_PER_M / STANDARD_GRAVITY_M_PER_S2
    start_m = _STANDARD_TEMPERATURE_K / _LAPSE_K_PER_M * (1.0 - (first_pa / _STANDARD_SEA_LEVEL_PA) ** exponent)
    air_k = _STANDARD_TEMPERATURE_K - _LAPSE_K_PER_M * start_m
    if ambient is not None and np.isfinite(ambient.value).any():
        air_k = float(np.nanmedian(ambient.value)) + ZERO_CELSIUS_K
    scale_m = DRY_AIR_GAS_CONSTANT_J_PER_KG_K * air_k / STANDARD_GRAVITY_M_PER_S2
    with np.errstate(invalid="ignore", divide="ignore"):
        value = start_m - scale_m * np.log(pressure.value / first_pa)
    return Channel(
        name="elevation",
        time_s=pressure.time_s,
        value=np.where(np.isfinite(value), value, np.nan),
        source="barometric_pressure",
        is_derived=True,
        sigma=_barometer_sigma_m(pressure, first_pa, scale_m),
    )


def _barometer_sigma_m(pressure: Channel, first_pa: float, scale_m: float) -> float:
    hours = float(pressure.time_s[-1] - pressure.time_s[0]) / 3600.0 if pressure.time_s.size else 0.0
    drift_m = scale_m * _WEATHER_PA_PER_HOUR * np.sqrt(max(hours, 0.1)) / first_pa
    return float(np.hypot(drift_m, _BAROMETER_NOISE_M))


def standstill_scatter_m(elevation: Channel, speed: Channel) -> float | None:
    """Scatter of the height while the vehicle stands, which it should not have; None without stops. [m]"""
    still = np.abs(np.nan_to_num(speed.at(elevation.time_s, max_gap_s=5.0), nan=np.inf)) < STANDSTILL_M_PER_S
    stops = [elevation.value[start : start + length] for start, length in zip(*true_runs(still), strict=True)]
    spreads = [height - np.nanmean(height) for height in stops if height.size >= 5 and np.isfinite(height).any()]
    if not spreads:
        return None
    return float(np.sqrt(np.nanmean(np.concatenate(spreads) ** 2)))


def with_uncertainty(elevation: Channel, speed: Channel | None = None) -> Channel:
    """Give a logged elevation its uncertainty, where it has none.

    The larger of what a receiver usually has and of the scatter at standstill; a whole-metre
    resolution adds its own.
    """
    if elevation.sigma is not None or elevation.time_s.size == 0:
        return elevation
    distinct = np.unique(elevation.value[np.isfinite(elevation.value)])
    resolution_m = float(np.diff(distinct).min()) if distinct.size > 1 else 0.0
    scatter_m = standstill_scatter_m(elevation, speed) if speed is not None else None
    sigma_m = float(np.hypot(max(GNSS_HEIGHT_SIGMA_M, scatter_m or 0.0), resolution_m / np.sqrt(12.0)))
    return replace(elevation, sigma=sigma_m)


@result("loop-closure/1")
class LoopClosure:
    """Height misclosure of a drive that ends where it began.

    Parameters
    ----------
    apart_m : float
        Distance between start and end on the ground. [m]
    misclosure_m : float
        Height at the end less that at the start. [m]
    sigma_m : float
        Uncertainty that the elevation claims for that difference. [m]
    """

    apart_m: float
    misclosure_m: float
    sigma_m: float

    @property
    def is_closed(self) -> bool:
        """True when the misclosure is within two of its uncertainties."""
        return abs(self.misclosure_m) <= 2.0 * self.sigma_m


def loop_closure(elevation: Channel, latitude: Channel, longitude: Channel) -> LoopClosure | Refusal:
    """Compare the heights at start and end of a round trip.

    Parameters
    ----------
    elevation, latitude, longitude : Channel
        [m, deg, deg]
    """
    places = [_ends(channel) for channel in (latitude, longitude, elevation)]
    if any(place is None for place in places):
        return Refusal("position or height is missing at the start or the end")
    (lat0, lat1), (lon0, lon1), (height0_m, height1_m) = (place for place in places if place is not None)
    north_m = (lat1 - lat0) * METRES_PER_DEGREE
    east_m = (lon1 - lon0) * METRES_PER_DEGREE * float(np.cos(np.radians(0.5 * (lat0 + lat1))))
    apart_m = float(np.hypot(north_m, east_m))
    if apart_m > _LOOP_CLOSED_M:
        return Refusal(f"the drive ends {measure(apart_m / 1000.0, 'km', '.1f')} from where it began")
    sigma_m = np.hypot(np.sqrt(2.0) * (elevation.sigma or GNSS_HEIGHT_SIGMA_M), _STEEPEST_HERE_RATIO * apart_m)
    return LoopClosure(apart_m=apart_m, misclosure_m=height1_m - height0_m, sigma_m=float(sigma_m))


def _ends(channel: Channel) -> tuple[float, float] | None:
    known = channel.value[np.isfinite(channel.value)]
    if known.size < 2:
        return None
    return float(np.median(known[:5])), float(np.median(known[-5:]))


def anchored_to_satellites(barometric: Channel, satellites: Channel, *, window_s: float = 300.0) -> Channel:
    """Barometric height put onto the satellites' datum, its slow drift taken out.

    The difference of the two is averaged over ``window_s``, long against the satellites'
    wandering and short against the weather; the barometer alone gives the shape.

    Parameters
    ----------
    barometric, satellites : Channel
        Elevations. [m]
    window_s : float
        Averaging time of their difference. [s]
    """
    difference_m = satellites.value - barometric.at(satellites.time_s, max_gap_s=10.0)
    known = np.isfinite(difference_m)
    if np.count_nonzero(known) < 10:
        return barometric
    at_s, gap_m = satellites.time_s[known], difference_m[known]
    drift_m = _centred_mean(at_s, gap_m, window_s)
    value = barometric.value + np.interp(barometric.time_s, at_s, drift_m)
    independent = max((at_s[-1] - at_s[0]) / 60.0, 1.0)
    sigma_m = float(np.std(gap_m - drift_m) / np.sqrt(min(independent, window_s / 60.0)))
    return Channel(
        name="elevation",
        time_s=barometric.time_s,
        value=value,
        source=f"{barometric.source}, leveled to {satellites.source or 'satellites'}",
        is_derived=True,
        sigma=float(np.hypot(sigma_m, _BAROMETER_NOISE_M)),
    )


def _centred_mean(time_s: FloatArray, value: FloatArray, window_s: float) -> FloatArray:
    """Mean over a window centred on each sample; the end windows are shortened to what is there."""
    mean = rolling_mean(time_s, value, window_s)
    shifted_s = time_s - 0.5 * window_s
    known = np.isfinite(mean)
    if not known.any():
        return np.full(time_s.shape, float(np.mean(value)))
    return np.interp(time_s, shifted_s[known], mean[known])

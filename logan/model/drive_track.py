"""A drive on one time grid: everything that the energy balance integrates, aligned once."""

from typing import Final

import numpy as np

from logan.drive.braking import BRAKE_PRESSURE_PA
from logan.drive.drive import STATION_WIND_FACTOR, Channel, Drive, PackPower, is_charging_at, pack_power
from logan.errors import NotEnoughDataError
from logan.model.cabin_load import CabinLoad, cabin_load
from logan.model.heights import ElevationTrack, elevation_track
from logan.model.plan import PlannedVehicle
from logan.numerics import interpolate, union_times
from logan.physics.air import air_density_kg_per_m3, dry_air_density_kg_per_m3, standard_pressure_pa
from logan.physics.powertrain import terminal_power_w
from logan.results import result
from logan.units import STANDARD_GRAVITY_M_PER_S2, STANDARD_PRESSURE_PA, BoolArray, FloatArray

DEFAULT_TEMPERATURE_DEGC: Final = 20.0
_LAG_SEARCH_S: Final = 1.5
_LAG_STEP_S: Final = 0.1
_LAG_CHANGE_S: Final = 2.0
_LEAST_LAG_S: Final = 0.05
_LEAST_SHARPNESS: Final = 0.03
"""How far half a second off the peak the correlation must fall, on both sides together."""

_TYPICAL_DENSITY_KG_PER_M3: Final = 1.2


@result()
class DriveTrack:
    """A drive on the union of its power and speed times and of the whole seconds.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        Grid. [s]
    is_covered : ndarray of bool, shape (n - 1,)
        Steps in which power and speed are both known.
    power_w, speed_m_per_s, heading_cosine, heading_sine : ndarray, shape (n,)
        Zero where not known. [W, m/s, ratio, ratio]
    temperature_degc, density_kg_per_m3, headwind_m_per_s : ndarray, shape (n,)
        Air, and known wind against the travel. [degC, kg/m3, m/s]
    pack_temperature_degc : ndarray, shape (n,)
        Of the cells; the air's where not logged. [degC]
    charge_ratio : ndarray, shape (n,)
        State of charge; zero where not logged. [ratio]
    is_braking : ndarray of bool, shape (n,)
        Friction brake applied; False throughout where not logged.
    regen_limit_w : ndarray, shape (n,)
        Most power that the pack accepts; infinity where not logged. [W]
    elevation, cabin : ElevationTrack, CabinLoad
        Height and cabin power on the grid.
    pack_lag_s : float
        By how much power was late, already taken out.
    has_heading, wind_known, temperature_known : bool
        What the log holds.
    """

    time_s: FloatArray
    is_covered: BoolArray
    power_w: FloatArray
    speed_m_per_s: FloatArray
    heading_cosine: FloatArray
    heading_sine: FloatArray
    temperature_degc: FloatArray
    density_kg_per_m3: FloatArray
    headwind_m_per_s: FloatArray
    pack_temperature_degc: FloatArray
    charge_ratio: FloatArray
    is_braking: BoolArray
    regen_limit_w: FloatArray
    elevation: ElevationTrack
    cabin: CabinLoad
    pack_lag_s: float
    has_heading: bool
    wind_known: bool
    temperature_known: bool


def track_of(drive: Drive, plan: PlannedVehicle) -> DriveTrack:
    """Align a drive's channels on one grid.

    Parameters
    ----------
    drive : Drive
        The drive.
    plan : PlannedVehicle
        For telling how late the pack's power is against the speed.

    Raises
    ------
    NotEnoughDataError
        If the drive has no pack power or no speed, or the two do not overlap.
    """
    power, speed = pack_power(drive), speed_channel(drive)
    if power is None:
        raise NotEnoughDataError(
            "no pack power: voltage with current, or power, is missing", "Map pack_voltage and pack_current"
        )
    if speed is None:
        raise NotEnoughDataError("no road speed", "Map speed, gnss_speed or wheel_speed")
    lag_s = pack_lag_s(power, speed, plan)
    power_time_s = power.time_s - lag_s
    start_s, end_s = max(power_time_s[0], speed.time_s[0]), min(power_time_s[-1], speed.time_s[-1])
    if end_s - start_s < 10.0:
        raise NotEnoughDataError("pack power and speed hardly overlap in time", "Check the two channels' times")
    grid_s = union_times(power_time_s, speed.time_s, np.arange(np.ceil(start_s), np.floor(end_s) + 1.0))
    grid_s = grid_s[(grid_s >= start_s) & (grid_s <= end_s)]
    power_w = interpolate(grid_s, power_time_s, power.power_w, max_gap_s=power.max_gap_s)
    power_w[is_charging_at(drive, grid_s)] = np.nan
    speed_m_per_s = np.abs(speed.at(grid_s))
    known = np.isfinite(power_w) & np.isfinite(speed_m_per_s)
    return _with_surroundings(drive, grid_s, power_w, speed_m_per_s, known[1:] & known[:-1], lag_s)


def speed_channel(drive: Drive) -> Channel | None:
    """Best road speed that the drive has."""
    found = (drive.get(name) for name in ("speed", "gnss_speed", "wheel_speed"))
    return next((one for one in found if one is not None and np.isfinite(one.value).sum() > 1), None)


def _with_surroundings(
    drive: Drive,
    grid_s: FloatArray,
    power_w: FloatArray,
    speed_m_per_s: FloatArray,
    is_covered: BoolArray,
    lag_s: float,
) -> DriveTrack:
    elevation = elevation_track(drive, grid_s, speed_m_per_s)
    cabin = cabin_load(drive, grid_s)
    cosine, sine, has_heading = _heading(drive, grid_s)
    headwind, wind_known = _headwind(drive, grid_s, cosine, sine, has_heading)
    temperature, temperature_known = _temperature(drive, grid_s)
    braking = _braking(drive, grid_s)
    return DriveTrack(
        time_s=grid_s,
        is_covered=is_covered,
        power_w=np.nan_to_num(power_w),
        speed_m_per_s=np.nan_to_num(speed_m_per_s),
        heading_cosine=cosine,
        heading_sine=sine,
        temperature_degc=temperature,
        density_kg_per_m3=_density(drive, grid_s, temperature, elevation),
        headwind_m_per_s=headwind,
        pack_temperature_degc=_pack_temperature(drive, grid_s, temperature),
        charge_ratio=_charge(drive, grid_s),
        is_braking=braking,
        regen_limit_w=_regen_limit(drive, grid_s),
        elevation=elevation,
        cabin=cabin,
        pack_lag_s=lag_s,
        has_heading=has_heading,
        wind_known=wind_known,
        temperature_known=temperature_known,
    )


def pack_lag_s(power: PackPower, speed: Channel, plan: PlannedVehicle) -> float:
    """By how much pack power comes late against what the road asks for. [s]

    The lag with the highest correlation of the changes, over two seconds, of pack power and of
    the plan's level-road power, within 1.5 s and refined by a parabola. Zero where the two hardly
    correlate, where the speed changes too gently to tell, and below 0.05 s.
    """
    start_s, end_s = max(power.time_s[0], speed.time_s[0]), min(power.time_s[-1], speed.time_s[-1])
    at_s = np.arange(start_s + 2.0, end_s - 2.0, _LAG_STEP_S)
    known = np.isfinite(power.power_w)
    if at_s.size < 600 or known.sum() < 10:
        return 0.0
    asked_w = _level_road_power_w(speed, at_s, plan)
    # The speed difference spans one second, so the power is averaged over one second too.
    power_w = np.convolve(
        np.interp(at_s, power.time_s[known], power.power_w[known]), np.full(11, 1.0 / 11.0), mode="same"
    )
    usable = np.isfinite(asked_w)
    if usable.mean() < 0.5:
        return 0.0
    asked_w = np.where(usable, asked_w, np.mean(asked_w[usable]))
    lag_s = _lag_of_changes_s(_change(asked_w), _change(power_w))
    return lag_s if abs(lag_s) >= _LEAST_LAG_S else 0.0


def _change(value: FloatArray) -> FloatArray:
    span = round(_LAG_CHANGE_S / _LAG_STEP_S)
    return np.asarray(value[span:] - value[:-span])


def _lag_of_changes_s(asked_w: FloatArray, power_w: FloatArray) -> float:
    reach, near = round(_LAG_SEARCH_S / _LAG_STEP_S), round(0.5 / _LAG_STEP_S)
    inner, shifts = slice(reach, asked_w.size - reach), np.arange(-reach, reach + 1)
    if np.std(asked_w[inner]) == 0.0 or np.std(power_w) == 0.0:
        return 0.0
    shifted = [power_w[reach + k : asked_w.size - reach + k] for k in shifts]
    # A piece without any change in it correlates with nothing.
    correlation = np.array([np.corrcoef(asked_w[inner], piece)[0, 1] if np.ptp(piece) else 0.0 for piece in shifted])
    best = int(np.argmax(np.nan_to_num(correlation)))
    if not near <= best < shifts.size - near or correlation[best] < 0.5:
        return 0.0
    if 2.0 * correlation[best] - correlation[best - near] - correlation[best + near] < _LEAST_SHARPNESS:
        return 0.0
    low, peak, high = correlation[best - 1 : best + 2]
    return float((shifts[best] + 0.5 * (low - high) / (low - 2.0 * peak + high)) * _LAG_STEP_S)


def _level_road_power_w(speed: Channel, at_s: FloatArray, plan: PlannedVehicle) -> FloatArray:
    ahead = interpolate(at_s + 0.5, speed.time_s, speed.value, max_gap_s=speed.max_gap_s)
    behind = interpolate(at_s - 0.5, speed.time_s, speed.value, max_gap_s=speed.max_gap_s)
    middle = 0.5 * (ahead + behind)
    inertia_w = (plan.mass_kg + plan.rotating_mass_kg) * (ahead - behind) * middle
    rolling_w = plan.mass_kg * STANDARD_GRAVITY_M_PER_S2 * plan.rolling_coefficient * middle
    wheel_w = inertia_w + rolling_w + 0.5 * _TYPICAL_DENSITY_KG_PER_M3 * plan.drag_area_m2 * middle**3
    return terminal_power_w(wheel_w, plan.drive_efficiency_ratio, plan.regen_efficiency_ratio)


def _heading(drive: Drive, grid_s: FloatArray) -> tuple[FloatArray, FloatArray, bool]:
    channel = drive.known("heading")
    if channel is not None:
        bearing = np.radians(channel.at(grid_s, max_gap_s=np.inf))
        return np.nan_to_num(np.cos(bearing)), np.nan_to_num(np.sin(bearing)), True
    latitude, longitude = drive.get("latitude"), drive.get("longitude")
    if latitude is None or longitude is None or latitude.time_s.size < 12:
        return np.zeros(grid_s.shape), np.zeros(grid_s.shape), False
    # Over ten seconds, so that the position's noise does not turn the course.
    north = latitude.at(grid_s + 5.0, max_gap_s=np.inf) - latitude.at(grid_s - 5.0, max_gap_s=np.inf)
    east = longitude.at(grid_s + 5.0, max_gap_s=np.inf) - longitude.at(grid_s - 5.0, max_gap_s=np.inf)
    east = east * np.cos(np.radians(np.nanmean(latitude.value)))
    length = np.hypot(north, east)
    moved = np.isfinite(length) & (length > 1e-5)
    safe = np.where(moved, length, 1.0)
    return np.where(moved, north / safe, 0.0), np.where(moved, east / safe, 0.0), True


def _headwind(
    drive: Drive, grid_s: FloatArray, cosine: FloatArray, sine: FloatArray, has_heading: bool
) -> tuple[FloatArray, bool]:
    channel = drive.known("headwind")
    if channel is not None:
        return np.nan_to_num(channel.at(grid_s, max_gap_s=np.inf)), True
    wind, origin = drive.conditions.wind_m_per_s, drive.conditions.wind_from_deg
    if wind is None or origin is None or not has_heading:
        return np.zeros(grid_s.shape), False
    along = np.cos(np.radians(origin)) * cosine + np.sin(np.radians(origin)) * sine
    return STATION_WIND_FACTOR * wind * along, True


def _temperature(drive: Drive, grid_s: FloatArray) -> tuple[FloatArray, bool]:
    channel = drive.known("ambient_temperature")
    if channel is not None:
        return channel.held_at(grid_s), True
    noted = drive.conditions.ambient_temperature_degc
    value = DEFAULT_TEMPERATURE_DEGC if noted is None else noted
    return np.full(grid_s.shape, value), noted is not None


def _pack_temperature(drive: Drive, grid_s: FloatArray, ambient_degc: FloatArray) -> FloatArray:
    channel = drive.known("pack_temperature", "cell_temperature_min", "cell_temperature_max")
    return ambient_degc if channel is None else channel.held_at(grid_s)


def _charge(drive: Drive, grid_s: FloatArray) -> FloatArray:
    channel = drive.get("state_of_charge")
    return np.zeros(grid_s.shape) if channel is None else np.nan_to_num(channel.at(grid_s, max_gap_s=np.inf))


def _density(drive: Drive, grid_s: FloatArray, temperature_degc: FloatArray, elevation: ElevationTrack) -> FloatArray:
    channel, conditions = drive.known("barometric_pressure"), drive.conditions
    if channel is not None:
        pressure_pa = channel.held_at(grid_s)
    elif conditions.pressure_pa is not None:
        pressure_pa = np.full(grid_s.shape, conditions.pressure_pa)
    elif elevation.is_known:
        # No road lies outside; a height in the wrong unit must not take the air away.
        pressure_pa = standard_pressure_pa(np.clip(np.nan_to_num(elevation.elevation_m), -500.0, 6_000.0))
    else:
        pressure_pa = np.full(grid_s.shape, STANDARD_PRESSURE_PA)
    density = dry_air_density_kg_per_m3(temperature_degc, pressure_pa)
    humidity = drive.get("relative_humidity")
    ratio = conditions.relative_humidity_ratio if humidity is None else float(np.nanmean(humidity.value))
    if ratio is None or not np.isfinite(ratio):
        return density
    mean_degc, mean_pa = float(np.mean(temperature_degc)), float(np.mean(pressure_pa))
    moist = air_density_kg_per_m3(mean_degc, mean_pa, ratio) / dry_air_density_kg_per_m3(mean_degc, mean_pa)
    return density * moist


def _braking(drive: Drive, grid_s: FloatArray) -> BoolArray:
    for name, threshold in (("brake_switch", 0.5), ("brake_pressure", BRAKE_PRESSURE_PA)):
        if (channel := drive.known(name)) is not None:
            return np.nan_to_num(channel.at(grid_s, max_gap_s=np.inf)) > threshold
    return np.zeros(grid_s.shape, dtype=bool)


def _regen_limit(drive: Drive, grid_s: FloatArray) -> FloatArray:
    power = drive.known("charge_power_limit")
    if power is not None:
        return np.nan_to_num(power.at(grid_s, max_gap_s=np.inf), nan=np.inf)
    current, voltage = drive.known("charge_current_limit"), drive.get("pack_voltage")
    if current is None or voltage is None:
        return np.full(grid_s.shape, np.inf)
    return np.nan_to_num(current.at(grid_s, max_gap_s=np.inf) * voltage.at(grid_s, max_gap_s=np.inf), nan=np.inf)

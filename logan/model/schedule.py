"""A schedule: the speeds and heights that are to be driven, against time; and a recorded drive as one."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from logan.drive.drive import STANDSTILL_M_PER_S, Channel, Drive
from logan.errors import NotEnoughDataError
from logan.model.parameters import Conditions
from logan.physics.air import standard_pressure_pa
from logan.physics.elevation import DEFAULT_NOISE_M, denoised_elevation_m
from logan.results import read_only, result
from logan.units import METRES_PER_SECOND_PER_MPH, FloatArray
from logan.units.sentences import measure


@result("schedule/1")
class Schedule:
    """Speed and height against time, straight lines between the points.

    Parameters
    ----------
    name : str
        What it is called.
    time_s : ndarray, shape (n,)
        Strictly increasing. [s]
    speed_m_per_s : ndarray, shape (n,)
        Never negative. [m/s]
    elevation_m : ndarray, shape (n,), optional
        Height above sea level; a level road where left out. [m]
    heading_deg : ndarray, shape (n,), optional
        Course over ground, clockwise from north; needed only for wind that blows from somewhere. [deg]
    is_usable : ndarray of bool, shape (n - 1,), optional
        False for steps that were not recorded; they add neither distance nor energy.
    source : str
        Where it comes from.
    """

    name: str
    time_s: FloatArray
    speed_m_per_s: FloatArray
    elevation_m: FloatArray | None = None
    heading_deg: FloatArray | None = None
    is_usable: np.ndarray[tuple[int], np.dtype[np.bool_]] | None = None
    source: str = ""

    def __post_init__(self) -> None:
        count = self.time_s.size
        if count < 2 or self.time_s.shape != self.speed_m_per_s.shape:
            raise ValueError("time_s and speed_m_per_s must have one shape (n,), n at least 2")
        for label, array in (("elevation_m", self.elevation_m), ("heading_deg", self.heading_deg)):
            if array is not None and array.shape != self.time_s.shape:
                raise ValueError(f"{label} must have shape ({count},)")
        if self.is_usable is not None and self.is_usable.shape != (count - 1,):
            raise ValueError(f"is_usable must have shape ({count - 1},)")
        for name in ("time_s", "speed_m_per_s", "elevation_m", "heading_deg", "is_usable"):
            array = getattr(self, name)
            if array is not None:
                object.__setattr__(self, name, read_only(array))

    @property
    def step_distance_m(self) -> FloatArray:
        """Distance of each step, shape (n - 1,); zero where not usable. [m]"""
        step_m = 0.5 * (self.speed_m_per_s[1:] + self.speed_m_per_s[:-1]) * np.diff(self.time_s)
        return step_m if self.is_usable is None else np.where(self.is_usable, step_m, 0.0)

    @property
    def distance_m(self) -> float:
        """Distance driven. [m]"""
        return float(self.step_distance_m.sum())

    @property
    def duration_s(self) -> float:
        """Time driven, unusable steps left out. [s]"""
        step_s = np.diff(self.time_s)
        return float(step_s.sum() if self.is_usable is None else step_s[self.is_usable].sum())

    @property
    def mean_speed_m_per_s(self) -> float:
        """Distance over time, stops included. [m/s]"""
        return self.distance_m / self.duration_s if self.duration_s > 0 else 0.0

    @property
    def backwards(self) -> Schedule:
        """The same road driven back: what came last comes first, and every course is turned round."""
        return replace(
            self,
            time_s=self.time_s[0] + self.time_s[-1] - self.time_s[::-1],
            speed_m_per_s=self.speed_m_per_s[::-1],
            elevation_m=None if self.elevation_m is None else self.elevation_m[::-1],
            heading_deg=None if self.heading_deg is None else (self.heading_deg[::-1] + 180.0) % 360.0,
            is_usable=None if self.is_usable is None else self.is_usable[::-1],
        )

    def speed_at_share_m_per_s(self, share_ratio: float) -> float:
        """Speed below which a share of the distance is driven. [m/s]"""
        step_m = self.step_distance_m
        mean_m_per_s = 0.5 * (self.speed_m_per_s[1:] + self.speed_m_per_s[:-1])
        order = np.argsort(mean_m_per_s)
        covered_m = np.cumsum(step_m[order])
        if covered_m[-1] <= 0:
            return 0.0
        index = int(np.searchsorted(covered_m, share_ratio * covered_m[-1]))
        return float(mean_m_per_s[order[min(index, order.size - 1)]])


def steady_schedule(speed_m_per_s: float, *, grade_ratio: float = 0.0, name: str = "") -> Schedule:
    """Constant speed on a constant grade for an hour, by the minute, in which warm-up is followed.

    Parameters
    ----------
    speed_m_per_s : float
        Speed held. [m/s]
    grade_ratio : float
        Rise over distance along the road, positive uphill. [ratio]
    name : str
        What to call it.

    Returns
    -------
    Schedule
        The schedule.

    Raises
    ------
    ValueError
        If the speed is not above zero.
    """
    if speed_m_per_s <= 0:
        raise ValueError("speed_m_per_s must be above zero")
    time_s = np.linspace(0.0, 3600.0, 61)
    return Schedule(
        name=name or f"steady {measure(speed_m_per_s / METRES_PER_SECOND_PER_MPH, 'mph')}",
        time_s=time_s,
        speed_m_per_s=np.full(time_s.shape, speed_m_per_s),
        elevation_m=grade_ratio * speed_m_per_s * time_s if grade_ratio else None,
        source="steady speed",
    )


REPLAY_STEP_S: Final = 1.0
_MIN_DISTANCE_M: Final = 200.0
_ASSUMED_TEMPERATURE_DEGC: Final = 20.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Replay:
    """A recorded drive made ready to be predicted.

    Parameters
    ----------
    schedule : Schedule
        1 Hz; steps without speed are not usable.
    conditions : Conditions
        As recorded, or as the driver noted.
    assumed : tuple of str
        What was neither recorded nor noted, and was assumed instead.
    """

    schedule: Schedule
    conditions: Conditions
    assumed: tuple[str, ...]


def replay_of(drive: Drive, *, name: str = "") -> Replay:
    """Turn a recorded drive into a schedule and conditions.

    Parameters
    ----------
    drive : Drive
        Needs speed; takes elevation, heading, weather and auxiliary power where they are there.
    name : str
        What to call it.

    Returns
    -------
    Replay
        Ready for ``consumption``.

    Raises
    ------
    NotEnoughDataError
        If the drive has no speed or covers less than 200 m.
    """
    schedule, assumed = _schedule(drive, name)
    conditions, more = conditions_of_drive(drive)
    return Replay(schedule=schedule, conditions=conditions, assumed=(*assumed, *more))


def _schedule(drive: Drive, name: str) -> tuple[Schedule, tuple[str, ...]]:
    speed = drive.first_of("speed", "gnss_speed", "wheel_speed")
    if speed is None or np.isfinite(speed.value).sum() < 2:
        raise NotEnoughDataError("the drive has no speed", "Map a speed channel in channels.toml")
    time_s, knots, usable = _even_speed(speed)
    step_m = np.where(usable, 0.5 * (knots[1:] + knots[:-1]) * np.diff(time_s), 0.0)
    if step_m.sum() < _MIN_DISTANCE_M:
        raise NotEnoughDataError(
            f"the drive covers {measure(step_m.sum(), 'm')}",
            f"Replay a drive of at least {measure(200, 'm')}; shorter ones say nothing",
        )
    along_m = np.concatenate(([0.0], np.cumsum(step_m)))
    height_m = _height(drive, time_s, along_m)
    heading, course = drive.known("heading"), None
    if heading is not None:
        known = np.isfinite(heading.value)
        turned = np.unwrap(heading.value[known], period=360.0)
        course = np.interp(time_s, heading.time_s[known], turned) % 360.0
    schedule = Schedule(
        name=name or "recorded drive",
        time_s=time_s - time_s[0],
        speed_m_per_s=knots,
        elevation_m=height_m,
        heading_deg=course,
        is_usable=usable,
        source=f"recorded {speed.name}",
    )
    return schedule, () if height_m is not None else ("no elevation recorded: taken as level",)


def _even_speed(speed: Channel) -> tuple[FloatArray, FloatArray, np.ndarray[tuple[int], np.dtype[np.bool_]]]:
    """Speed on an even grid that keeps the distance, and which steps were really recorded."""
    known = np.isfinite(speed.value)
    moment_s, value = speed.time_s[known], np.maximum(speed.value[known], 0.0)
    count = max(2, int((moment_s[-1] - moment_s[0]) / REPLAY_STEP_S) + 1)
    time_s = moment_s[0] + REPLAY_STEP_S * np.arange(count)
    running_m = np.concatenate(([0.0], np.cumsum(0.5 * (value[1:] + value[:-1]) * np.diff(moment_s))))
    mean = np.diff(np.interp(time_s, moment_s, running_m)) / REPLAY_STEP_S
    # Averaging over two steps takes sensor noise out, which would otherwise pump kinetic energy.
    knots = np.concatenate((mean[:1], 0.5 * (mean[1:] + mean[:-1]), mean[-1:]))
    knots[knots < STANDSTILL_M_PER_S] = 0.0
    gaps = np.flatnonzero(np.diff(moment_s) > speed.max_gap_s)
    usable = np.ones(time_s.size - 1, dtype=np.bool_)
    for gap in gaps:
        usable &= ~((time_s[1:] > moment_s[gap]) & (time_s[:-1] < moment_s[gap + 1]))
    return time_s, knots, usable


def _height(drive: Drive, time_s: FloatArray, along_m: FloatArray) -> FloatArray | None:
    """Heights on the grid without noise that would count as climb; None where none was recorded."""
    elevation = drive.get("elevation")
    if elevation is not None and np.isfinite(elevation.value).sum() >= 2:
        sigma_m = DEFAULT_NOISE_M if elevation.sigma is None else elevation.sigma
        return denoised_elevation_m(along_m, elevation.held_at(time_s), noise_m=sigma_m)
    grade = drive.known("grade")
    if grade is not None:
        slope = grade.held_at(time_s)
        rise_m = 0.5 * (slope[1:] + slope[:-1]) * np.diff(along_m)
        return np.concatenate(([0.0], np.cumsum(rise_m)))
    return None


def conditions_of_drive(drive: Drive) -> tuple[Conditions, tuple[str, ...]]:
    """Conditions under which a drive was recorded, and which of them had to be assumed.

    Parameters
    ----------
    drive : Drive
        Channels come first, then what the driver noted.

    Returns
    -------
    conditions : Conditions
        Weather, load, wind, auxiliary power and state of the pack.
    assumed : tuple of str
        What was neither recorded nor noted.
    """
    noted = drive.conditions
    assumed: list[str] = []

    def known(channel: str, note: float | None, default: float, label: str) -> float:
        measured = _mean(drive, channel)
        if measured is not None:
            return measured
        if note is not None:
            return note
        assumed.append(label)
        return default

    ambient = known(
        "ambient_temperature",
        noted.ambient_temperature_degc,
        _ASSUMED_TEMPERATURE_DEGC,
        f"ambient {measure(20, '°C')} assumed",
    )
    height_m = _mean(drive, "elevation")
    pressure_label = "sea-level air pressure assumed" if height_m is None else "air pressure assumed from height"
    pressure_pa = standard_pressure_pa(height_m or 0.0)
    conditions = Conditions(
        ambient_temperature_degc=ambient,
        pressure_pa=known("barometric_pressure", noted.pressure_pa, pressure_pa, pressure_label),
        relative_humidity_ratio=known("relative_humidity", noted.relative_humidity_ratio, 0.5, "humidity 50 % assumed"),
        payload_kg=noted.payload_kg or 0.0,
        drag_area_factor=noted.drag_factor or 1.0,
        rolling_factor=noted.rolling_factor or 1.0,
        headwind_m_per_s=_mean(drive, "headwind") or 0.0,
        wind_m_per_s=noted.wind_m_per_s or 0.0,
        wind_from_deg=noted.wind_from_deg or 0.0,
        pack_temperature_degc=_mean(drive, "pack_temperature"),
        state_of_charge_ratio=_mean(drive, "state_of_charge"),
        auxiliary_power_w=_auxiliary_power_w(drive),
    )
    return conditions, tuple(assumed)


def _mean(drive: Drive, name: str) -> float | None:
    channel = drive.known(name)
    return None if channel is None else float(np.nanmean(channel.value))


def _auxiliary_power_w(drive: Drive) -> float | None:
    """Mean measured auxiliary power: the total where logged; parts alone do not make a total."""
    return _mean(drive, "auxiliary_power")

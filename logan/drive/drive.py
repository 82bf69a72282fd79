"""A drive: channels at their native rate in SI, what was done to them, and the series it is reckoned with.

Those are its speed, height, air and pack power.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Final

import numpy as np

from logan.channels.vocabulary import Interpolation, channel_kind
from logan.drive.provenance import Correction, DriveConditions, LogSource
from logan.numerics import cumulative, hold, integrate, interpolate, longest_bridgeable_gap_s, spans_where, union_times
from logan.physics.air import air_density_kg_per_m3, standard_pressure_pa, wind_components_m_per_s
from logan.results import DataFlag, Span, Step, read_only, result
from logan.units import JOULES_PER_WATT_HOUR, STANDARD_PRESSURE_PA, BoolArray, FloatArray
from logan.units.sentences import measure

__all__ = ["Channel", "Correction", "Drive", "DriveConditions", "LogSource", "Step"]

STANDSTILL_M_PER_S: Final = 0.3
"""Slower counts as standing: no speed sensor reads zero steadily (common practice). [m/s]"""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Channel:
    """One channel of a drive.

    Parameters
    ----------
    name : str
        Canonical name, such as ``pack_current`` or ``motor_temperature_2``.
    time_s : ndarray, shape (n,)
        Strictly increasing, from the start of the drive. [s]
    value : ndarray, shape (n,)
        In the SI unit of its kind; NaN where masked.
    source : str
        Signal or column it came from, or the rule that derived it.
    is_derived : bool
        True when computed from other channels.
    sigma : float or None
        One standard uncertainty of a value, in its unit, where known.
    """

    name: str
    time_s: FloatArray
    value: FloatArray
    source: str = ""
    is_derived: bool = False
    sigma: float | None = None
    _gap_s: list[float] = field(default_factory=list, init=False, repr=False)

    def __post_init__(self) -> None:
        if self.time_s.shape != self.value.shape or self.time_s.ndim != 1:
            raise ValueError("time_s and value must have one shape (n,)")
        object.__setattr__(self, "time_s", read_only(np.asarray(self.time_s, dtype=np.float64)))
        object.__setattr__(self, "value", read_only(np.asarray(self.value, dtype=np.float64)))

    @property
    def interpolation(self) -> Interpolation:
        """Linear or hold, by kind."""
        kind = channel_kind(self.name)
        return kind.interpolation if kind else Interpolation.LINEAR

    @property
    def unit(self) -> str:
        """SI unit of the kind."""
        kind = channel_kind(self.name)
        return kind.unit if kind else ""

    @property
    def max_gap_s(self) -> float:
        """Longest step that still counts as sampled, computed once. [s]"""
        if not self._gap_s:
            self._gap_s.append(longest_bridgeable_gap_s(self.time_s))
        return self._gap_s[0]

    def at(self, at_s: FloatArray, *, max_gap_s: float | None = None) -> FloatArray:
        """Values at other times, by the channel's own interpolation; NaN in gaps."""
        gap_s = self.max_gap_s if max_gap_s is None else max_gap_s
        if self.interpolation is Interpolation.HOLD:
            return hold(at_s, self.time_s, self.value, max_age_s=gap_s)
        return interpolate(at_s, self.time_s, self.value, max_gap_s=gap_s)

    def held_at(self, at_s: FloatArray) -> FloatArray:
        """Straight between the values there are, and as the first and last before and after them."""
        known = np.isfinite(self.value)
        return np.interp(at_s, self.time_s[known], self.value[known])

    def value_at(self, at_s: float, *, max_gap_s: float | None = None) -> float | None:
        """Value at one time; None in a gap."""
        value = float(self.at(np.array([at_s]), max_gap_s=max_gap_s)[0])
        return value if np.isfinite(value) else None

    def between(self, start_s: float, end_s: float) -> Channel:
        """The samples of a span that hold a value."""
        inside = (self.time_s >= start_s) & (self.time_s <= end_s) & np.isfinite(self.value)
        return replace(self, time_s=self.time_s[inside], value=self.value[inside])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Drive:
    """One drive: what was measured, and everything done to it since.

    Parameters
    ----------
    channels : mapping of str to Channel
        By canonical name, at native rate.
    start_ns : int or None
        Time of the first sample since 1970 UTC; None where the log has no absolute time. [ns]
    sources, dbcs : tuple of LogSource
        Logs and DBCs that it came from.
    history : tuple of Step
        What was done to the data.
    conditions : DriveConditions
        What the driver noted.
    is_averaged : bool
        True when the log holds averages, so that a peak is a lower bound.
    import_flags : tuple of DataFlag
        What was seen in the log itself, before it became channels.
    cuts : tuple of Span
        Spans within it that are no part of it any more; they do not overlap.
    """

    channels: Mapping[str, Channel]
    start_ns: int | None = None
    sources: tuple[LogSource, ...] = ()
    dbcs: tuple[LogSource, ...] = ()
    history: tuple[Step, ...] = ()
    conditions: DriveConditions = field(default_factory=DriveConditions)
    is_averaged: bool = False
    import_flags: tuple[DataFlag, ...] = ()
    cuts: tuple[Span, ...] = ()
    worked_out: dict[str, object] = field(default_factory=dict, init=False, repr=False)
    """What rules have derived once from these channels; a changed drive starts afresh."""

    def __getitem__(self, name: str) -> Channel:
        return self.channels[name]

    def __contains__(self, name: object) -> bool:
        return name in self.channels

    def __iter__(self) -> Iterator[str]:
        return iter(self.channels)

    def get(self, name: str) -> Channel | None:
        """Return a channel, or None where the drive has none."""
        return self.channels.get(name)

    def first_of(self, *names: str, samples: int = 0) -> Channel | None:
        """Return the first of these channels that the drive has, with so many samples at least."""
        found = (self.channels[name] for name in names if name in self.channels)
        return next((channel for channel in found if channel.time_s.size >= samples), None)

    def known(self, *names: str) -> Channel | None:
        """Return the first of these channels that holds any value."""
        found = (self.channels[name] for name in names if name in self.channels)
        return next((channel for channel in found if np.isfinite(channel.value).any()), None)

    def of_kind(self, name: str) -> tuple[Channel, ...]:
        """All channels of one kind: ``motor_temperature``, ``motor_temperature_2``, ..."""
        return tuple(
            channel
            for key, channel in self.channels.items()
            if (kind := channel_kind(key)) is not None and kind.name == name
        )

    @property
    def duration_s(self) -> float:
        """Time from the first sample of any channel to the last, less what was cut out of it. [s]"""
        return max(self.extent.duration_s - sum(span.duration_s for span in self.cuts), 0.0)

    @property
    def extent(self) -> Span:
        """From the first sample of any channel to the last."""
        ends = [(float(c.time_s[0]), float(c.time_s[-1])) for c in self.channels.values() if c.time_s.size]
        return Span(min(start for start, _ in ends), max(end for _, end in ends)) if ends else Span(0.0, 0.0)

    def with_channels(self, *channels: Channel, step: Step | None = None) -> Drive:
        """A drive with these channels added or replaced, and the step noted."""
        merged = {**self.channels, **{channel.name: channel for channel in channels}}
        history = self.history if step is None else (*self.history, step)
        return replace(self, channels=merged, history=history)


@result()
class PackPower:
    """Power at the pack terminals, positive on discharge.

    Parameters
    ----------
    time_s, power_w : ndarray, shape (n,)
        Samples; NaN where voltage or current is not known. [s, W]
    max_gap_s : float
        Longest step that may be integrated. [s]
    source : str
        ``voltage x current`` or ``pack_power``.
    """

    time_s: FloatArray
    power_w: FloatArray
    max_gap_s: float
    source: str


def pack_power(drive: Drive) -> PackPower | None:
    """Pack power; voltage times current where both are logged, else the logged power, else None.

    Between samples voltage and current are straight lines, so their product is evaluated
    at every instant at which either was sampled.

    Parameters
    ----------
    drive : Drive
        The drive.

    Returns
    -------
    PackPower or None
        None where the drive has neither pair nor power.
    """
    known = drive.worked_out.get("pack_power")
    if not isinstance(known, PackPower):
        known = _pack_power(drive)
        drive.worked_out["pack_power"] = known
    return known


def _pack_power(drive: Drive) -> PackPower | None:
    voltage, current = drive.get("pack_voltage"), drive.get("pack_current")
    if voltage is not None and current is not None and voltage.time_s.size > 1 and current.time_s.size > 1:
        return _product(voltage, current)
    given = drive.get("pack_power")
    if given is None or given.time_s.size < 2:
        return None
    return PackPower(time_s=given.time_s, power_w=given.value, max_gap_s=given.max_gap_s, source="pack_power")


def _product(voltage: Channel, current: Channel) -> PackPower:
    if voltage.time_s is current.time_s or np.array_equal(voltage.time_s, current.time_s):
        time_s, power_w = voltage.time_s, voltage.value * current.value
    else:
        time_s = union_times(voltage.time_s, current.time_s)
        volts = interpolate(time_s, voltage.time_s, voltage.value, max_gap_s=voltage.max_gap_s)
        amperes = interpolate(time_s, current.time_s, current.value, max_gap_s=current.max_gap_s)
        power_w = volts * amperes
    # The slower of the two says how long a step may be; the product is NaN inside either's gaps.
    gap_s = max(voltage.max_gap_s, current.max_gap_s)
    return PackPower(time_s=time_s, power_w=power_w, max_gap_s=gap_s, source="voltage x current")


def is_charging_at(drive: Drive, at_s: FloatArray) -> BoolArray:
    """Whether the vehicle was plugged in and charging at each time.

    The plug signal decides where there is one. Without it, standing still for a minute or
    more while power flows into the pack without a break counts as charging.

    Parameters
    ----------
    drive : Drive
        The drive.
    at_s : ndarray, shape (n,)
        Times. [s]

    Returns
    -------
    ndarray of bool, shape (n,)
        True while charging.
    """
    plug = drive.get("charging")
    if plug is not None:
        return np.nan_to_num(plug.at(at_s, max_gap_s=np.inf)) > 0.5
    power, speed = pack_power(drive), drive.get("speed") or drive.get("gnss_speed")
    charging = np.zeros(at_s.shape, dtype=bool)
    if power is None or speed is None:
        return charging
    still = np.nan_to_num(np.abs(speed.at(power.time_s)), nan=1.0) < STANDSTILL_M_PER_S
    for start_s, end_s in spans_where(power.time_s, still & (power.power_w < -200.0), min_duration_s=60.0):
        charging |= (at_s >= start_s) & (at_s <= end_s)
    return charging


CELL_TEMPERATURES = ("cell_temperature_min", "pack_temperature", "cell_temperature_max")
"""Channels that tell how warm the cells are, the best for their resistance first."""
STATION_WIND_FACTOR = 0.7
"""Wind at the vehicle's height over that of a weather station's mast (common practice)."""

GNSS_HEIGHT_SIGMA_M = 3.0
"""One standard uncertainty of a height whose own is not known (common practice for GNSS)."""

UNKNOWN_HEIGHT_SIGMA_M = 50.0
"""How far a road strays from its mean height where no elevation is logged (common practice for rolling country)."""


def road_speed(drive: Drive) -> Channel | None:
    """Speed that a drive is reckoned with: the vehicle's own, else the satellites', else a wheel's."""
    return drive.first_of("speed", "gnss_speed", "wheel_speed", samples=2)


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
        assumed.append(f"ambient {measure(20, '°C')}")
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


def net_pack_wh(channels: Mapping[str, Channel]) -> float | None:
    """Net energy out of the pack over what is covered; None without voltage and current or power. [Wh]"""
    power = pack_power(Drive(channels=channels))
    if power is None:
        return None
    return integrate(power.time_s, power.power_w, max_gap_s=power.max_gap_s).total / JOULES_PER_WATT_HOUR


def step_between(before: Mapping[str, Channel], after: Mapping[str, Channel], **words: Any) -> Step:
    """A step of a drive's history, with the net pack energy before and after it."""
    return Step(net_wh_before=net_pack_wh(before), net_wh_after=net_pack_wh(after), **words)

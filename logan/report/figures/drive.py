"""One drive: over time with its limits and what passed them, and along the road."""

from collections.abc import Sequence
from typing import Final

import numpy as np

from logan.drive.drive import Drive, height_along, pack_power, road_speed
from logan.metrics.limit_events import LimitEvent
from logan.metrics.limits import LimitCheck, LimitSummary
from logan.numerics import cumulative
from logan.report.figure import DASH_ORDER, SERIES, Axis, Band, Bars, Figure, Limit, Line, Mark, Panel, Span, interval
from logan.results import DataFlag, Severity, result
from logan.units import JOULES_PER_WATT_HOUR, DisplayUnits, FloatArray, fahrenheit
from logan.wording import channel_words, clock, number, shown_value, told_apart

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


MOST_SHADES: Final = 60
MOST_LIMITS: Final = 3
"""Limit lines in one row of a timeline: those that were approached most."""

_TEMPERATURES: Final = (
    "motor_temperature", "inverter_temperature", "coolant_temperature", "cell_temperature_max", "ambient_temperature",
)  # fmt: skip
_INKS: Final = {Severity.RED: "red", Severity.AMBER: "amber", Severity.NOTE: "neutral"}
_SHORT: Final = {"cell_voltage_max": "highest", "cell_voltage_min": "lowest", "cell_temperature_max": "cells"}


def timeline_figure(
    drive: Drive, limits: LimitSummary, flags: Sequence[DataFlag], units: DisplayUnits, *, label: str, points: int = 900
) -> Figure:
    """Rows over one time axis with limit lines, and every limit event and finding as a span.

    Parameters
    ----------
    drive : Drive
        Channels; each line is thinned without losing its peaks.
    limits : LimitSummary
        Its limits and events.
    flags : sequence of DataFlag
        What was found in its data.
    units : DisplayUnits
        What the user reads.
    label : str
        How the drive is called.
    points : int
        At most, of each line.
    """
    spans = _spans(limits, flags, units)
    panels = []
    for title, channels in _rows(drive, units):
        marks: list[Mark] = [*spans]
        for index, (name, time_s, value) in enumerate(channels):
            kept_s, kept = thin(time_s, value, points)
            marks.append(
                Line(
                    x=kept_s / 60.0,
                    y=kept,
                    ink=SERIES[index % len(SERIES)],
                    dash=DASH_ORDER[index % len(DASH_ORDER)],
                    width=1.6,
                    label=_short(name) if channels[1:] else "",
                )
            )
        marks += _limit_lines([name for name, *_ in channels], channels, limits, units)
        panels.append(Panel(y=Axis(title=title), marks=tuple(marks), height=58.0 if len(channels) == 1 else 78.0))
    end = max((line.x[-1] for panel in panels for line in panel.marks if isinstance(line, Line) and len(line.x)),
              default=1.0)  # fmt: skip
    return Figure(
        finding=_timeline_finding(limits, units, label),
        x=Axis(title="time [min]", low=0.0, high=float(end)),
        panels=tuple(panels) or (Panel(y=Axis(title="no channel [1]"), marks=()),),
        detail=f"Rows: {', '.join(panel.y.title for panel in panels)}. Shaded: "
        f"{len(limits.events)} limit events (with a triangle) and {sum(bool(flag.spans) for flag in flags)} findings.",
    )


def _short(channel: str) -> str:
    return _SHORT.get(channel, channel_words(channel).removesuffix(" temperature"))


def _against(event: LimitEvent, units: DisplayUnits) -> str:
    return " against ".join(told_apart(event.worst_value, event.limit_value, unit=event.unit, units=units))


def _timeline_finding(limits: LimitSummary, units: DisplayUnits, label: str) -> str:
    for severity in (Severity.RED, Severity.AMBER):
        events = [event for event in limits.events if event.severity is severity]
        if events:
            event = max(events, key=lambda one: abs(one.worst_value - one.limit_value))
            return (
                f"Drive {label}: {channel_words(event.what)} passed {severity.value} after {clock(event.start_s)}, "
                f"{_against(event, units)}."
            )
    hot = [check for check in limits.checks if check.unit == "degC" and check.worst_value is not None]
    if not hot:
        return f"Drive {label} over time."
    hottest = max(hot, key=lambda check: check.worst_value or 0.0)
    return (
        f"Drive {label}: {channel_words(hottest.channel)} came to "
        f"{shown_value(hottest.worst_value, hottest.unit, units)} at most."
    )


def _spans(limits: LimitSummary, flags: Sequence[DataFlag], units: DisplayUnits) -> list[Span]:
    """What was found in the data, the gravest last and so on top; then what passed a limit."""
    order = [Severity.NOTE, Severity.AMBER, Severity.RED]
    found = [(flag, span) for flag in flags if flag.severity is not Severity.NOTE for span in flag.spans[:20]]
    found.sort(key=lambda pair: order.index(pair[0].severity))
    shades = [
        Span(start=span.start_s / 60.0, end=span.end_s / 60.0, ink=_INKS[flag.severity], words=flag.title)
        for flag, span in found[-MOST_SHADES:]
    ]
    marked = [
        Span(
            start=event.start_s / 60.0,
            end=(event.start_s + event.duration_s) / 60.0,
            ink=_INKS[event.severity],
            words=f"{channel_words(event.what)}: {_against(event, units)} after {clock(event.start_s)}",
            is_marked=True,
        )
        for event in limits.events[:MOST_SHADES]
        if event.severity is not Severity.NOTE
    ]
    return shades + marked


def _shown(check: LimitCheck, value: float, units: DisplayUnits) -> float:
    return units.temperature_of(value) if check.unit == "degC" else value


def _limit_lines(
    names: Sequence[str], channels: Sequence[tuple[str, FloatArray, FloatArray]], limits: LimitSummary,
    units: DisplayUnits,
) -> list[Mark]:  # fmt: skip
    """Limits of a row's channels: those approached most, and none that would press the lines flat."""
    low, high = interval(np.concatenate([value for _, _, value in channels])) if channels else (0.0, 1.0)
    room = 0.8 * max(high - low, 1e-9)
    checks = [check for check in limits.checks if check.channel in names and check.margin is not None]
    checks.sort(key=lambda check: check.margin or 0.0)
    lines: list[Mark] = []
    seen: set[tuple[str, float]] = set()
    for check in checks:
        for ink, limit in (("red", check.red), ("amber", check.amber)):
            if limit is None or (ink, limit) in seen or len(lines) >= MOST_LIMITS:
                continue
            seen.add((ink, limit))
            place = _shown(check, limit, units)
            if low - room <= place <= high + room:
                own = f"{_short(check.channel)} " if len(channels) > 1 else ""
                lines.append(Limit(value=place, label=f"{own}{ink} {shown_value(limit, check.unit, units)}", ink=ink))
    return lines


def _rows(drive: Drive, units: DisplayUnits) -> list[tuple[str, list[tuple[str, FloatArray, FloatArray]]]]:
    rows = []
    speed = drive.get("speed") or drive.get("gnss_speed")
    if speed is not None:
        rows.append((f"speed [{units.speed_label}]", [("speed", speed.time_s, speed.value / units.metres_per_second)]))
    if "elevation" in drive:
        height = drive["elevation"]
        shown = height.value / units.metres_of_height
        rows.append((f"elevation [{units.height_label}]", [("elevation", height.time_s, shown)]))
    power = pack_power(drive)
    if power is not None:
        rows.append(("pack power [kW]", [("pack_power", power.time_s, power.power_w / 1000.0)]))
    groups = (
        ("pack current [A]", ("pack_current",), 1.0),
        ("cell voltage [V]", ("cell_voltage_max", "cell_voltage_min"), 1.0),
        ("SOC [%]", ("state_of_charge",), 100.0),
    )
    for title, names, scale in groups:
        found = [(name, drive[name].time_s, scale * drive[name].value) for name in names if name in drive]
        if found:
            rows.append((title, found))
    hot = [(name, drive[name].time_s, _degrees(drive[name].value, units)) for name in _TEMPERATURES if name in drive]
    if hot:
        rows.append((f"temperature [{units.temperature_label}]", hot))
    return rows


def _degrees(value: FloatArray, units: DisplayUnits) -> FloatArray:
    return fahrenheit(value) if units.temperature == "degF" else value


def route_figure(route: RouteProfile, units: DisplayUnits) -> Figure:
    """Height and consumption along the distance: the road without a map."""
    panels = []
    value = units.metres / 1000.0 * route.wh_per_km
    known = np.isfinite(value)
    if route.height_m.size:
        x, y = thin(route.distance_m / units.metres, route.height_m / units.metres_of_height, 600)
        low, high = interval(y)
        floor = low - 0.1 * (high - low) - 5.0
        panels.append(
            Panel(
                y=Axis(title=f"elevation [{units.height_label}]", low=floor),
                marks=(Band(x=x, low=np.full(x.size, floor), high=y, ink="s2"), Line(x=x, y=y, ink="s2")),
                height=110.0,
            )
        )
    finding = f"{route.length_m / units.metres:.1f} {units.distance} of road."
    if known.any():
        middle = (0.5 * (route.edge_m[1:] + route.edge_m[:-1]) / units.metres)[known]
        used = value[known]
        panels.append(
            Panel(
                y=Axis(title=f"net consumption of each stretch [{units.consumption_label}]"),
                marks=(
                    Bars(
                        at=middle,
                        start=np.zeros(used.size),
                        end=used,
                        inks=tuple("good" if one < 0.0 else "refined" for one in used),
                        words=tuple(
                            f"{where:.1f} {units.distance}: {one:.0f} {units.consumption_label}"
                            for where, one in zip(middle, used, strict=True)
                        ),
                        thickness=0.9 * float(route.edge_m[1] - route.edge_m[0]) / units.metres,
                        is_flat=False,
                    ),
                ),
                height=120.0,
            )
        )
        most = int(np.argmax(used))
        finding = (
            f"The stretch at {middle[most]:.1f} {units.distance} took the most, {number(float(used[most]))} "
            f"{units.consumption_label}, stops included."
        )
    end = route.length_m / units.metres
    return Figure(
        finding=finding, x=Axis(title=f"distance [{units.distance}]", low=0.0, high=end), panels=tuple(panels)
    )


def thin(time_s: FloatArray, value: FloatArray, points: int = 2000) -> tuple[FloatArray, FloatArray]:
    """Keep at most ``points`` samples, the extremes among them; a gap stays a gap.

    Parameters
    ----------
    time_s, value : ndarray, shape (n,)
        Samples in the order of time; NaN where absent. [s, any]
    points : int
        How many to keep; an even number of at least 4.

    Returns
    -------
    time_s, value : ndarray, shape (m,), m <= points
        The samples kept.
    """
    if time_s.size <= points:
        return time_s, value
    finite = np.isfinite(value)
    if not finite.all():
        # Absent samples are told by one NaN per gap, which draws as a break in the line.
        breaks = np.flatnonzero(~finite & np.concatenate(([True], finite[:-1])))
        kept_time, kept_value = thin(time_s[finite], value[finite], max(4, points - breaks.size))
        order = np.argsort(np.concatenate((kept_time, time_s[breaks])), kind="stable")
        merged_time = np.concatenate((kept_time, time_s[breaks]))[order]
        return merged_time, np.concatenate((kept_value, np.full(breaks.size, np.nan)))[order]
    # The ends, and of as many equal shares of the samples as fit the lowest and the highest.
    shares = points // 2 - 1
    length = -(-value.size // shares)
    padded = np.pad(value, (0, shares * length - value.size), mode="edge").reshape(shares, length)
    at = np.arange(shares) * length
    index = np.concatenate(([0, value.size - 1], at + padded.argmin(axis=1), at + padded.argmax(axis=1)))
    index = np.unique(np.minimum(index, value.size - 1))
    return time_s[index], value[index]

"""The drive workbench: any window of any channel, what is marked on it, the road, and what a span says."""

from __future__ import annotations

import json
from collections import OrderedDict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from threading import Lock
from typing import Any, Final

import numpy as np

from logan.admission.admit import admitted
from logan.channels.vocabulary import Interpolation, channel_kind
from logan.drive.drive import Channel, Drive
from logan.drive.motion import road_speed
from logan.drive.pack_power import pack_power
from logan.drive_library.fingerprint import settings_fingerprint
from logan.errors import UsageError
from logan.flags import Span
from logan.metrics.energy import energy_summary
from logan.numerics import cumulative
from logan.pipeline.builds import BuildFolder
from logan.pipeline.library import open_library, settings_stamp
from logan.pipeline.notes import conditions_version
from logan.pipeline.stored import StoredDrive, load_corrected, stored_drive
from logan.results import Estimate, Figure, Refusal, result
from logan.settings import BuildSettings
from logan.units import DisplayUnits, FloatArray
from logan.units.algebra import conversion

MOST_POINTS: Final = 12_000
"""Parts of one window that are answered; a screen has fewer pixels, three times over."""
_MAP_POINTS: Final = 1_500
_MOST_KEPT: Final = 4
_EARTH_M: Final = 6_371_008.8

_QUANTITIES: Final = {"m/s": "speed", "degC": "temperature", "W": "electric_power", "N*m": "torque", "Pa": "pressure"}
_OTHERS: Final = {
    "rad/s": ("rpm", 30.0 / np.pi), "ohm": ("kΩ", 1e-3), "A*h": ("Ah", 1.0), "m^3/s": ("L/min", 6e4),
    "deg": ("°", 1.0), "m/s^2": ("m/s²", 1.0),
}  # fmt: skip
_SHARES: Final = ("state_of_charge", "pump_duty", "fan_duty", "accelerator", "relative_humidity", "grade")


@result("workbench/1")
class WorkbenchChannel:
    """One channel as the workbench draws it: ``scale * value + offset`` is in ``unit``.

    Parameters
    ----------
    name, unit, group, meaning, source : str
        Canonical name, unit shown, group, meaning, and the signal it came from.
    scale, offset : float
        From SI to the unit shown.
    low, high : float or None
        Range over the drive. [SI]
    rate_hz, max_gap_s : float
        Usual rate, and the longest step that counts as sampled. [Hz, s]
    is_held : bool
        True where a value holds until the next.
    limits : tuple of (str, float)
        ``amber``, ``red`` or ``derate``, and its value. [SI]
    """

    name: str
    unit: str
    group: str
    meaning: str
    source: str
    scale: float
    offset: float
    low: float | None
    high: float | None
    rate_hz: float
    max_gap_s: float
    is_held: bool
    limits: tuple[tuple[str, float], ...] = ()


@result()
class Mark:
    """Something to be seen at its place in the drive: a finding, an event beyond a limit, a mask."""

    kind: str
    severity: str
    title: str
    text: str
    channels: tuple[str, ...]
    spans: tuple[Span, ...]
    at_s: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Workbench:
    """Everything about a drive but its samples.

    Parameters
    ----------
    number : int
        Of the drive.
    version : str
        Of its notes; a change that names it is refused once they are others.
    start_s, end_s : float
        First and last sample. [s]
    channels : tuple of WorkbenchChannel
        All of them, and the pack power where it can be worked out.
    marks : tuple of Mark
        Gravest first.
    along_s, along_m : ndarray, shape (n,)
        Distance over time; empty where there is no speed. [s, m]
    road_s, road_east_m, road_north_m : ndarray, shape (k,)
        The way driven, from its first point; empty without positions. [s, m, m]
    """

    number: int
    version: str
    start_s: float
    end_s: float
    channels: tuple[WorkbenchChannel, ...]
    marks: tuple[Mark, ...]
    along_s: FloatArray
    along_m: FloatArray
    road_s: FloatArray
    road_east_m: FloatArray
    road_north_m: FloatArray


@result("span-figures/1")
class ChannelSpan:
    """One channel within a span, time-weighted; the change is from its first to its last value. [SI]"""

    channel: str
    unit: str
    low: float
    high: float
    mean: float
    rms: float
    change: float


@result()
class SpanFigures:
    """What a span of a drive says.

    Parameters
    ----------
    span : Span
        As asked, within the drive. [s]
    distance_m, net_wh, regenerated_wh, net_wh_per_km : Figure
        As for a whole drive, and refused for the same reasons.
    channels : tuple of ChannelSpan
        Those with samples in it.
    """

    span: Span
    distance_m: Figure
    net_wh: Figure
    regenerated_wh: Figure
    net_wh_per_km: Figure
    channels: tuple[ChannelSpan, ...]


@dataclass(frozen=True, slots=True, eq=False)
class _Opened:
    """A drive as corrected, with what is known of it."""

    drive: Drive
    stored: StoredDrive
    build: BuildSettings


_KEPT: Final[OrderedDict[str, _Opened]] = OrderedDict()
_LOCK: Final = Lock()


def _opened(folder: BuildFolder, number: int) -> _Opened:
    """A drive with its corrections: the last few are kept in memory while nothing they rest on changes."""
    with open_library(folder.path, create=True) as library:
        record = library.record(number)
        known = [(one.id, one.conditions, one.size_bytes, one.takes_no_part) for one in library.drives()]
        key = settings_fingerprint(str(folder.path), settings_stamp(folder), number, known)
        with _LOCK:
            found = _KEPT.get(key)
        if found is None:
            build = folder.settings()
            stored = stored_drive(library, record, build)
            found = _Opened(_with_power(load_corrected(library, number, build)), stored, build)
        with _LOCK:
            _KEPT[key] = found
            _KEPT.move_to_end(key)
            while len(_KEPT) > _MOST_KEPT:
                _KEPT.popitem(last=False)
    return found


def _with_power(drive: Drive) -> Drive:
    power = pack_power(drive)
    if power is None or "pack_power" in drive:
        return drive
    made = Channel(name="pack_power", time_s=power.time_s, value=power.power_w, source=power.source, is_derived=True)
    return replace(drive, channels={**drive.channels, "pack_power": made})


def workbench(folder: BuildFolder, number: int) -> Workbench:
    """Everything about a drive but its samples.

    Raises
    ------
    LoganError
        If there is no such drive, or it is damaged.
    """
    opened = _opened(folder, number)
    drive, extent = opened.drive, opened.drive.extent
    along_s, along_m = _along(drive)
    road_s, east_m, north_m = _road(drive)
    return Workbench(
        number=number,
        version=conditions_version(opened.stored.record.conditions),
        start_s=extent.start_s,
        end_s=extent.end_s,
        channels=tuple(_described(channel, opened.build) for channel in drive.channels.values() if channel.time_s.size),
        marks=tuple(_marks(opened)),
        along_s=along_s,
        along_m=along_m,
        road_s=road_s,
        road_east_m=east_m,
        road_north_m=north_m,
    )


def _described(channel: Channel, build: BuildSettings) -> WorkbenchChannel:
    kind = channel_kind(channel.name)
    unit, scale, offset = _shown_unit(channel, build.display)
    finite = channel.value[np.isfinite(channel.value)]
    limits = [
        (name, value)
        for limit in build.limits.of(channel.name)
        for name, value in (("amber", limit.amber), ("red", limit.red), ("derate", limit.derate))
        if value is not None
    ]
    return WorkbenchChannel(
        name=channel.name,
        unit=unit,
        group=kind.group if kind else "other",
        meaning=kind.meaning if kind else "",
        source=channel.source,
        scale=scale,
        offset=offset,
        low=float(finite.min()) if finite.size else None,
        high=float(finite.max()) if finite.size else None,
        rate_hz=float((channel.time_s.size - 1) / max(np.ptp(channel.time_s), 1e-9)),
        max_gap_s=channel.max_gap_s,
        is_held=channel.interpolation is Interpolation.HOLD,
        limits=tuple(limits),
    )


def _shown_unit(channel: Channel, units: DisplayUnits) -> tuple[str, float, float]:
    """Unit that a channel is shown in, and the straight line to it from SI."""
    kind = channel_kind(channel.name)
    name = kind.name if kind else ""
    if name in _SHARES:
        return "%", 100.0, 0.0
    quantity = "height" if name == "elevation" else "distance" if name == "odometer" else _QUANTITIES.get(channel.unit)
    if quantity is None:
        label, scale = _OTHERS.get(channel.unit, ("" if channel.unit == "ratio" else channel.unit, 1.0))
        return label, scale, 0.0
    label = units.unit_of(quantity)
    to_si = conversion(label, channel.unit)
    assert to_si is not None  # every unit shown reads back, as a test of the units holds
    zero = to_si.from_si(0.0)
    return label, to_si.from_si(1.0) - zero, zero


def _marks(opened: _Opened) -> Iterator[Mark]:
    analysis, record = opened.stored.analysis, opened.stored.record
    for event in analysis.limits.events:
        end_s = max(event.start_s + event.duration_s, event.context.at_s)
        channel = event.what.rsplit(": ", 1)[-1].replace(" ", "_")
        yield Mark(
            kind="limit",
            severity=event.severity.value,
            title=f"{event.what.replace('_', ' ')} beyond its limit",
            text=event.caution or event.remark,
            channels=(channel,),
            spans=(Span(min(event.start_s, event.context.at_s), end_s),),
            at_s=event.context.at_s,
        )
    for severity in ("red", "amber", "note"):
        for flag in analysis.flags:
            if flag.severity == severity:
                text = f"{flag.evidence}. {flag.remedy}"
                yield Mark(
                    kind="finding", severity=severity, title=flag.title, text=text, channels=flag.channels,
                    spans=flag.spans,
                )  # fmt: skip
    for correction in record.conditions.corrections:
        extent = opened.drive.extent
        start_s = extent.start_s if correction.start_s is None else correction.start_s
        end_s = extent.end_s if correction.end_s is None else correction.end_s
        yield Mark(
            kind="mask" if correction.is_mask else "correction", severity="note", title=correction.why, text="",
            channels=correction.channels, spans=(Span(start_s, end_s),),
        )  # fmt: skip


def _along(drive: Drive) -> tuple[FloatArray, FloatArray]:
    speed = road_speed(drive)
    if speed is None:
        return np.empty(0), np.empty(0)
    along_m = cumulative(speed.time_s, np.abs(speed.value), max_gap_s=speed.max_gap_s)
    first_s, last_s = float(speed.time_s[0]), float(speed.time_s[-1])
    time_s: FloatArray = np.round(np.linspace(first_s, last_s, min(_MAP_POINTS, speed.time_s.size)), 2)
    return time_s, np.round(np.interp(time_s, speed.time_s, along_m), 1)


def _road(drive: Drive) -> tuple[FloatArray, FloatArray, FloatArray]:
    """The way driven on a plane that touches the earth at its first point; small beside the earth."""
    north, east = drive.get("latitude"), drive.get("longitude")
    if north is None or east is None:
        return np.empty(0), np.empty(0), np.empty(0)
    east_deg = east.at(north.time_s)
    known = np.flatnonzero(np.isfinite(north.value) & np.isfinite(east_deg))
    if known.size < 2:
        return np.empty(0), np.empty(0), np.empty(0)
    known = known[np.linspace(0, known.size - 1, min(known.size, _MAP_POINTS)).astype(np.int64)]
    first_deg, per_degree_m = float(north.value[known[0]]), np.radians(1.0) * _EARTH_M
    turned_deg = (east_deg[known] - east_deg[known[0]] + 180.0) % 360.0 - 180.0
    return (
        np.round(north.time_s[known], 2),
        np.round(turned_deg * per_degree_m * np.cos(np.radians(first_deg)), 1),
        np.round((north.value[known] - first_deg) * per_degree_m, 1),
    )


def window_text(
    folder: BuildFolder, number: int, channels: Sequence[str], start_s: float, end_s: float, parts: int
) -> str:
    """Samples of some channels in a window, as JSON text: every one, or the extremes of equally long parts.

    Parameters
    ----------
    folder : BuildFolder
        The build.
    number : int
        Of the drive.
    channels : sequence of str
        Canonical names; those that the drive lacks are passed over.
    start_s, end_s : float
        Window. [s]
    parts : int
        Parts to divide it into, about one a pixel.

    Raises
    ------
    UsageError
        If the window runs backwards or has too many parts.
    LoganError
        If there is no such drive, or it is damaged.
    """
    if not (end_s > start_s and 1 <= parts <= MOST_POINTS):
        raise UsageError("the window is empty, or divided too finely", f"Ask for 1 to {MOST_POINTS} parts of it")
    drive = _opened(folder, number).drive
    found = {name: _window(drive[name], start_s, end_s, parts) for name in channels if name in drive}
    content = {"schema": "channel-window/1", "start_s": start_s, "end_s": end_s, "channels": found}
    return json.dumps(content, separators=(",", ":"))


def _window(channel: Channel, start_s: float, end_s: float, parts: int) -> dict[str, Any]:
    first = max(int(np.searchsorted(channel.time_s, start_s)) - 1, 0)
    last = min(int(np.searchsorted(channel.time_s, end_s, side="right")) + 1, channel.time_s.size)
    time_s, value = channel.time_s[first:last], channel.value[first:last]
    spread = float(np.nanmax(np.abs(value))) if np.isfinite(value).any() else 1.0
    places = int(np.clip(5 - np.ceil(np.log10(max(spread, 1e-9))), 0, 12))
    if time_s.size <= 2 * parts:
        return {"time_s": np.round(time_s, 4).tolist(), "value": _plain(value, places)}
    edges = np.searchsorted(time_s, np.linspace(start_s, end_s, parts + 1))
    filled = np.flatnonzero(np.diff(edges) > 0)
    low, high = np.full(parts, np.nan), np.full(parts, np.nan)
    inner = value[: edges[-1]]
    low[filled] = np.fmin.reduceat(inner, edges[filled])
    high[filled] = np.fmax.reduceat(inner, edges[filled])
    return {"low": _plain(low, places), "high": _plain(high, places)}


def _plain(value: FloatArray, places: int) -> list[float | None]:
    """Numbers as short as a screen needs them; None where nothing is known."""
    rounded: list[float | None] = np.round(value, places).tolist()
    return rounded if np.isfinite(value).all() else [one if one == one else None for one in rounded]


def span_figures(folder: BuildFolder, number: int, start_s: float, end_s: float) -> SpanFigures:
    """What a span of a drive says: energy, distance, consumption, regen, and every channel's range and mean.

    Raises
    ------
    UsageError
        If the span lies outside the drive or is empty.
    LoganError
        If there is no such drive, or it is damaged.
    """
    opened = _opened(folder, number)
    extent = opened.drive.extent
    start_s, end_s = max(start_s, extent.start_s), min(end_s, extent.end_s)
    if not end_s - start_s >= 0.1:
        raise UsageError("the span holds less than a tenth of a second of the drive", "Mark a longer one")
    admission = opened.stored.analysis.admission
    inside = _clipped(admitted(opened.drive, admission), start_s, end_s)
    energy = energy_summary(inside, opened.build, refusals=admission.refusals)
    return SpanFigures(
        span=Span(start_s, end_s),
        distance_m=energy.distance_m,
        net_wh=energy.net_wh,
        regenerated_wh=energy.regenerated_wh,
        net_wh_per_km=_per_km(energy.net_wh, energy.distance_m),
        channels=tuple(
            found
            for channel in _clipped(opened.drive, start_s, end_s).channels.values()
            if (found := _within(channel)) is not None
        ),
    )


def _clipped(drive: Drive, start_s: float, end_s: float) -> Drive:
    """The drive from one instant to another, with a sample at each of them where the channel is known there."""
    ends_s = np.array([start_s, end_s])
    kept = {}
    for name, channel in drive.channels.items():
        inside = (channel.time_s > start_s) & (channel.time_s < end_s)
        value = np.concatenate((channel.at(ends_s[:1]), channel.value[inside], channel.at(ends_s[1:])))
        time_s = np.concatenate((ends_s[:1], channel.time_s[inside], ends_s[1:]))
        if np.isfinite(value).any():
            kept[name] = replace(channel, time_s=time_s, value=value)
    cuts = [Span(max(one.start_s, start_s), min(one.end_s, end_s)) for one in drive.cuts]
    return replace(drive, channels=kept, cuts=tuple(one for one in cuts if one.duration_s > 0.0))


def _per_km(net_wh: Figure, distance_m: Figure) -> Figure:
    """Consumption of a span; a short one is shown too, with what makes most of it."""
    if isinstance(net_wh, Refusal):
        return net_wh
    if isinstance(distance_m, Refusal):
        return distance_m
    if distance_m.value < 10.0:
        return Refusal("the vehicle hardly moved", "Mark a span with a way in it")
    value = 1000.0 * net_wh.value / distance_m.value
    sigma = 1000.0 * np.hypot(net_wh.sigma or 0.0, value / 1000.0 * (distance_m.sigma or 0.0)) / distance_m.value
    return Estimate(value, "Wh/km", float(sigma), "of this span alone: speed and height at its ends are part of it")


def _within(channel: Channel) -> ChannelSpan | None:
    """Range, mean and root mean square over time, exact for straight lines between samples (or steps)."""
    step_s, first, last = np.diff(channel.time_s), channel.value[:-1], channel.value[1:]
    is_held = channel.interpolation is Interpolation.HOLD
    last = first if is_held else last
    known = np.isfinite(first) & np.isfinite(last) & (step_s <= channel.max_gap_s)
    covered_s = float(step_s[known].sum())
    finite = channel.value[np.isfinite(channel.value)]
    if covered_s <= 0.0:
        return None
    first, last, step_s = first[known], last[known], step_s[known]
    return ChannelSpan(
        channel=channel.name,
        unit=channel.unit,
        low=float(finite.min()),
        high=float(finite.max()),
        mean=float((step_s * (first + last)).sum() / 2.0 / covered_s),
        rms=float(np.sqrt((step_s * (first**2 + first * last + last**2)).sum() / 3.0 / covered_s)),
        change=float(finite[-1] - finite[0]),
    )

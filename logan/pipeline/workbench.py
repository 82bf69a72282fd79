"""The drive workbench: any window of any channel, and what a span says."""

import json
from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import replace
from threading import Lock
from typing import Any, Final

import numpy as np

from logan.admission.admit import admitted
from logan.channels.vocabulary import Interpolation, channel_kind
from logan.drive.drive import Channel, Drive, pack_power, road_speed
from logan.drive_library.analysis_cache import settings_fingerprint
from logan.drive_library.repository import DriveLibrary
from logan.errors import UsageError
from logan.metrics.energy import energy_summary
from logan.numerics import cumulative
from logan.pipeline.builds import BuildFolder, open_library, settings_stamp
from logan.pipeline.notes import conditions_version
from logan.pipeline.stored import StoredDrive, load_corrected, stored_drive
from logan.results import Estimate, Figure, Refusal, Span
from logan.settings import BuildSettings
from logan.units import FloatArray

MOST_POINTS: Final = 12_000
"""Parts of one window that are answered; a screen has fewer pixels, three times over."""
_ALONG_POINTS: Final = 1_500
_MOST_KEPT: Final = 4

Opened = tuple[Drive, StoredDrive, BuildSettings]
_KEPT: Final[OrderedDict[str, Opened]] = OrderedDict()
_LOCK: Final = Lock()


def _opened(folder: BuildFolder, number: int) -> Opened:
    """A drive with its corrections: the last few are kept in memory while nothing they rest on changes."""
    with open_library(folder.path, create=True) as library:
        record, key = library.record(number), _grounds(library, folder, number)
        with _LOCK:
            found = _KEPT.get(key)
        if found is None:
            build = folder.settings()
            stored = stored_drive(library, record, build)
            found = _with_power(load_corrected(library, number, build)), stored, build
            if _grounds(library, folder, number) != key:
                return found  # something was changed meanwhile: it is the drive of neither state
    with _LOCK:
        _KEPT[key] = found
        _KEPT.move_to_end(key)
        while len(_KEPT) > _MOST_KEPT:
            _KEPT.popitem(last=False)
    return found


def _grounds(library: DriveLibrary, folder: BuildFolder, number: int) -> str:
    """Name of all that an opened drive rests on, as it stands at this moment."""
    known = [(one.id, one.conditions, one.size_bytes, one.takes_no_part) for one in library.drives()]
    return settings_fingerprint(str(folder.path), settings_stamp(folder), number, known)


def _with_power(drive: Drive) -> Drive:
    power = pack_power(drive)
    if power is None or "pack_power" in drive:
        return drive
    made = Channel(name="pack_power", time_s=power.time_s, value=power.power_w, source=power.source, is_derived=True)
    return drive.with_channels(made)


def workbench(folder: BuildFolder, number: int) -> dict[str, Any]:
    """Everything that a timeline needs of a drive but its samples; SI.

    Returns
    -------
    dict
        Version of its notes, first and last sample, channels (name, unit, group, meaning, source, range, longest step
        that counts as sampled, whether a value holds, limits), and the distance over time.

    Raises
    ------
    LoganError
        If there is no such drive, or it is damaged.
    """
    drive, stored, build = _opened(folder, number)
    along_s, along_m = _along(drive)
    return {
        "schema": "workbench/2",
        "number": number,
        "version": conditions_version(stored.record.conditions),
        "start_s": drive.extent.start_s,
        "end_s": drive.extent.end_s,
        "channels": [_described(channel, build) for channel in drive.channels.values() if channel.time_s.size],
        "along_s": along_s.tolist(),
        "along_m": along_m.tolist(),
    }


def _described(channel: Channel, build: BuildSettings) -> dict[str, Any]:
    kind = channel_kind(channel.name)
    finite = channel.value[np.isfinite(channel.value)]
    ends = (float(finite.min()), float(finite.max())) if finite.size else (None, None)
    limits = [(name, getattr(one, name)) for one in build.limits.of(channel.name) for name in ("amber", "red")]
    return {
        "name": channel.name,
        "unit": channel.unit,
        "group": kind.group if kind else "other",
        "meaning": f"{kind.meaning if kind else ''}; {channel.source}",
        "low": ends[0],
        "high": ends[1],
        "max_gap_s": channel.max_gap_s,
        "is_held": channel.interpolation is Interpolation.HOLD,
        "limits": [(name, value) for name, value in limits if value is not None],
    }


def _along(drive: Drive) -> tuple[FloatArray, FloatArray]:
    speed = road_speed(drive)
    if speed is None:
        return np.empty(0), np.empty(0)
    along_m = cumulative(speed.time_s, np.abs(speed.value), max_gap_s=speed.max_gap_s)
    first_s, last_s = float(speed.time_s[0]), float(speed.time_s[-1])
    time_s: FloatArray = np.round(np.linspace(first_s, last_s, min(_ALONG_POINTS, speed.time_s.size)), 2)
    return time_s, np.round(np.interp(time_s, speed.time_s, along_m), 1)


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
    drive = _opened(folder, number)[0]
    found = {name: _window(drive[name], start_s, end_s, parts) for name in channels if name in drive}
    content = {"schema": "channel-window/1", "start_s": start_s, "end_s": end_s, "channels": found}
    return json.dumps(content, separators=(",", ":"))


def _window(channel: Channel, start_s: float, end_s: float, parts: int) -> dict[str, Any]:
    first = max(int(np.searchsorted(channel.time_s, start_s)) - 1, 0)
    last = min(int(np.searchsorted(channel.time_s, end_s, side="right")) + 1, channel.time_s.size)
    time_s, value = channel.time_s[first:last], channel.value[first:last]
    spread = float(np.nanmax(np.abs(value))) if np.isfinite(value).any() else 1.0
    places = int(np.clip(5 - np.ceil(np.log10(max(spread, 1e-9))), 0, 12))
    if channel.unit == "deg":
        places = 7  # a hundredth of a metre of the way
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


def span_figures(folder: BuildFolder, number: int, start_s: float, end_s: float) -> dict[str, Any]:
    """What a span of a drive says: energy, distance, consumption, regen, and every channel's range, mean and RMS.

    A figure is refused for the same reasons as that of the whole drive.

    Raises
    ------
    UsageError
        If the span lies outside the drive or is empty.
    LoganError
        If there is no such drive, or it is damaged.
    """
    drive, stored, build = _opened(folder, number)
    start_s, end_s = max(start_s, drive.extent.start_s), min(end_s, drive.extent.end_s)
    if not end_s - start_s >= 0.1:
        raise UsageError("the span holds less than a tenth of a second of the drive", "Mark a longer one")
    admission = stored.analysis.admission
    inside = _clipped(admitted(drive, admission), start_s, end_s)
    energy = energy_summary(inside, build, refusals=admission.refusals)
    within = [_within(channel) for channel in _clipped(drive, start_s, end_s).channels.values()]
    return {
        "schema": "span-figures/2",
        "span": Span(start_s, end_s),
        "distance_m": energy.distance_m,
        "net_wh": energy.net_wh,
        "regenerated_wh": energy.regenerated_wh,
        "net_wh_per_km": _per_km(energy.net_wh, energy.distance_m),
        "channels": [found for found in within if found],
    }


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
    if isinstance(net_wh, Refusal) or isinstance(distance_m, Refusal):
        return net_wh if isinstance(net_wh, Refusal) else distance_m
    if distance_m.value < 10.0:
        return Refusal("the vehicle hardly moved", "Mark a span with a way in it")
    value = 1000.0 * net_wh.value / distance_m.value
    sigma = 1000.0 * np.hypot(net_wh.spread, value / 1000.0 * distance_m.spread) / distance_m.value
    return Estimate(value, "Wh/km", float(sigma), "of this span alone: speed and height at its ends are part of it")


def _within(channel: Channel) -> dict[str, Any] | None:
    """Range, mean and root mean square over time, exact for straight lines between samples (or steps)."""
    step_s, first, last = np.diff(channel.time_s), channel.value[:-1], channel.value[1:]
    if channel.interpolation is Interpolation.HOLD:
        last = first
    known = np.isfinite(first) & np.isfinite(last) & (step_s <= channel.max_gap_s)
    first, last, step_s = first[known], last[known], step_s[known]
    covered_s = float(step_s.sum())
    if covered_s <= 0.0:
        return None
    finite = channel.value[np.isfinite(channel.value)]
    square = (step_s * (first**2 + first * last + last**2)).sum() / 3.0 / covered_s
    return {
        "channel": channel.name,
        "low": float(finite.min()),
        "high": float(finite.max()),
        "mean": float((step_s * (first + last)).sum() / 2.0 / covered_s),
        "rms": float(np.sqrt(square)),
        "change": float(finite[-1] - finite[0]),
    }

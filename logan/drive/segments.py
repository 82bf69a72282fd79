"""Spans of a drive: driving, parked, charging; trips between stops; spans free of braking."""

from __future__ import annotations

from typing import Final

import numpy as np

from logan.drive.drive import Channel, Drive
from logan.flags import Span
from logan.numerics import cumulative, longest_bridgeable_gap_s, rolling_mean, spans_where
from logan.units import BoolArray, FloatArray

STANDSTILL_M_PER_S: Final = 0.3
"""Below this a vehicle counts as standing: wheel sensors read zero below 0.5 to 1 m/s anyway."""
_STANDSTILL_RAD_PER_S: Final = 1.0
_CHARGING_W: Final = -300.0
_CHARGING_A: Final = -1.0
_CHARGING_S: Final = 60.0
_SMOOTHED_S: Final = 10.0
_BRAKE_PRESSURE_PA: Final = 1e5


def stops(drive: Drive, *, min_duration_s: float = 2.0) -> tuple[Span, ...]:
    """Spans at standstill, the parked ones among them.

    Parameters
    ----------
    drive : Drive
        Needs speed, or motor speed in its place; without either there are no stops.
    min_duration_s : float
        Shortest that counts. [s]
    """
    moving = _motion(drive)
    if moving is None:
        return ()
    time_s, is_moving = moving
    return tuple(Span(start, end) for start, end in spans_where(time_s, ~is_moving, min_duration_s=min_duration_s))


def driving_spans(drive: Drive, *, min_parked_s: float = 300.0) -> tuple[Span, ...]:
    """Spans of driving, short stops included; parked and charging spans lie between them.

    A gap of the speed longer than ``min_parked_s`` ends a span too.
    """
    moving = _motion(drive)
    if moving is None:
        return ()
    time_s, is_moving = moving
    cuts = [*parked_spans(drive, min_parked_s=min_parked_s), *charging_spans(drive)]
    at = time_s[is_moving]
    if at.size == 0:
        return ()
    edge = np.flatnonzero(np.diff(at) > min_parked_s) + 1
    pieces = np.split(at, edge)
    found: list[Span] = []
    for piece in pieces:
        start = float(piece[0])
        for cut in sorted(cuts, key=lambda span: span.start_s):
            if start < cut.start_s < piece[-1]:
                found.append(Span(start, cut.start_s))
                start = float(piece[np.searchsorted(piece, cut.end_s)])
        found.append(Span(start, float(piece[-1])))
    return tuple(span for span in found if span.duration_s > 0.0)


def charging_spans(drive: Drive) -> tuple[Span, ...]:
    """Spans at standstill in which the pack is charged, by the charging channel or by its current.

    Without a channel of motion, current into the pack for minutes on end is taken for charging.
    """
    plugged = drive.get("charging")
    if plugged is not None and np.nanmax(plugged.value, initial=0.0) > 0.5:
        spans = spans_where(plugged.time_s, plugged.value > 0.5, min_duration_s=_CHARGING_S)
        return tuple(Span(start, end) for start, end in spans)
    flow = drive.get("pack_current") or drive.get("pack_power")
    if flow is None or flow.time_s.size < 2:
        return ()
    threshold = _CHARGING_A if flow.name == "pack_current" else _CHARGING_W
    mean = rolling_mean(flow.time_s, flow.value, _SMOOTHED_S, max_gap_s=flow.max_gap_s)
    is_charging = mean < threshold
    if (moving := _motion(drive)) is not None:
        is_charging &= ~_at(flow.time_s, *moving)
        least_s = _CHARGING_S
    else:
        least_s = 5.0 * _CHARGING_S
    spans = spans_where(flow.time_s, is_charging, min_duration_s=least_s)
    return tuple(_tightened(flow, threshold, start - _SMOOTHED_S, end) for start, end in spans)


def _tightened(flow: Channel, threshold: float, start_s: float, end_s: float) -> Span:
    """From the first to the last sample below the threshold: the mean over a window blurs both ends."""
    inside = (flow.time_s >= start_s) & (flow.time_s <= end_s) & (flow.value < threshold)
    at_s = flow.time_s[inside]
    return Span(float(at_s[0]), float(at_s[-1]))


def parked_spans(drive: Drive, *, min_parked_s: float = 300.0) -> tuple[Span, ...]:
    """Spans at standstill of at least ``min_parked_s``, charging left out."""
    charging = charging_spans(drive)
    return tuple(
        span
        for span in stops(drive, min_duration_s=min_parked_s)
        if not any(other.start_s < span.end_s and span.start_s < other.end_s for other in charging)
    )


def trips(drive: Drive, *, min_distance_m: float = 200.0) -> tuple[Span, ...]:
    """Spans from one stop to the next, each at least ``min_distance_m`` long."""
    speed = drive.get("speed")
    if speed is None or speed.time_s.size < 2:
        return ()
    moving = _motion(drive)
    if moving is None:
        return ()
    distance_m = cumulative(speed.time_s, speed.value, max_gap_s=speed.max_gap_s)
    found: list[Span] = []
    start_s = float(speed.time_s[0])
    for stop in (*stops(drive), Span(float(speed.time_s[-1]), float(speed.time_s[-1]))):
        if np.diff(np.interp([start_s, stop.start_s], speed.time_s, distance_m))[0] >= min_distance_m:
            found.append(Span(start_s, stop.start_s))
            start_s = stop.end_s
        elif not found or start_s != found[-1].end_s:
            start_s = stop.end_s
    return tuple(found)


def brake_free_spans(drive: Drive, *, min_duration_s: float = 5.0) -> tuple[Span, ...]:
    """Moving spans without friction brake; empty where the drive logs no brake channel."""
    brake = drive.get("brake_pressure") or drive.get("brake_switch")
    moving = _motion(drive)
    if brake is None or moving is None or brake.time_s.size == 0:
        return ()
    time_s, is_moving = moving
    threshold = _BRAKE_PRESSURE_PA if brake.name == "brake_pressure" else 0.5
    applied = brake.at(time_s, max_gap_s=max(brake.max_gap_s, 5.0))
    free = is_moving & (applied < threshold)
    return tuple(Span(start, end) for start, end in spans_where(time_s, free, min_duration_s=min_duration_s))


def _motion(drive: Drive) -> tuple[FloatArray, BoolArray] | None:
    """Times, and whether the vehicle moves; None without a channel that tells."""
    for name, threshold in (
        ("speed", STANDSTILL_M_PER_S),
        ("gnss_speed", 3.0 * STANDSTILL_M_PER_S),
        ("motor_speed", _STANDSTILL_RAD_PER_S),
    ):
        channel: Channel | None = drive.get(name)
        if channel is not None and (known := np.isfinite(channel.value)).any():
            return channel.time_s[known], np.abs(channel.value[known]) > threshold
    return None


def _at(at_s: FloatArray, time_s: FloatArray, is_moving: BoolArray) -> BoolArray:
    """Motion at other times, held from the last sample; unknown beyond a gap counts as standing."""
    index = np.clip(np.searchsorted(time_s, at_s, side="right") - 1, 0, time_s.size - 1)
    is_fresh = np.abs(at_s - time_s[index]) <= longest_bridgeable_gap_s(time_s, cap_s=5.0)
    return np.asarray(is_moving[index] & is_fresh)

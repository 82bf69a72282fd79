"""Stretches beyond a limit: the channel's own, or what battery management or inverter allowed at that moment."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

import numpy as np

from logan.admission.admission import KeptOut
from logan.drive.context import Context, ContextLookup
from logan.drive.drive import Channel, Drive, is_charging_at, pack_power
from logan.metrics.cautions import Flow, advice_for
from logan.metrics.exceedance import Stretch, limit_rule, merged, stretches_beyond
from logan.metrics.thermal import without_spikes
from logan.results import Severity, result
from logan.settings import Limit, LimitSide
from logan.units import FloatArray

MERGE_S: Final = 60.0
"""Stretches beyond a limit that are no further apart are one event. [s]"""

_LEAST_FLOW_W: Final = 500.0


@result("limit-event/2")
class LimitEvent:
    """One stretch beyond a limit: the same type for every channel, curve and drive.

    Parameters
    ----------
    what : str
        Channel, or "component: channel" for a curve.
    severity : Severity
        Red, amber, or a note: beyond by less than the sensor or the least duration lets one say.
    start_s, duration_s : float
        When it began, and how long it was beyond in all. [s]
    worst_value, limit_value : float
        In ``unit``.
    unit : str
        Unit of both.
    source : str
        Where the limit comes from.
    context : Context
        Moment of the worst value: speed, power, grade, state of charge, ambient.
    caution : str
        What happened and what helps, beside a red one.
    times : int
        How many stretches were brought together.
    remark : str
        Why it is no more than a note, or red though the reading is not beyond.
    """

    what: str
    severity: Severity
    start_s: float
    duration_s: float
    worst_value: float
    limit_value: float
    unit: str
    source: str
    context: Context
    caution: str
    times: int = 1
    remark: str = ""


class Flows:
    """Which way the pack's current ran at a moment.

    Parameters
    ----------
    drive : Drive
        The drive.
    """

    def __init__(self, drive: Drive) -> None:
        self._drive = drive
        self._current = drive.get("pack_current")

    def at(self, context: Context) -> Flow:
        """Which way it ran at the moment of a context."""
        if bool(is_charging_at(self._drive, np.array([context.at_s]))[0]):
            return Flow.CHARGE
        signed = context.power_w
        if signed is None and self._current is not None:
            signed = 100.0 * (self._current.value_at(context.at_s, max_gap_s=30.0) or 0.0)
        if signed is None or not np.isfinite(signed) or abs(signed) < _LEAST_FLOW_W:
            return Flow.UNKNOWN
        return Flow.DRIVE if signed > 0.0 else Flow.REGEN


@dataclass(frozen=True, slots=True, eq=False)
class Reading:
    """What of a channel may be believed."""

    channel: Channel
    time_s: FloatArray
    value: FloatArray

    @classmethod
    def of(cls, channel: Channel, unfit: KeptOut | None) -> Reading | None:
        """Without spikes of temperatures and without what is refused; None where nothing is left."""
        cleaned = without_spikes(channel) if channel.unit == "degC" else channel
        known = np.isfinite(cleaned.value)
        if unfit is not None:
            if not unfit.spans:
                return None
            for span in unfit.spans:
                known &= (cleaned.time_s < span.start_s) | (cleaned.time_s > span.end_s)
        return cls(channel, cleaned.time_s[known], cleaned.value[known]) if known.any() else None


NOTE_REMARK: Final = "each time shorter than the {:g} s from which it counts, or within the sensor's tolerance"
HELD_REMARK: Final = "held at its own limit, within the sensor's tolerance"


def limit_events(reading: Reading, limit: Limit, lookup: ContextLookup, flows: Flows) -> list[LimitEvent]:
    """Red and amber stretches that last long enough, brought together; what is less is one note.

    Parameters
    ----------
    reading : Reading
        What of the channel may be believed.
    limit : Limit
        What it is held against.
    lookup, flows : ContextLookup, Flows
        What else was true of the drive.

    Returns
    -------
    list of LimitEvent
        Red first, then amber, then at most one note.
    """
    channel, rule, side = reading.channel, limit_rule(reading.channel.name), limit.side
    sign = 1.0 if side is LimitSide.ABOVE else -1.0

    def stretches(level: float) -> tuple[Stretch, ...]:
        return stretches_beyond(reading.time_s, reading.value, level, side)

    def lasting(level: float | None, towards: float) -> tuple[Stretch, ...]:
        if level is None:
            return ()
        moved = level + sign * towards * rule.bound(channel, level)
        return tuple(one for one in stretches(moved) if one.held_s >= rule.least_s)

    red = merged(lasting(limit.red, 1.0 if rule.is_regulated else -1.0), side, within_s=MERGE_S)
    amber = merged(lasting(limit.amber, 0.0), side, within_s=MERGE_S)
    amber = tuple(a for a in amber if not any(r.start_s <= a.end_s and a.start_s <= r.end_s for r in red))
    loud = (*red, *amber)
    outer = limit.red if limit.red is not None else limit.amber
    quiet: tuple[Stretch, ...] = ()
    if outer is not None:
        rest = (
            one for one in stretches(outer) if not any(a.start_s <= one.end_s and one.start_s <= a.end_s for a in loud)
        )
        quiet = merged(tuple(rest), side, within_s=np.inf)
    events = []
    for severity, level, group in (
        (Severity.RED, limit.red, red),
        (Severity.AMBER, limit.amber, amber),
        (Severity.NOTE, outer, quiet),
    ):
        if level is None:
            continue
        for one in group:
            context = lookup.at(one.worst_at_s)
            is_red = severity is Severity.RED
            remark = ""
            if is_red and sign * (one.worst_value - level) <= 0.0:
                remark = f"the sensor's bound of {rule.bound(channel, level):.3g} {channel.unit} reaches beyond it"
            elif severity is Severity.NOTE:
                is_held = rule.is_regulated and sign * (one.worst_value - level) <= rule.bound(channel, level)
                remark = HELD_REMARK if is_held and one.held_s >= rule.least_s else NOTE_REMARK.format(rule.least_s)
            events.append(
                LimitEvent(
                    what=channel.name,
                    severity=severity,
                    start_s=one.start_s,
                    duration_s=one.held_s,
                    worst_value=one.worst_value,
                    limit_value=level,
                    unit=channel.unit,
                    source=limit.source,
                    context=context,
                    caution=advice_for(channel.name, side, flows.at(context)).past if is_red else "",
                    times=one.times,
                    remark=remark,
                )
            )
    return events


@result("event-kind/1")
class EventKind:
    """One channel or curve beyond one of its limits, over all drives.

    Parameters
    ----------
    what : str
        Channel, or "component: channel" for a curve.
    severity : Severity
        Red, amber or a note.
    drives : tuple of int
        Drives that it happened on.
    count : int
        How often.
    duration_s : float
        How long in all. [s]
    worst : LimitEvent
        The one furthest beyond its limit.
    worst_drive : int
        Its drive.
    """

    what: str
    severity: Severity
    drives: tuple[int, ...]
    count: int
    duration_s: float
    worst: LimitEvent
    worst_drive: int


def event_kinds(events: Iterable[tuple[int, LimitEvent]]) -> tuple[EventKind, ...]:
    """Group events alike.

    Parameters
    ----------
    events : iterable of (int, LimitEvent)
        Number of the drive, and the event.

    Returns
    -------
    tuple of EventKind
        Red first; then those on most drives, and the most frequent.
    """
    groups: dict[tuple[str, Severity], list[tuple[int, LimitEvent]]] = {}
    for drive, event in events:
        groups.setdefault((event.what, event.severity), []).append((drive, event))
    kinds = [_kind(what, severity, group) for (what, severity), group in groups.items()]
    gravity = tuple(reversed(Severity))
    kinds.sort(key=lambda kind: (gravity.index(kind.severity), -len(kind.drives), -kind.count, kind.what))
    return tuple(kinds)


def _kind(what: str, severity: Severity, group: list[tuple[int, LimitEvent]]) -> EventKind:
    drive, worst = max(group, key=lambda pair: abs(pair[1].worst_value - pair[1].limit_value))
    return EventKind(
        what=what,
        severity=severity,
        drives=tuple(dict.fromkeys(number for number, _ in group)),
        count=sum(event.times for _, event in group),
        duration_s=sum(event.duration_s for _, event in group),
        worst=worst,
        worst_drive=drive,
    )


GRACE_RATIO: Final = 0.05
"""Beyond a limit by less than this share, and by less than the unit's own grace, is rounding and lag."""

LEAST_EXCESS_S: Final = 0.5

ANNOUNCED: Final = (
    ("discharge_current_limit", "pack_current", 1.0, 5.0),
    ("charge_current_limit", "pack_current", -1.0, 5.0),
    ("discharge_power_limit", "pack_power", 1.0, 2_000.0),
    ("charge_power_limit", "pack_power", -1.0, 2_000.0),
    ("drive_torque_limit", "motor_torque", 1.0, 5.0),
    ("regen_torque_limit", "motor_torque", -1.0, 5.0),
)
"""Limit, what it limits, the sign that it limits, and the grace in that unit."""


def announced_events(drive: Drive, lookup: ContextLookup, flows: Flows) -> list[LimitEvent]:
    """Where current, power or torque passed the limit announced at that moment. Method: measured (31).

    Parameters
    ----------
    drive : Drive
        The drive.
    lookup, flows : ContextLookup, Flows
        What else was true of it.

    Returns
    -------
    list of LimitEvent
        Stretches of half a second and more, those within a minute as one.
    """
    found = []
    for name, channel, sign, grace in ANNOUNCED:
        limit, series = drive.get(name), series_of(drive, channel)
        if limit is None or series is None:
            continue
        time_s, value = series[0], sign * series[1]
        allowed = limit.at(time_s, max_gap_s=30.0)
        excess = value - (1.0 + GRACE_RATIO) * allowed - grace
        lasting = tuple(
            one
            for one in stretches_beyond(time_s, excess, 0.0, LimitSide.ABOVE)
            if one.end_s - one.start_s >= LEAST_EXCESS_S
        )
        for one in merged(lasting, LimitSide.ABOVE, within_s=MERGE_S):
            index, context = int(np.searchsorted(time_s, one.worst_at_s)), lookup.at(one.worst_at_s)
            side = LimitSide.ABOVE if sign > 0.0 else LimitSide.BELOW
            found.append(
                LimitEvent(
                    what=f"{name}: {channel}",
                    severity=Severity.RED,
                    start_s=one.start_s,
                    duration_s=one.held_s,
                    worst_value=float(value[index]),
                    limit_value=float(allowed[index]),
                    unit=limit.unit,
                    source="announced by battery management or inverter at that moment",
                    context=context,
                    caution=advice_for(channel, side, flows.at(context)).past,
                    times=one.times,
                )
            )
    return found


def series_of(drive: Drive, channel: str) -> tuple[FloatArray, FloatArray] | None:
    """Times and values; pack power also from voltage and current."""
    if channel == "pack_power":
        power = pack_power(drive)
        return None if power is None else (power.time_s, power.power_w)
    known = drive.get(channel)
    return None if known is None else (known.time_s, known.value)

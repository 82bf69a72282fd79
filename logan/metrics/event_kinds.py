"""The same event over all drives: how often, how long, and how far at its worst."""

from __future__ import annotations

from collections.abc import Iterable

from logan.flags import Severity
from logan.metrics.limit_events import LimitEvent
from logan.results import result


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

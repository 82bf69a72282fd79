"""Several logs of one drive on one clock.

Loggers' clocks differ by a lag and by parts per million. Where two sources carry one quantity
(speed above all), the lag is where they agree best; it is refused where they agree as well
at another lag, or nowhere.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Final, TypeAlias

import numpy as np

from logan.channels.mapped import MappedChannel
from logan.channels.mapping import FIRST_ABSOLUTE_NS
from logan.drive.clock_alignment import ClockAlignment, align_clocks
from logan.drive.drive import Channel
from logan.errors import ChannelError
from logan.results import DataFlag, Severity, Step
from logan.units import FloatArray, IntArray

_ALIKE: Final = (
    ("speed", "gnss_speed", "wheel_speed", "motor_speed"),
    ("pack_voltage", "inverter_voltage", "charger_voltage"),
    ("pack_current", "inverter_current", "charger_current"),
    ("pack_power",),
    ("elevation",),
)
_ZONE_STEP_S: Final = 900.0
_ZONE_TOLERANCE_S: Final = 90.0
_LARGEST_ZONE_S: Final = 15.0 * 3600.0
"""Time zones lie at most 14 h from UTC, in quarter hours. [s]"""
_NEGATIVE: Final = frozenset({"charger_current"})


Channels: TypeAlias = Mapping[str, MappedChannel]
"""Channels of one source on its own repaired clock, by their canonical names."""


def merge_sources(sources: Sequence[Channels]) -> tuple[Channels, list[Step], list[DataFlag]]:
    """Bring every source onto the clock of the first; say what was done, and what was found amiss.

    Parameters
    ----------
    sources : sequence of mappings of str to MappedChannel
        At least one; the first leads.

    Raises
    ------
    ChannelError
        If a source without absolute time shares no quantity, or none that settles the lag.
    """
    lead = sources[0]
    steps: list[Step] = []
    flags: list[DataFlag] = []
    for other in sources[1:]:
        moved, step, found = _aligned(lead, other)
        lead, left_out = _joined(lead, moved)
        steps += [step, *left_out]
        flags += found
    return lead, steps, flags


def _aligned(lead: Channels, other: Channels) -> tuple[Channels, Step, list[DataFlag]]:
    names = tuple(other)
    both_absolute = _is_absolute(lead) and _is_absolute(other)
    pair = _common_quantity(lead, other)
    why_not = "the two share no quantity, such as speed"
    if pair is not None:
        origin_ns = _start_ns(lead)
        shift_ns = 0 if both_absolute else origin_ns - _start_ns(other)
        reference = _as_channel(lead[pair[0]], origin_ns, 0, pair[0])
        candidate = _as_channel(other[pair[1]], origin_ns, shift_ns, pair[1])
        found = align_clocks(reference, candidate, max_lag_s=_LARGEST_ZONE_S if both_absolute else None)
        if isinstance(found, ClockAlignment):
            step = Step(
                action="align_clock",
                detail=f"second source moved by {found.lag_s + shift_ns * 1e-9:+.2f} s (90 % interval of the fit "
                f"±{0.5 * (found.high_s - found.low_s):.2f} s), drift {found.drift_ppm:+.0f} ppm "
                f"({found.drift_low_ppm:+.0f} to {found.drift_high_ppm:+.0f} ppm)",
                reason=f"{pair[0]} and {pair[1]} agree best there (correlation {found.correlation:.3f})",
                channels=names,
            )
            flags = _zone_flags(found, names) if both_absolute else []
            return _moved(other, found, origin_ns, shift_ns), step, flags
        why_not = found.reason
    if both_absolute:
        reason = f"both logs carry the date and time; not checked against each other: {why_not}"
        step = Step(action="keep_clock", detail="clocks taken as they are", reason=reason, channels=names)
        return other, step, _far_apart(lead, other)
    raise ChannelError(
        f"the clocks of two logs cannot be aligned: {why_not}",
        "Give the lag with 'delay_s' in the channel map and logs with date and time, or read them as two drives",
    )


def _zone_flags(found: ClockAlignment, names: tuple[str, ...]) -> list[DataFlag]:
    """A lag of whole quarter hours is a time zone or summer time, not a clock that was set badly."""
    quarters = round(found.lag_s / _ZONE_STEP_S)
    if quarters == 0 or abs(found.lag_s - quarters * _ZONE_STEP_S) > _ZONE_TOLERANCE_S:
        return []
    hours = quarters / 4.0
    return [
        DataFlag(
            code="time_zone_offset",
            severity=Severity.NOTE,
            channels=names[:6],
            title="Two logs of the drive are in different time zones",
            evidence=f"the second is {abs(found.lag_s):.1f} s {'behind' if hours > 0 else 'ahead'}, which is "
            f"{abs(hours):g} h: local time against UTC, or summer time",
            remedy="It is put right for this drive; let both write UTC",
            effect_wh_per_km=0.0,
        )
    ]


def _far_apart(lead: Channels, other: Channels) -> list[DataFlag]:
    """Two dated logs of one drive that hardly overlap, and share nothing to tell why."""
    (first, last), (start, end) = _ends_ns(lead), _ends_ns(other)
    apart_s = max(start - last, first - end) * 1e-9
    if apart_s < _ZONE_STEP_S:
        return []
    return [
        DataFlag(
            code="time_zone_offset",
            severity=Severity.AMBER,
            channels=tuple(other)[:6],
            title="Two logs of the drive are hours apart",
            evidence=f"{apart_s / 3600.0:.2f} h lie between them, and they share no quantity by which to align them",
            remedy="If one is in local time and the other in UTC, set delay_s for its channels in the channel map; if "
            "they are two drives, import them as such",
        )
    ]


def _ends_ns(source: Channels) -> tuple[int, int]:
    return _start_ns(source), max(int(samples.time_ns[-1]) for samples in source.values())


def _moved(other: Channels, found: ClockAlignment, origin_ns: int, shift_ns: int) -> Channels:
    moved = {}
    for name, old in other.items():
        time_s = _seconds(old.time_ns + shift_ns - origin_ns)
        late_ns = np.rint((found.lag_s + found.drift_ppm * 1e-6 * (time_s - found.at_s)) * 1e9).astype(np.int64)
        moved[name] = replace(old, time_ns=old.time_ns + shift_ns + late_ns)
    return moved


def _joined(lead: Channels, other: Channels) -> tuple[Channels, list[Step]]:
    """Add the other's channels; one that both carry goes on where it follows, else the lead's stays."""
    joined, left_out = dict(lead), []
    for name, new in other.items():
        old = joined.setdefault(name, new)
        if old is new:
            continue
        if new.time_ns[0] > old.time_ns[-1]:
            joined[name] = _chained(old, old, new)
        elif new.time_ns[-1] < old.time_ns[0]:
            joined[name] = _chained(old, new, old)
        else:
            left_out.append(name)
    if not left_out:
        return joined, []
    step = Step(
        action="leave_out",
        detail=f"{', '.join(left_out)} of the second source left out",
        reason="both sources carry them at the same time; the first one leads",
        channels=tuple(left_out),
    )
    return joined, [step]


def _chained(lead: MappedChannel, *parts: MappedChannel) -> MappedChannel:
    time_ns, value = (np.concatenate([getattr(part, name) for part in parts]) for name in ("time_ns", "value"))
    return replace(lead, time_ns=time_ns, value=value)


def _common_quantity(lead: Channels, other: Channels) -> tuple[str, str] | None:
    for alike in _ALIKE:
        mine = [name for name in alike if name in lead and lead[name].time_ns.size > 10]
        theirs = [name for name in alike if name in other and other[name].time_ns.size > 10]
        if mine and theirs:
            return mine[0], theirs[0]
    return None


def _as_channel(samples: MappedChannel, origin_ns: int, shift_ns: int, name: str) -> Channel:
    value = -samples.value if name in _NEGATIVE else samples.value
    value = np.abs(value) if name == "motor_speed" else value
    return Channel(name=name, time_s=_seconds(samples.time_ns + shift_ns - origin_ns), value=value)


def _seconds(time_ns: IntArray) -> FloatArray:
    return np.asarray(time_ns, dtype=np.float64) / 1e9


def _start_ns(source: Channels) -> int:
    return min(int(samples.time_ns[0]) for samples in source.values())


def _is_absolute(source: Channels) -> bool:
    return _start_ns(source) >= FIRST_ABSOLUTE_NS

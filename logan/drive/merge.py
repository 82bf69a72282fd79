"""Several logs of one drive on one clock.

Loggers' clocks differ by a lag and by parts per million. Where two sources carry one quantity
(speed above all), the lag is where they agree best; it is refused where they agree as well
at another lag, or nowhere.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from logan.channels.mapped import Change
from logan.channels.mapping import FIRST_ABSOLUTE_NS
from logan.drive.clock import ClockedSamples
from logan.drive.clock_alignment import ClockAlignment, align_clocks
from logan.drive.drive import Channel, Step
from logan.errors import ChannelError
from logan.results import DataFlag, Severity
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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ClockedSource:
    """Channels of one source on its own repaired clock.

    Parameters
    ----------
    samples : mapping of str to ClockedSamples
        By canonical name.
    origins : mapping of str to str
        Signal that each came from.
    changes : tuple of Change
        What was done to them so far.
    """

    samples: Mapping[str, ClockedSamples]
    origins: Mapping[str, str]
    changes: tuple[Change, ...] = ()


def merge_sources(sources: Sequence[ClockedSource]) -> tuple[ClockedSource, list[Step], list[DataFlag]]:
    """Bring every source onto the clock of the first; say what was done, and what was found amiss.

    Parameters
    ----------
    sources : sequence of ClockedSource
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
        steps.append(step)
        flags += found
        lead, steps = _joined(lead, moved, steps)
    return lead, steps, flags


def _aligned(lead: ClockedSource, other: ClockedSource) -> tuple[ClockedSource, Step, list[DataFlag]]:
    names = tuple(other.samples)
    both_absolute = _is_absolute(lead) and _is_absolute(other)
    pair = _common_quantity(lead, other)
    why_not = "the two share no quantity, such as speed"
    if pair is not None:
        origin_ns = _start_ns(lead)
        shift_ns = 0 if both_absolute else origin_ns - _start_ns(other)
        reference = _as_channel(lead.samples[pair[0]], origin_ns, 0, pair[0])
        candidate = _as_channel(other.samples[pair[1]], origin_ns, shift_ns, pair[1])
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


def _far_apart(lead: ClockedSource, other: ClockedSource) -> list[DataFlag]:
    """Two dated logs of one drive that hardly overlap, and share nothing to tell why."""
    (first, last), (start, end) = _ends_ns(lead), _ends_ns(other)
    apart_s = max(start - last, first - end) * 1e-9
    if apart_s < _ZONE_STEP_S:
        return []
    return [
        DataFlag(
            code="time_zone_offset",
            severity=Severity.AMBER,
            channels=tuple(other.samples)[:6],
            title="Two logs of the drive are hours apart",
            evidence=f"{apart_s / 3600.0:.2f} h lie between them, and they share no quantity by which to align them",
            remedy="If one is in local time and the other in UTC, set delay_s for its channels in the channel map; if "
            "they are two drives, import them as such",
        )
    ]


def _ends_ns(source: ClockedSource) -> tuple[int, int]:
    return _start_ns(source), max(int(samples.time_ns[-1]) for samples in source.samples.values())


def _moved(other: ClockedSource, found: ClockAlignment, origin_ns: int, shift_ns: int) -> ClockedSource:
    samples = {}
    for name, old in other.samples.items():
        time_s = _seconds(old.time_ns + shift_ns - origin_ns)
        late_ns = np.rint((found.lag_s + found.drift_ppm * 1e-6 * (time_s - found.at_s)) * 1e9).astype(np.int64)
        samples[name] = ClockedSamples(time_ns=old.time_ns + shift_ns + late_ns, value=old.value)
    return replace(other, samples=samples)


def _joined(lead: ClockedSource, other: ClockedSource, steps: list[Step]) -> tuple[ClockedSource, list[Step]]:
    """Add the other's channels; one that both carry goes on where it follows, else the lead's stays."""
    samples, origins = dict(lead.samples), dict(lead.origins)
    left_out = []
    for name, new in other.samples.items():
        old = samples.get(name)
        if old is None:
            samples[name], origins[name] = new, other.origins.get(name, "")
        elif new.time_ns[0] > old.time_ns[-1]:
            samples[name] = _chained(old, new)
        elif new.time_ns[-1] < old.time_ns[0]:
            samples[name] = _chained(new, old)
        else:
            left_out.append(name)
    if left_out:
        steps = [
            *steps,
            Step(
                action="leave_out",
                detail=f"{', '.join(left_out)} of the second source left out",
                reason="both sources carry them at the same time; the first one leads",
                channels=tuple(left_out),
            ),
        ]
    return ClockedSource(samples=samples, origins=origins), steps


def _chained(first: ClockedSamples, second: ClockedSamples) -> ClockedSamples:
    return ClockedSamples(
        time_ns=np.concatenate((first.time_ns, second.time_ns)), value=np.concatenate((first.value, second.value))
    )


def _common_quantity(lead: ClockedSource, other: ClockedSource) -> tuple[str, str] | None:
    for alike in _ALIKE:
        mine = [name for name in alike if name in lead.samples and lead.samples[name].time_ns.size > 10]
        theirs = [name for name in alike if name in other.samples and other.samples[name].time_ns.size > 10]
        if mine and theirs:
            return mine[0], theirs[0]
    return None


def _as_channel(samples: ClockedSamples, origin_ns: int, shift_ns: int, name: str) -> Channel:
    value = -samples.value if name in _NEGATIVE else samples.value
    value = np.abs(value) if name == "motor_speed" else value
    return Channel(name=name, time_s=_seconds(samples.time_ns + shift_ns - origin_ns), value=value)


def _seconds(time_ns: IntArray) -> FloatArray:
    return np.asarray(time_ns, dtype=np.float64) / 1e9


def _start_ns(source: ClockedSource) -> int:
    return min(int(samples.time_ns[0]) for samples in source.samples.values())


def _is_absolute(source: ClockedSource) -> bool:
    return _start_ns(source) >= FIRST_ABSOLUTE_NS

"""Decide what a drive may be used for: what detectors found, and what was written and not measured."""

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from logan.admission.admission import Admission, KeptOut
from logan.drive.drive import STANDSTILL_M_PER_S, Channel, Drive, pack_power, road_speed, step_between
from logan.drive.logged_loads import JUDGED_KINDS
from logan.drive.mask import cut
from logan.numerics import nominal_period_s, true_runs
from logan.quality.grades import METRIC_CHANNELS, MetricGrade, kind_name, net_wh_per_km
from logan.quality.survey import resolution
from logan.results import DataFlag, Severity, Span
from logan.units import BoolArray, FloatArray
from logan.units.sentences import measure

_TRUE_OF_THE_VEHICLE: Final = frozenset(
    {"contactor_opened_under_load", "cell_spread", "isolation_low", "error_frames", "bus_silent", "lost_samples"}
)
"""Red findings that say something about vehicle or bus: what data there are, are good; coverage counts them."""

_NEEDED_BY_THE_FIT: Final = frozenset({"net_energy", "consumption", "distance"})
_PACK: Final = frozenset({"pack_current", "pack_voltage", "pack_power"})
_NOT_DRAWN: Final = "load_not_drawn"
_REMARKED: Final = frozenset({"load_nobody_logged", "energy_from_nowhere"})
_STUCK: Final = "channel_frozen"
_DOUBTED: Final = frozenset(
    {"current_zero_offset", "current_offset_drift", "current_gain", "acceleration_energy", _STUCK}
)
_MOST_OF_A_DRIVE: Final = 0.6
"""A load that nobody logged and that runs for longer may as well be the zero of the current sensor."""
_SMALL_EFFECT: Final = 0.01
_LARGEST_SPAN_SHARE: Final = 0.2
"""Red spans up to this share of a drive are kept out of the fit alone; beyond it, the drive is."""


def admit(drive: Drive, flags: tuple[DataFlag, ...], grades: Mapping[str, MetricGrade]) -> Admission:
    """Say for each use whether a drive may be used, and what is kept out.

    A use is refused where a finding refuses it, where it is not covered, or where a red
    finding concerns a channel that the use reads. Red findings with spans keep those spans
    out of the fit, and all of the drive only where they are a large share.

    Parameters
    ----------
    drive : Drive
        As corrected.
    flags : tuple of DataFlag
        What the detectors found.
    grades : mapping of str to MetricGrade
        By metric.

    Returns
    -------
    Admission
        One entry per use that is kept from something.
    """
    red = tuple(flag for flag in flags if flag.severity is Severity.RED and flag.code not in _TRUE_OF_THE_VEHICLE)
    untrusted = {
        channel: flag.title
        for flag in (*red, *(flag for flag in flags if flag.code == _NOT_DRAWN))
        for channel in flag.channels
        if channel in drive and channel not in _PACK and _is_whole(drive, flag)
    }
    least = _SMALL_EFFECT * abs(net_wh_per_km(drive) or 0.0)
    grave = tuple(flag for flag in red if flag.effect_wh_per_km is None or abs(flag.effect_wh_per_km) >= least)
    entries = [entry for grade in grades.values() for entry in _kept_out(drive, grade, flags, grave, untrusted)]
    remarks = tuple(f"{flag.title.lower()}: {flag.evidence}" for flag in flags if flag.code in _REMARKED)
    doubts = {
        flag.title: abs(flag.effect_wh_per_km) for flag in flags if flag.effect_wh_per_km and _doubted(drive, flag)
    }
    return Admission(
        kept_out=tuple(entries),
        untrusted=untrusted,
        remarks=remarks,
        channels_out=_channels_out(flags),
        doubts_wh_per_km=doubts,
    )


def _channels_out(flags: tuple[DataFlag, ...]) -> dict[str, KeptOut]:
    """Channels of red findings that refuse figures; of several findings on one, a whole one counts."""
    found: dict[str, KeptOut] = {}
    for flag in flags:
        if flag.severity is not Severity.RED or not flag.refuses:
            continue
        for name in flag.channels:
            before = found[name].spans if name in found else flag.spans
            spans = (*before, *flag.spans) if before and flag.spans else ()
            reason = flag.title[:1].lower() + flag.title[1:]
            found[name] = KeptOut(use="limits", reason=reason, remedy=flag.remedy, spans=spans)
    return found


def _doubted(drive: Drive, flag: DataFlag) -> bool:
    """Whether a finding may be an error of the figure, and nothing was done about it. Method: admission (6)."""
    lasting_s = sum(span.duration_s for span in flag.spans)
    is_steady = flag.code in _REMARKED and lasting_s > _MOST_OF_A_DRIVE * drive.duration_s
    return flag.severity is Severity.AMBER and (flag.code in _DOUBTED or is_steady)


def admitted(drive: Drive, admission: Admission, use: str = "") -> Drive:
    """The drive without its untrusted channels and, for a use, without the spans kept out of it.

    A load that the pack does not feed stays as one of 0 W: it is logged, and it is off.

    Parameters
    ----------
    drive : Drive
        As corrected.
    admission : Admission
        Its own.
    use : str
        Name of the use; empty takes no span out.
    """
    if admission.untrusted:
        off = {
            name: replace(channel, value=np.zeros(channel.value.shape), is_derived=True)
            for name, channel in drive.channels.items()
            if name in admission.untrusted and kind_name(name) in JUDGED_KINDS
        }
        kept = {name: channel for name, channel in drive.channels.items() if name not in admission.untrusted}
        drive = replace(drive, channels=kept | off)
    for span in admission.spans_out(use):
        drive = cut(drive, span)
    return drive


def _is_whole(drive: Drive, flag: DataFlag) -> bool:
    total_s = sum(span.duration_s for span in flag.spans)
    return not flag.spans or total_s > _LARGEST_SPAN_SHARE * drive.duration_s


def _kept_out(
    drive: Drive,
    grade: MetricGrade,
    flags: tuple[DataFlag, ...],
    grave: tuple[DataFlag, ...],
    untrusted: Collection[str],
) -> list[KeptOut]:
    use = grade.metric
    if grade.is_missing:
        return [KeptOut(use=use, reason="; ".join(grade.reasons), remedy=grade.remedy, is_missing=True)]
    if use == "temperatures" and _is_any_trusted(drive, use, untrusted):
        return []  # one bad sensor takes nothing from the others
    read = _channels_read(drive, use)
    touching = [flag for flag in grave if read & set(flag.channels)]
    whole = [flag for flag in flags if use in flag.refuses]
    if use == "fit":
        whole += [flag for flag in flags if _NEEDED_BY_THE_FIT & set(flag.refuses)]
        whole += [flag for flag in touching if _is_whole(drive, flag)]
    else:
        whole += touching
    if whole or grade.is_refused:
        # What follows from another finding is a note by now, and explains nothing.
        causes = [flag for flag in whole if flag.severity is not Severity.NOTE] or whole
        reasons = [flag.title for flag in causes] or list(grade.reasons)
        remedy = causes[0].remedy if causes else grade.remedy
        return [KeptOut(use=use, reason="; ".join(dict.fromkeys(reasons)), remedy=remedy)]
    if use != "fit":
        return []
    touching += [flag for flag in flags if flag.code == _STUCK and flag not in touching and read & set(flag.channels)]
    return [KeptOut(use=use, reason=flag.title, remedy=flag.remedy, spans=flag.spans) for flag in touching]


def _is_any_trusted(drive: Drive, use: str, untrusted: Collection[str]) -> bool:
    kinds = {name for choice in METRIC_CHANNELS[use] for name in choice.split("|")}
    return any(kind_name(name) in kinds and name not in untrusted for name in drive)


def _channels_read(drive: Drive, use: str) -> set[str]:
    """Channels that a use reads: of alternatives, the first that is there."""
    return {
        next(name for name in choice.split("|") if name in drive)
        for choice in METRIC_CHANNELS[use]
        if any(name in drive for name in choice.split("|"))
    }


_PACK_CHANNELS: Final = ("pack_voltage", "pack_current", "pack_power")
_LIVELY: Final = (*_PACK_CHANNELS, "speed", "gnss_speed", "motor_speed", "motor_torque")
_WINDOW_S: Final = 10.0
_LEAST_DEAD_S: Final = 20.0
_LEAST_DEAD_STANDING_S: Final = 60.0
_MOST_QUIET_STOPS: Final = 0.1
"""Share of the other standing windows that may be as still: beyond it, a stop of this vehicle looks like that."""
_LEAST_SAMPLES: Final = 100
_LONGEST_PERIOD_S: Final = 2.0
_MOST_BLANK_S: Final = 30.0
_LEAST_BLANK_S: Final = 0.5
_FIRST_ROW_K: Final = 10.0


@dataclass(frozen=True, slots=True)
class DeadSpan:
    """A stretch that holds no measurement, why, and whether that is certain."""

    span: Span
    reason: str
    is_certain: bool = True


def trimmed(drive: Drive) -> Drive:
    """The drive without what is certainly no measurement; what it does and offers is in its history and flags.

    Parameters
    ----------
    drive : Drive
        With its corrections by hand applied. Nothing is cut where the user said why not.
    """
    flags = []
    for dead in dead_spans(drive):
        start_s, end_s = max(dead.span.start_s, 0.0), dead.span.end_s
        words = f"{start_s:.1f} s to {end_s:.1f} s"
        if dead.is_certain and not drive.conditions.untrimmed_because:
            left = cut(drive, dead.span)
            step = step_between(drive.channels, left.channels, action="trim", detail=words, reason=dead.reason)
            drive = left.with_channels(step=step)
            severity, title = Severity.NOTE, "A stretch was left out that holds no measurement"
            remedy = 'To have it back: logan drive N --untrim --why "..."'
        else:
            severity, title = Severity.AMBER, "A stretch may hold no measurement"
            remedy = f'To leave it out: logan drive N --trim {start_s:.1f}s..{end_s:.1f}s --why "{dead.reason}"'
        flags.append(
            DataFlag(
                code="no_measurement", severity=severity, channels=(), title=title, evidence=f"{words}: {dead.reason}",
                remedy=remedy, spans=(dead.span,),
            )
        )  # fmt: skip
    return replace(drive, import_flags=(*drive.import_flags, *flags)) if flags else drive


def dead_spans(drive: Drive) -> tuple[DeadSpan, ...]:
    """Stretches of a drive that hold no measurement, in no order."""
    return (*_first_row(drive), *_blank_ends(drive), *_still_or_straight(drive))


def _first_row(drive: Drive) -> Iterator[DeadSpan]:
    """A first row that belongs to something else: a temperature there is far from all that follow."""
    for name, channel in drive.channels.items():
        known = np.isfinite(channel.value)
        if channel.unit != "degC" or known.sum() < _LEAST_SAMPLES or not known[0]:
            continue
        value = channel.value[known][:_LEAST_SAMPLES]
        if abs(value[0] - value[1]) > _FIRST_ROW_K and np.ptp(value[1:]) < 0.5 * _FIRST_ROW_K:
            at_s = float(channel.time_s[0])
            words = (
                f"{name.replace('_', ' ')} is {measure(value[0], '°C')} in the first "
                f"row and {measure(value[1], '°C')} after it"
            )
            yield DeadSpan(Span(at_s, at_s), words)
            return


def _blank_ends(drive: Drive) -> Iterator[DeadSpan]:
    """Beginning and end where pack power or speed is blank while others go on."""
    power, speed = pack_power(drive), road_speed(drive)
    if power is None or speed is None:
        return
    axes = ((power.time_s, np.isfinite(power.power_w)), (speed.time_s, np.isfinite(speed.value)))
    if any(known.sum() < _LEAST_SAMPLES for _, known in axes):
        return
    start_s = max(float(time_s[known][0]) for time_s, known in axes)
    end_s = min(float(time_s[known][-1]) for time_s, known in axes)
    extent = drive.extent
    least_s = max(_LEAST_BLANK_S, 2.0 * max(nominal_period_s(time_s) for time_s, _ in axes))
    for side, span in (("begins", Span(extent.start_s, start_s)), ("ends", Span(end_s, extent.end_s))):
        if span.duration_s > least_s and start_s < end_s:
            inner = Span(span.start_s, span.end_s - 1e-6) if side == "begins" else Span(span.start_s + 1e-6, span.end_s)
            words = f"the log {side} with {span.duration_s:.1f} s in which pack power or speed is blank"
            yield DeadSpan(inner, words, is_certain=span.duration_s <= _MOST_BLANK_S)


def _still_or_straight(drive: Drive) -> Iterator[DeadSpan]:
    """Stretches in which every quick channel stands still or runs along one line, as no sensor does."""
    quick = {name: drive[name] for name in _LIVELY if name in drive and _is_quick(drive[name])}
    if len(quick) < 2 or not set(quick) & set(_PACK_CHANNELS):
        return
    extent = drive.extent
    starts_s = np.arange(extent.start_s, extent.end_s - _WINDOW_S, 0.5 * _WINDOW_S)
    straight = {name: _is_straight(channel, starts_s) for name, channel in quick.items()}
    # A channel without samples in a window says nothing; two that do must agree.
    said = np.sum([found >= 0 for found in straight.values()], axis=0)
    dead = (said >= 2) & np.all([found != 0 for found in straight.values()], axis=0)
    standing = _is_standing(drive, starts_s)
    for condition, least_s in ((dead & ~standing, _LEAST_DEAD_S), (dead & standing, _LEAST_DEAD_STANDING_S)):
        starts, lengths = true_runs(np.asarray(condition))
        for start, length in zip(starts, lengths, strict=True):
            rough = Span(float(starts_s[start]), float(starts_s[start + length - 1]) + _WINDOW_S)
            if rough.duration_s < least_s:
                continue
            if standing[start] and not _stops_are_lively(dead, standing, start, length):
                continue
            span = _refined(quick, rough)
            words = f"every quick channel stands still or runs along one line for {span.duration_s:.0f} s"
            yield DeadSpan(span, words)


def _is_quick(channel: Channel) -> bool:
    known = np.isfinite(channel.value)
    if channel.is_derived or known.sum() < _LEAST_SAMPLES or nominal_period_s(channel.time_s) > _LONGEST_PERIOD_S:
        return False
    return bool(np.ptp(channel.value[known]) > 0.0)


def _is_straight(channel: Channel, starts_s: FloatArray) -> FloatArray:
    """For each window 1 where the channel lies on one line, 0 where not, -1 where it has no samples."""
    known = np.isfinite(channel.value)
    time_s, value = channel.time_s[known], channel.value[known]
    step = max(resolution(value), 1e-12)
    low, high = np.searchsorted(time_s, starts_s), np.searchsorted(time_s, starts_s + _WINDOW_S, side="right")
    found = np.where(high - low >= 5, 0.0, -1.0)
    # Most windows show by their middle that they are not straight.
    first, middle, last = (np.clip(k, 0, time_s.size - 1) for k in (low, (low + high) // 2, high - 1))
    share = (time_s[middle] - time_s[first]) / np.maximum(time_s[last] - time_s[first], 1e-9)
    off = np.abs(value[middle] - value[first] - share * (value[last] - value[first]))
    for k in np.flatnonzero((found == 0.0) & (off <= 0.51 * step)):
        t, v = time_s[low[k] : high[k]], value[low[k] : high[k]]
        chord = v[0] + (v[-1] - v[0]) * (t - t[0]) / (t[-1] - t[0])
        found[k] = float(np.max(np.abs(v - chord)) <= 0.51 * step)
    return found


def _is_standing(drive: Drive, starts_s: FloatArray) -> BoolArray:
    speed = road_speed(drive)
    if speed is None:
        return np.ones(starts_s.shape, dtype=bool)
    middle = np.abs(speed.at(starts_s + 0.5 * _WINDOW_S, max_gap_s=_WINDOW_S))
    return np.asarray(~(np.nan_to_num(middle) > STANDSTILL_M_PER_S))


def _stops_are_lively(dead: BoolArray, standing: BoolArray, start: int, length: int) -> bool:
    others = standing.copy()
    others[max(start - 1, 0) : start + length + 1] = False
    return bool(others.sum() >= 3 and np.mean(dead[others]) <= _MOST_QUIET_STOPS)


def _refined(quick: Mapping[str, Channel], rough: Span) -> Span:
    """The span to the sample: as far as every channel stays on the line that it keeps inside."""
    start_s, end_s = rough.start_s - _WINDOW_S, rough.end_s + _WINDOW_S
    for channel in quick.values():
        known = np.isfinite(channel.value)
        time_s, value = channel.time_s[known], channel.value[known]
        inside = (time_s >= rough.start_s) & (time_s <= rough.end_s)
        if inside.sum() < 5:
            continue
        line = np.polyfit(time_s[inside] - rough.start_s, value[inside], 1)
        off = np.abs(value - np.polyval(line, time_s - rough.start_s)) > 0.6 * max(resolution(value), 1e-12)
        middle_s = 0.5 * (rough.start_s + rough.end_s)
        before, after = time_s[off & (time_s < middle_s)], time_s[off & (time_s > middle_s)]
        # One step inside the last sound sample, so that this one stays.
        start_s = max(start_s, float(before[-1]) + 1e-6) if before.size else start_s
        end_s = min(end_s, float(after[0]) - 1e-6) if after.size else end_s
    if end_s - start_s < 0.5 * rough.duration_s:
        return rough
    return Span(start_s, end_s)

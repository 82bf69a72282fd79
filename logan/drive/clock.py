"""Make the time of a log run forward: wraps, resets, back-jumps, coarse stamps, duplicates.

Every repair is returned as a ``Step``. One log has one clock, so a jump is judged on its
busiest channel and applied to all.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Final

import numpy as np

from logan.channels.mapped import MappedChannel
from logan.channels.mapping import FIRST_ABSOLUTE_NS
from logan.results import Step
from logan.units import FloatArray, IntArray

_NS: Final = 1_000_000_000
OUT_OF_ORDER_NS: Final = 1 * _NS
"""A step back by no more than this is a sample out of order, not a clock that was set. [ns]"""
_FORWARD_JUMP_NS: Final = 24 * 3600 * _NS
_RESET_GAP_NS: Final = 10 * _NS
"""Gap put between two sessions of a clock that restarted; how long it really was is not known. [ns]"""
WRAPS_NS: Final = (
    ("16-bit counter of milliseconds", 65_536_000_000),
    ("32-bit counter of microseconds", 4_294_967_296_000),
    ("32-bit counter of milliseconds", 4_294_967_296_000_000),
    ("clock of seconds within the minute", 60 * _NS),
    ("clock of minutes and seconds", 3600 * _NS),
    ("time of day", 86_400 * _NS),
)
"""Clocks that start again at zero, and after how long. [ns]"""
_FLOAT32_STEPS_S: Final = (64.0, 128.0, 256.0)


def repair_clock(channels: Mapping[str, MappedChannel]) -> tuple[dict[str, MappedChannel], tuple[Step, ...]]:
    """Put all channels of one log on one clock that runs forward.

    Parameters
    ----------
    channels : mapping of str to MappedChannel
        Channels of one log, in the order of the log.

    Returns
    -------
    channels : dict of str to MappedChannel
        Those that have samples: strictly increasing times, on the log's own clock. [ns]
    changes : tuple of Step
        What was repaired; empty for a sound clock.
    """
    filled = {name: channel for name, channel in channels.items() if channel.time_ns.size}
    if not filled:
        return {}, ()
    times = {name: channel.time_ns for name, channel in filled.items()}
    values = {name: channel.value for name, channel in filled.items()}
    changes = _drop_stray_stamps(times, values)
    if any(breaks_of(time_ns).size for time_ns in times.values()):
        changes += _join_sessions(times)
    tally: dict[str, dict[str, int]] = {}
    for name in filled:
        times[name], values[name], counts = _strictly_increasing(times[name], values[name])
        for action, count in counts.items():
            tally.setdefault(action, {})[name] = count
    changes += [_tally_change(action, counts) for action, counts in tally.items()]
    repaired = {name: replace(channel, time_ns=times[name], value=values[name]) for name, channel in filled.items()}
    return repaired, tuple(changes)


def breaks_of(time_ns: IntArray) -> IntArray:
    """Index of the first sample after each step back beyond disorder, or forward by a day."""
    step = np.diff(time_ns)
    return np.flatnonzero((step < -OUT_OF_ORDER_NS) | (step > _FORWARD_JUMP_NS)) + 1


def _drop_stray_stamps(times: dict[str, IntArray], values: dict[str, FloatArray]) -> list[Step]:
    """Drop single samples whose stamp lies far off while their neighbours follow one another."""
    dropped: dict[str, int] = {}
    for name, time_ns in times.items():
        if time_ns.size < 3 or not breaks_of(time_ns).size:
            continue
        before, here, after = time_ns[:-2], time_ns[1:-1], time_ns[2:]
        follows = (after >= before) & (after - before < 60 * _NS)
        stray = np.concatenate(
            ([False], follows & ((here > after + OUT_OF_ORDER_NS) | (here < before - OUT_OF_ORDER_NS)), [False])
        )
        if stray.any():
            dropped[name] = int(np.count_nonzero(stray))
            times[name], values[name] = time_ns[~stray], values[name][~stray]
    return [_tally_change("drop_stray_stamp", dropped)] if dropped else []


@dataclass(frozen=True, slots=True)
class _Session:
    start_ns: int
    end_ns: int
    offset_ns: int


def _join_sessions(times: dict[str, IntArray]) -> list[Step]:
    """Shift each session of the clock behind the one before; in place."""
    reference = max(times, key=lambda name: times[name].size)
    sessions, changes = sessions_of(times[reference], tuple(times))
    for name, time_ns in times.items():
        edges = [0, *breaks_of(time_ns).tolist(), time_ns.size]
        shifted = time_ns.copy()
        number = 0
        for start, end in pairwise(edges):
            number = _session_of(time_ns[start:end], sessions, number if start == 0 else number + 1)
            shifted[start:end] += sessions[number].offset_ns
        times[name] = shifted
    return changes


def _session_of(piece_ns: IntArray, sessions: list[_Session], earliest: int) -> int:
    """Number of the session that holds a piece of a slower channel."""
    slack_ns = OUT_OF_ORDER_NS + (int(np.median(np.diff(piece_ns))) if piece_ns.size > 1 else 0)
    for number in range(min(earliest, len(sessions) - 1), len(sessions)):
        session = sessions[number]
        if session.start_ns - slack_ns <= piece_ns[0] and piece_ns[-1] <= session.end_ns + slack_ns:
            return number
    return min(earliest, len(sessions) - 1)


def sessions_of(time_ns: IntArray, names: tuple[str, ...]) -> tuple[list[_Session], list[Step]]:
    """Stretches between breaks of a clock, and what is to be done about each break, in order."""
    edges = [0, *breaks_of(time_ns).tolist(), time_ns.size]
    step = np.diff(time_ns)
    usual = step[(step > 0) & (step <= _FORWARD_JUMP_NS)]
    period_ns = int(np.median(usual)) if usual.size else _NS // 10
    sessions = [_Session(int(time_ns[: edges[1]].min()), int(time_ns[: edges[1]].max()), 0)]
    changes: list[Step] = []
    for start, end in pairwise(edges[1:]):
        before, after = int(time_ns[start - 1]), int(time_ns[start])
        previous = sessions[-1]
        action, advance_ns, reason = _judge(before, after, previous.start_ns, period_ns)
        # The sample after the break is placed ``advance_ns`` behind the one before it.
        offset_ns = previous.offset_ns + before + advance_ns - after
        piece = time_ns[start:end]
        sessions.append(_Session(int(piece.min()), int(piece.max()), offset_ns))
        changes.append(
            Step(
                action=action,
                detail=f"from {before * 1e-9:.3f} s to {after * 1e-9:.3f} s; the rest moved by "
                f"{(offset_ns - previous.offset_ns) * 1e-9:+.3f} s",
                reason=reason,
                channels=names,
            )
        )
    if time_ns[-1] >= FIRST_ABSOLUTE_NS > time_ns[0]:
        # A clock that was set during the log: its later part is the one to believe.
        last = sessions[-1].offset_ns
        sessions = [_Session(s.start_ns, s.end_ns, s.offset_ns - last) for s in sessions]
    return sessions, changes


def _judge(before: int, after: int, session_start: int, period_ns: int) -> tuple[str, int, str]:
    """Name a break, and how far behind the last sample the next one is placed. [ns]"""
    if after > before:
        if after >= FIRST_ABSOLUTE_NS > before:
            return "time_set", period_ns, "the logger's clock was set while it ran"
        return "time_jump", _RESET_GAP_NS, "the clock jumps by more than a day; the true gap is not known"
    for meaning, wrap_ns in WRAPS_NS:
        advance_ns = after + wrap_ns - before
        if 0 <= advance_ns <= max(2 * _NS, 10 * period_ns):
            return "time_wrap", advance_ns, f"a {meaning} ran over"
    if after <= session_start + OUT_OF_ORDER_NS:
        return "time_reset", _RESET_GAP_NS, "the clock restarted: a new session; the true gap is not known"
    return "time_backwards", period_ns, "the clock was set back while the log ran on"


def _strictly_increasing(time_ns: IntArray, value: FloatArray) -> tuple[IntArray, FloatArray, dict[str, int]]:
    """Sort, drop duplicates, spread coarse stamps; with the count of each."""
    step = np.diff(time_ns)
    if (step > 0).all():
        return time_ns, value, {}
    counts: dict[str, int] = {}
    if (step < 0).any():
        counts["sort_time"] = int(np.count_nonzero(step < 0))
        order = np.argsort(time_ns, kind="stable")
        time_ns, value = time_ns[order], value[order]
    is_tied = np.concatenate(([False], np.diff(time_ns) == 0))
    if not is_tied.any():
        return time_ns, value, counts
    is_same = np.concatenate(([False], (np.diff(value) == 0) | (np.isnan(value[1:]) & np.isnan(value[:-1])))) & is_tied
    if np.count_nonzero(is_tied) > 0.4 * time_ns.size and (is_tied & ~is_same).any():
        name = "spread_float32_time" if is_float32_epoch(time_ns) else "spread_coarse_time"
        counts[name] = int(np.count_nonzero(is_tied))
        return _spread(time_ns), value, counts
    if is_same.any():
        counts["drop_duplicate"] = int(np.count_nonzero(is_same))
        time_ns, value = time_ns[~is_same], value[~is_same]
    is_superseded = np.concatenate((np.diff(time_ns) == 0, [False]))
    if is_superseded.any():
        counts["keep_last_of_instant"] = int(np.count_nonzero(is_superseded))
        time_ns, value = time_ns[~is_superseded], value[~is_superseded]
    return time_ns, value, counts


def _spread(time_ns: IntArray) -> IntArray:
    """Spread rows that share a stamp evenly over the time until the next stamp."""
    stamp, first, count = np.unique(time_ns, return_index=True, return_counts=True)
    if stamp.size == 1:
        return np.asarray(stamp[0] + np.arange(time_ns.size) * (_NS // max(time_ns.size, 1)), dtype=np.int64)
    usual_ns = int(np.median(np.diff(stamp)))
    # The last stamp may have been cut off: its rows get their share of a stamp's time.
    last_ns = int(usual_ns * min(1.0, float(count[-1] / np.median(count))))
    width = np.minimum(np.append(np.diff(stamp), last_ns), usual_ns)
    place = np.arange(time_ns.size) - np.repeat(first, count)
    spread = np.repeat(stamp, count) + (place * np.repeat(width, count)) // np.repeat(count, count)
    return np.asarray(spread, dtype=np.int64)


def is_float32_epoch(time_ns: IntArray) -> bool:
    """True when the stamps are epoch seconds that went through a 32-bit float."""
    stamp_s = np.unique(time_ns) / _NS
    if stamp_s.size < 2 or stamp_s[0] * _NS < FIRST_ABSOLUTE_NS:
        return False
    return any(float(np.min(np.diff(stamp_s))) == step and not (stamp_s % step).any() for step in _FLOAT32_STEPS_S)


_REASONS: Final = {
    "drop_stray_stamp": ("{n} samples dropped", "single stamps far from those before and after"),
    "sort_time": (
        "{n} steps back by less than 1 s put in order",
        "frames of several buses or buffers were interleaved",
    ),
    "drop_duplicate": (
        "{n} repeated samples dropped",
        "same time and same value: an echo of a second logger or gateway",
    ),
    "keep_last_of_instant": (
        "{n} samples superseded by a later one of the same time",
        "a channel has one value at a time",
    ),
    "spread_coarse_time": (
        "{n} rows spread evenly between the stamps",
        "the log stamps many rows with one time; times inside a stamp are a guess",
    ),
    "spread_float32_time": (
        "{n} rows spread evenly between the stamps",
        "epoch seconds were stored as 32-bit floats, which step by 64 s or more; times are a guess",
    ),
}


def _tally_change(action: str, counts: Mapping[str, int]) -> Step:
    detail, reason = _REASONS[action]
    return Step(action=action, detail=detail.format(n=sum(counts.values())), reason=reason, channels=tuple(counts))

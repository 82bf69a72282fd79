"""Messages that come twice, leave out their alive counter, or are on two buses at once."""

import re
from collections import defaultdict
from collections.abc import Iterator
from typing import Final

import numpy as np

from logan.frames.table import SignalColumn, SignalTable
from logan.numerics import true_runs
from logan.quality.detector import signal_detector
from logan.quality.survey import MAX_SPANS
from logan.results import DataFlag, Severity, Span
from logan.settings import ChannelMap
from logan.units import BoolArray, IntArray

_COUNTER_NAME: Final = re.compile(
    r"alive|roll(ing)?_?c|msg_?c(ou)?nt|(^|_)(b?c(ou)?nte?r|bz|mc)($|_)|sequence", re.IGNORECASE
)


def _messages(table: SignalTable) -> dict[tuple[str, str], list[SignalColumn]]:
    """Columns by bus and message; a table of channels is one message."""
    groups: dict[tuple[str, str], list[SignalColumn]] = defaultdict(list)
    for column in table.columns:
        groups[column.bus, column.message].append(column)
    return groups


def duplicated_rows(columns: list[SignalColumn]) -> BoolArray:
    """Rows that repeat the one before them at (nearly) the same time, in every column, shape (n,)."""
    longest = max(column.time_ns.size for column in columns)
    whole = [column for column in columns if column.time_ns.size == longest]
    time_ns = whole[0].time_ns
    if time_ns.size < 30:
        return np.zeros(time_ns.shape, dtype=bool)
    step = np.diff(time_ns)
    usual_ns = float(np.quantile(step, 0.75))
    same = (step >= 0) & (step < 0.15 * usual_ns)
    for column in whole:
        if not same.any():
            break
        same &= column.value[1:] == column.value[:-1]
    return np.concatenate(([False], same))


@signal_detector("frames_duplicated", Severity.AMBER, effect_wh_per_km=0.0)
def _find_duplicates(table: SignalTable, channel_map: ChannelMap) -> Iterator[DataFlag]:
    worst, name, concerned = 0.0, "", 0
    for (_, message), columns in _messages(table).items():
        share = float(np.mean(rows)) if (rows := duplicated_rows(columns)).size else 0.0
        concerned += share > 0.02
        if share > worst:
            worst, name = share, message or "the table"
    if worst < 0.02:
        return
    yield DataFlag(
        evidence=f"{100 * worst:.0f} % of {name} repeat the one before within a fraction of its period; "
        f"{concerned} messages concerned"
    )


def counter_modulus(column: SignalColumn) -> int:
    """Number of states of an alive counter; zero where the column is none."""
    if not _COUNTER_NAME.search(column.name) or column.value.size < 50:
        return 0
    value = column.value
    top = float(np.max(value))
    if np.any(value != np.round(value)) or np.min(value) < 0 or not 2 < top < 65_536:
        return 0
    return int(top) + 1


@signal_detector("alive_counter_jump")
def _find_counter_jumps(table: SignalTable, channel_map: ChannelMap) -> Iterator[DataFlag]:
    worst, evidence = 0.0, ""
    for column in table.columns:
        modulus = counter_modulus(column)
        if modulus == 0:
            continue
        step = np.mod(np.diff(column.value), modulus).astype(np.int64)
        sizes, counts = np.unique(step, return_counts=True)
        usual = int(sizes[np.argmax(counts)])
        share = 1.0 - float(np.max(counts)) / step.size
        if usual == 0:
            share, words = 1.0, f"stands still for {100 * float(np.max(counts)) / step.size:.0f} % of the frames"
        elif usual != 1 and np.max(counts) < 0.5 * step.size:
            continue  # a log that was thinned out says nothing about losses
        else:
            lost = int(np.sum(np.mod(step - usual, modulus)[step != usual]))
            words = f"leaves out {lost} frames in {step.size}"
        if share > worst:
            worst, evidence = share, f"{column.key} {words}"
    if worst < 0.003:
        return
    yield DataFlag(severity=Severity.RED if worst > 0.1 else Severity.AMBER, evidence=evidence)


@signal_detector("message_on_two_buses", Severity.AMBER)
def _find_two_buses(table: SignalTable, channel_map: ChannelMap) -> Iterator[DataFlag]:
    """The same message on two buses: a gateway, or one DBC read on a bus that it does not belong to."""
    buses: dict[str, set[str]] = defaultdict(set)
    for column in table.columns:
        if column.message and column.time_ns.size > 10:
            buses[column.message].add(column.bus)
    twice = {message: names for message, names in buses.items() if len(names) > 1}
    mapped = {source.signal for source in channel_map.sources}
    unclear = [
        message
        for message in twice
        if any(signal.startswith(f"{message}.") for signal in mapped)
        or any(column.name in mapped for column in table.columns if column.message == message)
    ]
    if not unclear:
        return
    first = unclear[0]
    yield DataFlag(evidence=f"{first} is on {', '.join(sorted(twice[first]))}; {len(unclear)} messages concerned")


@signal_detector("frames_unknown")
def _find_unknown(table: SignalTable, channel_map: ChannelMap) -> Iterator[DataFlag]:
    unknown = sum(table.unknown_ids.values())
    if table.frame_count < 100 or unknown < 0.3 * table.frame_count:
        return
    yield DataFlag(
        severity=Severity.NOTE if unknown < 0.9 * table.frame_count else Severity.AMBER,
        evidence=f"{100 * unknown / table.frame_count:.0f} % of the frames, {len(table.unknown_ids)} identifiers",
    )


_NS: Final = 1_000_000_000
_SILENCE_S: Final = 2.0
_BURST_FRAMES: Final = 50


def _origin_ns(table: SignalTable) -> int:
    return min((int(column.time_ns[0]) for column in table.columns if column.time_ns.size), default=0)


@signal_detector("error_frames")
def _find_errors(table: SignalTable, channel_map: ChannelMap) -> Iterator[DataFlag]:
    if table.error_count < 3:
        return
    share = table.error_count / max(table.frame_count, 1)
    yield DataFlag(
        severity=Severity.RED if share > 0.01 else Severity.AMBER,
        evidence=f"{table.error_count} error frames beside {table.frame_count} frames",
        spans=_together(table.error_time_ns, _origin_ns(table)),
    )


def _together(time_ns: IntArray, origin_ns: int) -> tuple[Span, ...]:
    """Spans of moments that are less than a second apart."""
    if time_ns.size == 0:
        return ()
    moment_s = (np.sort(time_ns) - origin_ns) / _NS
    edges = np.flatnonzero(np.diff(moment_s) > 1.0)
    starts, ends = np.concatenate(([0], edges + 1)), np.concatenate((edges, [moment_s.size - 1]))
    pairs = list(zip(starts.tolist(), ends.tolist(), strict=True))[:MAX_SPANS]
    return tuple(Span(max(float(moment_s[start]), 0.0), max(float(moment_s[end]), 0.0)) for start, end in pairs)


@signal_detector("bus_silent", Severity.AMBER)
def _find_silence(table: SignalTable, channel_map: ChannelMap) -> Iterator[DataFlag]:
    """A bus that falls silent while another goes on, or after error frames: a device went bus-off."""
    times: dict[str, list[IntArray]] = defaultdict(list)
    seen: set[tuple[str, str]] = set()
    for column in table.columns:
        if column.message and column.time_ns.size and (column.bus, column.message) not in seen:
            seen.add((column.bus, column.message))
            times[column.bus].append(column.time_ns)
    errors = np.sort(table.error_time_ns)
    for bus, parts in times.items():
        every = np.sort(np.concatenate(parts), kind="stable")
        others = [part for name, more in times.items() if name != bus for part in more]
        elsewhere = np.sort(np.concatenate(others), kind="stable") if others else np.empty(0, np.int64)
        gaps = np.flatnonzero(np.diff(every) > _SILENCE_S * _NS)
        silent = [k for k in gaps.tolist() if _is_odd(int(every[k]), int(every[k + 1]), errors, elsewhere)]
        if not silent or every.size < 100:
            continue
        origin_ns = _origin_ns(table)
        spans = tuple(
            Span((int(every[k]) - origin_ns) / _NS, (int(every[k + 1]) - origin_ns) / _NS) for k in silent[:MAX_SPANS]
        )
        yield DataFlag(
            evidence=f"{bus or 'the bus'}: {len(silent)} times, up to {max(span.duration_s for span in spans):.1f} s",
            spans=spans,
        )


def _is_odd(before_ns: int, after_ns: int, errors: IntArray, elsewhere: IntArray) -> bool:
    """True when error frames came shortly before, or another bus went on meanwhile."""
    recent = np.searchsorted(errors, after_ns) > np.searchsorted(errors, before_ns - _NS)
    going_on = np.searchsorted(elsewhere, after_ns) - np.searchsorted(elsewhere, before_ns) > 10
    return bool(recent or going_on)


@signal_detector("identifier_clash", Severity.AMBER)
def _find_clash(table: SignalTable, channel_map: ChannelMap) -> Iterator[DataFlag]:
    if not table.clashes:
        return
    more = f" and {len(table.clashes) - 1} more" if len(table.clashes) > 1 else ""
    yield DataFlag(evidence=f"0x{table.clashes[0].split('/')[-1]}{more}")


@signal_detector("message_burst", Severity.AMBER)
def _find_burst(table: SignalTable, channel_map: ChannelMap) -> Iterator[DataFlag]:
    """A message that comes many times faster than usual for a while: a device that floods the bus."""
    for column in {(column.bus, column.message): column for column in table.columns if column.message}.values():
        step = np.diff(column.time_ns)
        usual_ns = float(np.median(step)) if step.size > 4 * _BURST_FRAMES else 0.0
        if usual_ns <= 0.0:
            continue
        starts, lengths = true_runs((step >= 0) & (step < 0.1 * usual_ns))
        longest = int(lengths.max(initial=0))
        if longest < _BURST_FRAMES:
            continue
        at = int(starts[int(np.argmax(lengths))])
        origin_ns = _origin_ns(table)
        span = Span((int(column.time_ns[at]) - origin_ns) / _NS, (int(column.time_ns[at + longest]) - origin_ns) / _NS)
        yield DataFlag(
            evidence=f"{column.message} comes {longest} times in {span.duration_s:.2f} s, usually every "
            f"{usual_ns / 1e6:.0f} ms",
            spans=(span,),
        )
        return

"""Signals as logged, before anything is repaired: clocks that run over, restart or jump; codes, wraps and ranges."""

from collections.abc import Iterator
from typing import Final

import numpy as np

from logan.channels.raw_codes import code_count, not_available_codes
from logan.channels.vocabulary import ChannelKind, channel_kind
from logan.drive.clock import OUT_OF_ORDER_NS, breaks_of, is_float32_epoch, sessions_of
from logan.frames.table import SignalColumn, SignalTable
from logan.quality.detector import SignalDetector, signal_detector
from logan.quality.survey import MAX_SPANS
from logan.results import DataFlag, Severity, Span
from logan.settings import ChannelMap, ChannelSource
from logan.units import FloatArray, IntArray

_NS: Final = 1_000_000_000
_JUMP_NS: Final = 3600 * _NS


def clock_of(table: SignalTable) -> IntArray:
    """Time stamps of the busiest column, in the order of the log. [ns]"""
    longest = max(table.columns, key=lambda column: column.time_ns.size, default=None)
    return np.empty(0, dtype=np.int64) if longest is None else longest.time_ns


def _spans_at(time_ns: IntArray, indices: IntArray) -> tuple[Span, ...]:
    origin = int(time_ns[0])
    return tuple(
        Span((int(time_ns[k]) - origin) / _NS, (int(time_ns[k]) - origin) / _NS) for k in indices[:MAX_SPANS].tolist()
    )


def _detect_step(code: str, severity: Severity) -> SignalDetector:
    @signal_detector(code, severity)
    def detect(table: SignalTable, channel_map: ChannelMap) -> Iterator[DataFlag]:
        time_ns = clock_of(table)
        changes = sessions_of(time_ns, ())[1] if time_ns.size > 1 else []
        pairs = zip((breaks_of(time_ns) - 1).tolist(), changes, strict=True)
        chosen = [(k, change.reason) for k, change in pairs if change.action == code]
        if not chosen:
            return
        first = chosen[0][0]
        yield DataFlag(
            evidence=f"{len(chosen)} times from {time_ns[first] / _NS:.3f} s to {time_ns[first + 1] / _NS:.3f} s: "
            f"{chosen[0][1]}",
            spans=_spans_at(time_ns, np.array([k for k, _ in chosen])),
        )

    return detect


_WRAP: Final = _detect_step("time_wrap", Severity.NOTE)
_RESET: Final = _detect_step("time_reset", Severity.AMBER)
_SET_BACK: Final = _detect_step("time_backwards", Severity.AMBER)


@signal_detector("time_jump", Severity.AMBER)
def _find_jump(table: SignalTable, channel_map: ChannelMap) -> Iterator[DataFlag]:
    """An hour or more between two samples of a log that was running."""
    time_ns = clock_of(table)
    jumps = np.flatnonzero(np.diff(time_ns) > _JUMP_NS)
    if jumps.size == 0:
        return
    largest_h = float(np.max(np.diff(time_ns)[jumps])) / _NS / 3600.0
    yield DataFlag(
        evidence=f"by up to {largest_h:.1f} h between two samples, {jumps.size} times", spans=_spans_at(time_ns, jumps)
    )


@signal_detector("time_coarse")
def _find_coarse(table: SignalTable, channel_map: ChannelMap) -> Iterator[DataFlag]:
    """Many rows share one stamp, such as whole seconds."""
    time_ns = clock_of(table)
    if time_ns.size < 50:
        return
    stamps, counts = np.unique(time_ns, return_counts=True)
    step_ns = np.diff(stamps)
    if stamps.size < 3 or float(np.median(counts)) < 2.0 or is_float32_epoch(stamps):
        return
    tick_ns = int(np.median(step_ns))
    yield DataFlag(
        severity=Severity.AMBER if tick_ns < 5 * _NS else Severity.RED,
        evidence=f"{float(np.median(counts)):.0f} rows to a stamp, stamps every {tick_ns / _NS:g} s",
    )


@signal_detector("time_float32", Severity.RED, refuses=("net_energy", "consumption", "regen", "peak_current", "fit"))
def _find_float32(table: SignalTable, channel_map: ChannelMap) -> Iterator[DataFlag]:
    time_ns = clock_of(table)
    stamps = np.unique(time_ns)
    if time_ns.size < 20 or not is_float32_epoch(stamps):
        return
    yield DataFlag(evidence=f"all {stamps.size} stamps are multiples of 64 s: a 32-bit float holds no more of the date")


@signal_detector("time_out_of_order")
def _find_disorder(table: SignalTable, channel_map: ChannelMap) -> Iterator[DataFlag]:
    """Rows out of order by less than a second: buffers that were interleaved."""
    worst, where = 0.0, ""
    for column in table.columns:
        if column.time_ns.size < 50:
            continue
        step = np.diff(column.time_ns)
        share = float(np.mean((step < 0) & (step >= -OUT_OF_ORDER_NS)))
        if share > worst:
            worst, where = share, column.message or column.name
    if worst < 0.001:
        return
    yield DataFlag(
        severity=Severity.NOTE if worst < 0.02 else Severity.AMBER,
        evidence=f"{100 * worst:.1f} % of the steps of {where} go back by less than a second",
    )


_MOST_PAGES: Final = 16
_MOST_JUDGED: Final = 20_000


def _mapped(table: SignalTable, channel_map: ChannelMap) -> Iterator[tuple[ChannelSource, ChannelKind, SignalColumn]]:
    for source in channel_map.sources:
        kind = channel_kind(source.channel)
        for column in table.find(source.signal)[:1]:
            if kind is not None:
                yield source, kind, column


@signal_detector("not_available_code", Severity.NOTE)
def _find_codes(table: SignalTable, channel_map: ChannelMap) -> Iterator[DataFlag]:
    for source, kind, column in _mapped(table, channel_map):
        if column.value.size < 20:
            continue
        found = not_available_codes(column, column.value, kind, -np.inf, np.inf)
        undeclared = [code for code in found if code.value not in source.not_available]
        if not undeclared:
            continue
        words = "; ".join(f"{code.value:g} {code.count} times ({code.reason})" for code in undeclared)
        yield DataFlag(
            channels=(source.channel,),
            evidence=f"{column.key}: {words}",
        )


@signal_detector("unsigned_wrap", Severity.RED)
def _find_wrap(table: SignalTable, channel_map: ChannelMap) -> Iterator[DataFlag]:
    """An unsigned signal for a quantity that goes below zero: values hop between both ends of its range."""
    for source, kind, column in _mapped(table, channel_map):
        if kind.low >= 0.0 or source.signed or column.is_signed or column.value.size < 50:
            continue
        span = code_count(column, column.value)
        if not np.isfinite(span) or span <= 0.0:
            continue
        place = (column.value - column.offset) / span
        high, low = place > 0.75, place < 0.25
        hops = int(np.sum(high[1:] & low[:-1]) + np.sum(low[1:] & high[:-1]))
        if hops < 4 or not high.any() or np.mean(high | low) < 0.99:
            continue
        yield DataFlag(
            channels=(source.channel,),
            evidence=f"{column.key} hops {hops} times between near zero and near {float(np.max(column.value)):.6g}, "
            f"the top of its range, which is {100 * float(np.mean(high)):.1f} % of its samples",
            refuses=("net_energy", "consumption", "regen", "peak_current") if kind.group == "pack" else (),
        )


@signal_detector("outside_declared_range", Severity.AMBER)
def _find_outside_declared(table: SignalTable, channel_map: ChannelMap) -> Iterator[DataFlag]:
    for source, _, column in _mapped(table, channel_map):
        low, high = column.minimum, column.maximum
        if low is None or high is None or not low < high or column.value.size < 20:
            continue
        margin = abs(column.scale) + 1e-9 * max(abs(low), abs(high))
        outside = (column.value < low - margin) | (column.value > high + margin)
        share = float(np.mean(outside))
        if share < 0.005:
            continue
        worst = float(column.value[outside][np.argmax(np.abs(column.value[outside]))])
        yield DataFlag(
            channels=(source.channel,),
            evidence=f"{100 * share:.1f} % of {column.key} lie outside {low:g} to {high:g} {column.unit}, such as "
            f"{worst:g}",
        )


@signal_detector("signal_empty", Severity.AMBER)
def _find_empty(table: SignalTable, channel_map: ChannelMap) -> Iterator[DataFlag]:
    empty = [
        source.channel
        for source, _, column in _mapped(table, channel_map)
        if column.value.size == 0 or not np.isfinite(column.value).any()
    ]
    if not empty:
        return
    yield DataFlag(channels=tuple(empty), evidence=f"nothing in {', '.join(empty)}")


@signal_detector("multiplexer_ignored", Severity.RED)
def _find_multiplexing(table: SignalTable, channel_map: ChannelMap) -> Iterator[DataFlag]:
    """Frames take turns with several meanings and are all read as one: every k-th sample is alike, neighbours are not.

    That is what a multiplexed message looks like whose multiplexer the DBC does not name.
    """
    for source, _, column in _mapped(table, channel_map):
        value = column.value[np.isfinite(column.value)][:_MOST_JUDGED]
        turns = _turns(value)
        if turns == 0:
            continue
        pages = [float(np.median(value[start::turns])) for start in range(turns)]
        yield DataFlag(
            channels=(source.channel,),
            evidence=f"every {turns} samples of {column.key} are alike and neighbors are not; the {turns} take turns "
            f"about {', '.join(f'{page:g}' for page in pages[:4])} {column.unit}".rstrip(),
            refuses=("net_energy", "consumption", "regen", "peak_current")
            if source.channel in ("pack_current", "pack_voltage", "pack_power")
            else (),
        )


def _turns(value: FloatArray) -> int:
    """After how many samples the values come back to what they were; zero where they do not take turns."""
    if value.size < 40 * _MOST_PAGES:
        return 0
    neighbours = float(np.median(np.abs(np.diff(value))))
    spread = float(np.quantile(value, 0.95) - np.quantile(value, 0.05))
    if spread <= 0.0 or neighbours < 0.1 * spread:
        return 0
    for pages in range(2, _MOST_PAGES + 1):
        if float(np.median(np.abs(value[pages:] - value[:-pages]))) < 0.1 * neighbours:
            return pages
    return 0

"""Codes, wraps and ranges of mapped signals, as the DBC or table declares them."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np

from logan.channels.raw_codes import code_count, not_available_codes
from logan.channels.vocabulary import ChannelKind, channel_kind
from logan.frames.table import SignalColumn, SignalTable
from logan.quality.detector import signal_detector
from logan.results import DataFlag, Severity
from logan.settings import ChannelMap, ChannelSource
from logan.units import FloatArray

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
            title=f"{source.channel.replace('_', ' ').capitalize()} carries a code for 'no value'",
            evidence=f"{column.key}: {words}",
            remedy="These samples are left out; add the code to not_available of this channel to say so for good",
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
            title=f"{source.channel.replace('_', ' ').capitalize()} wraps round: it is declared unsigned",
            evidence=f"{column.key} hops {hops} times between near zero and near "
            f"{float(np.max(column.value)):.6g}, the top "
            f"of its range, which is {100 * float(np.mean(high)):.1f} % of its samples",
            remedy="Set signed = true for this channel in the channel map",
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
            title=f"{source.channel.replace('_', ' ').capitalize()} leaves the range that the DBC declares",
            evidence=f"{100 * share:.1f} % of {column.key} lie outside {low:g} to {high:g} {column.unit}, such as "
            f"{worst:g}",
            remedy="DBC and firmware may not belong together: check scale, offset, signedness and byte order",
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
    yield DataFlag(
        channels=tuple(empty),
        title="A mapped signal holds no value in this log",
        evidence=f"nothing in {', '.join(empty)}",
        remedy="Check that the device was on and that its message is logged",
    )


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
            title=f"{source.channel.replace('_', ' ').capitalize()} takes turns with something else",
            evidence=f"every {turns} samples of {column.key} are alike and neighbors are not; the {turns} take turns "
            f"about {', '.join(f'{page:g}' for page in pages[:4])} {column.unit}".rstrip(),
            remedy="The message is multiplexed: let the DBC name the multiplexer (M) and the page (m0, m1, ...) of "
            "this signal, or use the maker's DBC for this firmware",
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

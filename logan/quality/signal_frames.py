"""Messages that come twice, leave out their alive counter, or are on two buses at once."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterator
from typing import Final

import numpy as np

from logan.flags import DataFlag, Severity
from logan.frames.table import SignalColumn, SignalTable
from logan.quality.detector import signal_detector
from logan.settings import ChannelMap
from logan.units import BoolArray

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


@signal_detector("frames_duplicated")
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
        code="frames_duplicated",
        severity=Severity.AMBER,
        channels=(),
        title="Frames or rows come twice",
        evidence=f"{100 * worst:.0f} % of {name} repeat the one before within a fraction of its period; "
        f"{concerned} messages concerned",
        remedy="Two loggers, or a gateway, echo the same bus: log one of them; the repeats are dropped",
        effect_wh_per_km=0.0,
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
    yield DataFlag(
        code="alive_counter_jump",
        severity=Severity.RED if worst > 0.1 else Severity.AMBER,
        channels=(),
        title="Alive counter jumps: frames are missing",
        evidence=evidence,
        remedy="Lower the bus load or log fewer messages; a counter that stands still means that the sender hangs",
    )


@signal_detector("message_on_two_buses")
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
    yield DataFlag(
        code="message_on_two_buses",
        severity=Severity.AMBER,
        channels=(),
        title="A mapped message is on more than one bus",
        evidence=f"{first} is on {', '.join(sorted(twice[first]))}; {len(unclear)} messages concerned",
        remedy="Name the bus in the channel map (bus/message.signal), and give each bus its own DBC",
    )


@signal_detector("frames_unknown")
def _find_unknown(table: SignalTable, channel_map: ChannelMap) -> Iterator[DataFlag]:
    unknown = sum(table.unknown_ids.values())
    if table.frame_count < 100 or unknown < 0.3 * table.frame_count:
        return
    yield DataFlag(
        code="frames_unknown",
        severity=Severity.NOTE if unknown < 0.9 * table.frame_count else Severity.AMBER,
        channels=(),
        title="Many frames are in no DBC",
        evidence=f"{100 * unknown / table.frame_count:.0f} % of the frames, {len(table.unknown_ids)} identifiers",
        remedy="Check that the DBC belongs to this vehicle and firmware; standard and extended identifiers differ",
    )

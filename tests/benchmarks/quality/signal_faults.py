"""Faults that only raw signals show, and the raw signals of a clean drive to seed them into."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from logan.drive.drive import Drive
from logan.frames.table import SignalColumn, SignalTable, SkippedPart
from logan.settings import ChannelMap, ChannelSource
from logan.units import IntArray

SignalInjector = Callable[[SignalTable, np.random.Generator], SignalTable]
_NS = 1_000_000_000
_SCALES = {"pack_current": 0.1, "pack_voltage": 0.1, "speed": 0.01, "motor_speed": 0.1, "motor_torque": 0.5}
_SIGNED = ("pack_current", "motor_speed", "motor_torque")


@dataclass(frozen=True, slots=True)
class SignalFault:
    """A fault of raw signals: the code that must be flagged, and how it is seeded."""

    code: str
    inject: SignalInjector
    name: str = ""


def raw_table(drive: Drive) -> tuple[SignalTable, ChannelMap]:
    """The signals that a DBC would give for this drive: one message per channel, with an alive counter each."""
    start_ns = drive.start_ns or 0
    columns, sources = [], []
    for name, channel in drive.channels.items():
        time_ns = start_ns + np.round(channel.time_s * 1e9).astype(np.int64)
        scale = _SCALES.get(name, 0.0)
        column = SignalColumn(
            name=name,
            message=f"MSG_{name}",
            bus="can0",
            time_ns=time_ns,
            value=np.array(channel.value),
            is_signed=name in _SIGNED if scale else None,
            scale=scale or 1.0,
            bit_length=16 if scale else 0,
        )
        counter = SignalColumn(
            name=f"{name}_AliveCounter",
            message=column.message,
            bus="can0",
            time_ns=time_ns,
            value=np.mod(np.arange(time_ns.size), 16).astype(np.float64),
            is_signed=False,
            bit_length=4,
        )
        columns += [column, counter]
        sources.append(ChannelSource(channel=name, signal=name))
    count = sum(column.time_ns.size for column in columns) // 2
    return SignalTable(columns=tuple(columns), log_format="candump", frame_count=count), ChannelMap(tuple(sources))


def _each(table: SignalTable, rule: Callable[[SignalColumn], SignalColumn]) -> SignalTable:
    return replace(table, columns=tuple(rule(column) for column in table.columns))


def _retimed(table: SignalTable, rule: Callable[[IntArray], IntArray]) -> SignalTable:
    return _each(table, lambda column: replace(column, time_ns=rule(column.time_ns)))


def _origin(table: SignalTable) -> int:
    return min(int(column.time_ns[0]) for column in table.columns)


def _from_zero(table: SignalTable) -> SignalTable:
    origin = _origin(table)
    return _retimed(table, lambda time_ns: time_ns - origin)


def wrapped(table: SignalTable, rng: np.random.Generator) -> SignalTable:
    size_ns = int(rng.choice([65_536_000_000, 60 * _NS, 3600 * _NS]))
    start_ns = size_ns - int(rng.uniform(20.0, 50.0) * _NS)
    return _retimed(_from_zero(table), lambda time_ns: (time_ns + start_ns) % size_ns)


def restarted(table: SignalTable, rng: np.random.Generator) -> SignalTable:
    table = _from_zero(table)
    at_ns = int(rng.uniform(100.0, 600.0) * _NS)
    return _retimed(table, lambda time_ns: np.where(time_ns > at_ns, time_ns - at_ns, time_ns))


def set_back(table: SignalTable, rng: np.random.Generator) -> SignalTable:
    origin, at_s, step_s = _origin(table), rng.uniform(200.0, 600.0), rng.uniform(5.0, 50.0)
    at_ns = origin + int(at_s * _NS)
    return _retimed(table, lambda time_ns: np.where(time_ns > at_ns, time_ns - int(step_s * _NS), time_ns))


def jumped(table: SignalTable, rng: np.random.Generator) -> SignalTable:
    """From 13 seconds to 119 hours."""
    at_ns, step_ns = _origin(table) + 13 * _NS, int(rng.uniform(2.0, 119.0) * 3600.0 * _NS)
    return _retimed(table, lambda time_ns: np.where(time_ns > at_ns, time_ns + step_ns, time_ns))


def seconds_only(table: SignalTable, rng: np.random.Generator) -> SignalTable:
    return _retimed(table, lambda time_ns: time_ns // _NS * _NS)


def float32_epoch(table: SignalTable, rng: np.random.Generator) -> SignalTable:
    return _retimed(table, lambda time_ns: (time_ns / _NS).astype(np.float32).astype(np.int64) * _NS)


def out_of_order(table: SignalTable, rng: np.random.Generator) -> SignalTable:
    def shuffle(time_ns: IntArray) -> IntArray:
        late = np.flatnonzero(rng.uniform(size=time_ns.size - 1) < 0.05)
        swapped = time_ns.copy()
        swapped[late], swapped[late + 1] = time_ns[late + 1], time_ns[late]
        return swapped

    return _retimed(table, shuffle)


def doubled(table: SignalTable, rng: np.random.Generator) -> SignalTable:
    """A second logger or a gateway repeats some or all of the frames within a millisecond."""
    share = float(rng.choice([0.1, 0.5, 1.0]))

    def rule(column: SignalColumn) -> SignalColumn:
        again = np.random.default_rng(7).uniform(size=column.time_ns.size) < share
        times = np.where(again, 2, 1)
        time_ns = np.repeat(column.time_ns, times)
        second = np.concatenate(([False], time_ns[1:] == time_ns[:-1]))
        return replace(column, time_ns=time_ns + np.where(second, 400_000, 0), value=np.repeat(column.value, times))

    return _each(table, rule)


def frames_left_out(table: SignalTable, rng: np.random.Generator) -> SignalTable:
    share = float(rng.uniform(0.01, 0.2))

    def rule(column: SignalColumn) -> SignalColumn:
        keep = np.random.default_rng(column.time_ns.size).uniform(size=column.time_ns.size) >= share
        return replace(column, time_ns=column.time_ns[keep], value=column.value[keep])

    return _each(table, rule)


def counter_stuck(table: SignalTable, rng: np.random.Generator) -> SignalTable:
    start = float(rng.uniform(0.2, 0.6))

    def rule(column: SignalColumn) -> SignalColumn:
        if not column.name.endswith("AliveCounter"):
            return column
        value = column.value.copy()
        value[int(start * value.size) :] = value[int(start * value.size)]
        return replace(column, value=value)

    return _each(table, rule)


def on_two_buses(table: SignalTable, rng: np.random.Generator) -> SignalTable:
    twin = [replace(column, bus="can1") for column in table.columns if column.message == "MSG_pack_current"]
    return replace(table, columns=(*table.columns, *twin))


def unknown_frames(table: SignalTable, rng: np.random.Generator) -> SignalTable:
    count = int(table.frame_count * rng.uniform(0.4, 0.95))
    return replace(table, unknown_ids={"0x123": count // 2, "0x18FF50E5x": count - count // 2})


def code_seeded(table: SignalTable, rng: np.random.Generator) -> SignalTable:
    name, code = [("pack_voltage", 6553.5), ("speed", 655.35), ("motor_torque", 16_383.5)][int(rng.integers(3))]
    count = int(rng.integers(2, 30))

    def rule(column: SignalColumn) -> SignalColumn:
        if column.name != name:
            return column
        value = column.value.copy()
        value[rng.choice(value.size, count, replace=False)] = code
        return replace(column, value=value)

    return _each(table, rule)


def declared_unsigned(table: SignalTable, rng: np.random.Generator) -> SignalTable:
    def rule(column: SignalColumn) -> SignalColumn:
        if column.name != "pack_current":
            return column
        raw = np.mod(np.round(column.value / 0.1), 65_536)
        return replace(column, value=raw * 0.1, is_signed=False)

    return _each(table, rule)


def outside_range(table: SignalTable, rng: np.random.Generator) -> SignalTable:
    def rule(column: SignalColumn) -> SignalColumn:
        if column.name != "speed":
            return column
        return replace(column, minimum=0.0, maximum=float(np.quantile(column.value, rng.uniform(0.7, 0.95))))

    return _each(table, rule)


def emptied(table: SignalTable, rng: np.random.Generator) -> SignalTable:
    name = str(rng.choice(["speed", "pack_voltage", "motor_temperature"]))
    none = np.empty(0)
    return _each(
        table,
        lambda column: replace(column, time_ns=none.astype(np.int64), value=none) if column.name == name else column,
    )


def cut_short(table: SignalTable, rng: np.random.Generator) -> SignalTable:
    return replace(table, is_truncated=True)


def header_again(table: SignalTable, rng: np.random.Generator) -> SignalTable:
    part = SkippedPart("drive.csv:412", "'Time [s]' is no time")
    return replace(table, skipped=(part,), skipped_count=1)


def broken_rows(table: SignalTable, rng: np.random.Generator) -> SignalTable:
    count = int(table.frame_count * rng.uniform(0.01, 0.3))
    skipped = (SkippedPart("drive.csv:97", "'#REF' is no time"),)
    return replace(table, skipped=skipped, skipped_count=count, lost_count=count)


def milliseconds_as_seconds(table: SignalTable, rng: np.random.Generator) -> SignalTable:
    first_ns = _origin(table)
    return _each(table, lambda column: replace(column, time_ns=first_ns + (column.time_ns - first_ns) * 10_000))


def error_frames(table: SignalTable, rng: np.random.Generator) -> SignalTable:
    count = int(rng.integers(5, 400))
    start = _origin(table) + int(rng.uniform(50.0, 400.0) * _NS)
    return replace(table, error_count=count, error_time_ns=start + np.arange(count, dtype=np.int64) * 1_000_000)


def bus_off(table: SignalTable, rng: np.random.Generator) -> SignalTable:
    """Error frames, then nothing for some seconds."""
    table = error_frames(table, rng)
    start, end = int(table.error_time_ns[-1]), int(table.error_time_ns[-1] + rng.uniform(3.0, 20.0) * _NS)

    def rule(column: SignalColumn) -> SignalColumn:
        keep = (column.time_ns < start) | (column.time_ns > end)
        return replace(column, time_ns=column.time_ns[keep], value=column.value[keep])

    return _each(table, rule)


def clashing(table: SignalTable, rng: np.random.Generator) -> SignalTable:
    return replace(table, clashes=("can0/123", "can0/1A0"))


def flooded(table: SignalTable, rng: np.random.Generator) -> SignalTable:
    count, at = int(rng.integers(60, 400)), int(rng.integers(500, 2000))

    def rule(column: SignalColumn) -> SignalColumn:
        if column.message != "MSG_speed":
            return column
        burst = column.time_ns[at] + np.arange(1, count + 1, dtype=np.int64) * 200_000
        time_ns = np.concatenate((column.time_ns[: at + 1], burst, column.time_ns[at + 1 :]))
        value = np.concatenate((column.value[: at + 1], np.arange(count) % 16, column.value[at + 1 :]))
        return replace(column, time_ns=time_ns, value=value)

    return _each(table, rule)


def pages_ignored(table: SignalTable, rng: np.random.Generator) -> SignalTable:
    """A multiplexed message that is read as if every frame carried the speed."""
    pages, name = int(rng.integers(2, 6)), str(rng.choice(["speed", "pack_voltage", "motor_speed"]))
    others = rng.uniform(0.0, 600.0, pages)

    def rule(column: SignalColumn) -> SignalColumn:
        if column.name != name:
            return column
        page = np.arange(column.value.size) % pages
        return replace(column, value=np.where(page == 0, column.value, others[page]))

    return _each(table, rule)


SIGNAL_FAULTS: tuple[SignalFault, ...] = (
    SignalFault("time_wrap", wrapped),
    SignalFault("time_reset", restarted),
    SignalFault("time_backwards", set_back),
    SignalFault("time_jump", jumped),
    SignalFault("time_coarse", seconds_only),
    SignalFault("time_float32", float32_epoch),
    SignalFault("time_out_of_order", out_of_order),
    SignalFault("frames_duplicated", doubled),
    SignalFault("alive_counter_jump", frames_left_out, "frames left out"),
    SignalFault("alive_counter_jump", counter_stuck, "counter stuck"),
    SignalFault("message_on_two_buses", on_two_buses),
    SignalFault("frames_unknown", unknown_frames),
    SignalFault("not_available_code", code_seeded),
    SignalFault("unsigned_wrap", declared_unsigned),
    SignalFault("multiplexer_ignored", pages_ignored),
    SignalFault("outside_declared_range", outside_range),
    SignalFault("signal_empty", emptied),
    SignalFault("log_truncated", cut_short),
    SignalFault("header_repeated", header_again),
    SignalFault("rows_skipped", broken_rows),
    SignalFault("implausible_times", milliseconds_as_seconds),
    SignalFault("error_frames", error_frames),
    SignalFault("bus_silent", bus_off),
    SignalFault("identifier_clash", clashing),
    SignalFault("message_burst", flooded),
)

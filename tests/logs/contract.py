"""One sample a format: how a log of it is written, what it can carry, and how python-can reads it."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from random import Random
from typing import Any

import can

from logan.logs.asc import parse_header
from tests.logs.harness import Frame, frame_of

START_S = 1_715_776_230.25
FD_SIZES = (0, 1, 8, 12, 16, 20, 24, 32, 48, 64)


@dataclass(frozen=True)
class Sample:
    """A format under contract.

    ``carries`` names what the format has room for: fd, remote, error, bus. ``within_ns`` is the resolution of
    its times, ``is_dated`` whether they are absolute.
    """

    name: str
    write: Callable[[Path, list[can.Message]], None]
    oracle: Callable[[Path], list[Frame]] | None
    carries: frozenset[str]
    within_ns: int = 1000
    is_dated: bool = True
    suffix: str = ".log"
    is_text: bool = True

    def messages(self, count: int, seed: int = 1) -> list[can.Message]:
        """Messages of the kinds that the format can carry; times rise, in whole microseconds."""
        return list(_messages(count, self.carries, seed))

    def expected(self, messages: Iterable[can.Message]) -> list[Frame]:
        """Frames that a reader of the format must give for these messages."""
        frames = [frame_of(message) for message in messages]
        return frames if "bus" in self.carries else [replace(frame, bus="") for frame in frames]


def _messages(count: int, carries: frozenset[str], seed: int) -> Iterable[can.Message]:
    random = Random(seed)
    time_us = round(START_S * 1e6)
    for _ in range(count):
        time_us += random.choice((1, 250, 1000, 999_999))
        is_extended = random.random() < 0.3
        common: dict[str, Any] = {
            "timestamp": time_us / 1e6,
            "arbitration_id": random.randrange(0x20000000 if is_extended else 0x800),
            "is_extended_id": is_extended,
            "channel": random.randrange(2) if "bus" in carries else None,
            "is_rx": random.random() < 0.9,
        }
        kind = random.random()
        if kind < 0.03 and "remote" in carries:
            yield can.Message(is_remote_frame=True, dlc=random.randrange(9), **common)
        elif kind < 0.06 and "error" in carries:
            yield can.Message(timestamp=common["timestamp"], channel=common["channel"], is_error_frame=True)
        elif kind < 0.3 and "fd" in carries:
            yield can.Message(is_fd=True, bitrate_switch=True, data=random.randbytes(random.choice(FD_SIZES)), **common)
        else:
            yield can.Message(data=random.randbytes(random.choice((8, 8, 8, *range(9)))), **common)


def write_with(writer: type[Any], path: Path, messages: list[can.Message]) -> None:
    with writer(path) as log:
        for message in messages:
            log.on_message_received(message)


def _read_with(reader: type[Any], path: Path, *, shift: int = 0, keep_bus: bool = True) -> list[Frame]:
    frames = []
    with reader(path) as log:
        for message in log:
            if isinstance(message.channel, int):
                message.channel += shift
            frame = frame_of(message)
            frames.append(frame if keep_bus else replace(frame, bus=""))
    return frames


def _asc_oracle(path: Path) -> list[Frame]:
    start_ns = parse_header(path.read_bytes()[:65_536]).start_ns
    # python-can takes every CAN FD frame without data for a remote one; the flags of its own writer say otherwise.
    return [
        replace(
            frame,
            time_ns=frame.time_ns + start_ns,
            is_remote=frame.is_remote and not frame.is_fd,
        )
        for frame in _read_with(can.ASCReader, path, shift=1)
    ]


def write_table(path: Path, messages: list[can.Message]) -> None:
    rows = [
        f"{round(message.timestamp * 1e6)},{message.arbitration_id:0{8 if message.is_extended_id else 3}X},"
        f"{message.channel},{len(message.data)},{message.data.hex(' ')}"
        for message in messages
    ]
    path.write_text("\n".join(["time [us],id [hex],bus,length,data", *rows, ""]))


def write_console(path: Path, messages: list[can.Message]) -> None:
    """As ``candump -t a`` shows frames."""
    lines = []
    for message in messages:
        number = f"{message.arbitration_id:0{8 if message.is_extended_id else 3}X}"
        length = f" [{len(message.data):02d}] " if message.is_fd else f"  [{message.dlc}] "
        data = message.data.hex(" ").upper()
        if message.is_error_frame:
            number, length, data = "20000080", "  [8] ", "00 " * 8 + "  ERRORFRAME\n\tbus-error"
        elif message.is_remote_frame:
            data = "remote request"
        lines.append(f" ({message.timestamp:017.6f})  can{message.channel}  {number} {length} {data}\n")
    path.write_text("".join(lines))


EVERYTHING = frozenset({"fd", "remote", "error", "bus"})

SAMPLES = [
    Sample(
        "candump", partial(write_with, can.CanutilsLogWriter), partial(_read_with, can.CanutilsLogReader), EVERYTHING
    ),
    Sample("asc", partial(write_with, can.ASCWriter), _asc_oracle, EVERYTHING, is_dated=False, suffix=".asc"),
    Sample(
        "blf",
        partial(write_with, can.BLFWriter),
        partial(_read_with, can.BLFReader, shift=1),
        EVERYTHING,
        suffix=".blf",
        is_text=False,
    ),
    Sample(
        "trc",
        partial(write_with, can.TRCWriter),
        partial(_read_with, can.TRCReader),
        frozenset({"bus"}),
        suffix=".trc",
        within_ns=2000,
    ),
    Sample(
        "can-csv",
        partial(write_with, can.CSVWriter),
        partial(_read_with, can.CSVReader, keep_bus=False),
        frozenset({"remote", "error"}),
        suffix=".csv",
    ),
    Sample(
        "mf4",
        partial(write_with, can.MF4Writer),
        partial(_read_with, can.MF4Reader),
        EVERYTHING,
        suffix=".mf4",
        is_text=False,
    ),
    Sample(
        "sqlite",
        partial(write_with, can.SqliteWriter),
        partial(_read_with, can.SqliteReader, keep_bus=False),
        frozenset({"remote", "error"}),
        suffix=".db",
        is_text=False,
    ),
    Sample("candump-console", write_console, None, EVERYTHING),
    Sample("frame-text", write_table, None, frozenset({"bus"}), suffix=".csv"),
]

"""Reading and comparing frames in tests of the log formats."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import can
import numpy as np

from logan.frames.table import FrameTable
from logan.logs.log_format import PADDING, LogFormat, ParsedChunk, ReadOptions, ReadReport
from logan.logs.reading import CHUNK_BYTES, read_blocks
from logan.logs.text_lines import BrokenLineError, LineFrames, ParseLine, finish_chunk, read_lines

_NO_BUS = str(None)
"""What python-can says for the bus of a frame whose bus it dropped."""


@dataclass(frozen=True)
class Frame:
    """One frame as a value that can be compared and printed."""

    time_ns: int
    can_id: int
    data: bytes
    is_extended: bool = False
    is_fd: bool = False
    is_remote: bool = False
    is_error: bool = False
    bus: str = ""


def frames_of(table: FrameTable) -> list[Frame]:
    assert not any(table.payload[row, length:].any() for row, length in enumerate(table.length.tolist())), (
        "bytes past the length must be zero"
    )
    return [
        Frame(
            int(table.time_ns[row]),
            int(table.can_id[row]),
            table.payload[row, : table.length[row]].tobytes(),
            bool(table.is_extended[row]),
            bool(table.is_fd[row]),
            bool(table.is_remote[row]),
            bool(table.is_error[row]),
            table.buses[table.bus[row]],
        )
        for row in range(len(table))
    ]


def read(
    path: Path,
    log_format: LogFormat,
    *,
    chunk_bytes: int = CHUNK_BYTES,
    options: ReadOptions | None = None,
) -> tuple[list[Frame], ReadReport]:
    """All frames of a log, and the report."""
    report = ReadReport(path)
    blocks = read_blocks(path, log_format, options or ReadOptions(), report, _copied, chunk_bytes=chunk_bytes)
    return [frame for block in blocks for frame in block], report


def _copied(table: FrameTable) -> list[Frame]:
    return frames_of(table)


def read_bytes(
    content: bytes, log_format: LogFormat, folder: Path, **arguments: object
) -> tuple[list[Frame], ReadReport]:
    path = folder / "log"
    path.write_bytes(content)
    return read(path, log_format, **arguments)  # type: ignore[arg-type]


def chunk_of(lines: Iterable[bytes]) -> tuple[np.ndarray, int]:
    """Text as the driver hands it to a parser."""
    content = b"".join(line + b"\n" for line in lines)
    text = np.zeros(len(content) + PADDING, np.uint8)
    text[: len(content)] = np.frombuffer(content, np.uint8)
    return text, len(content)


def damaged(line: bytes, damage: tuple[float, int] | None) -> bytes:
    """A line with bits of one byte flipped, still one line."""
    raw = bytearray(line)
    if damage and raw:
        raw[int(damage[0] * len(raw))] ^= damage[1]
    return bytes(raw).replace(b"\n", b" ")


def compiled_frames(lines: Iterable[bytes], reader_name: str, *grammar: object) -> LineFrames:
    """What the compiled reader of a format makes of lines."""
    return read_lines(*chunk_of(lines), reader_name, *grammar)


def assert_keeps_to_grammar(
    lines: list[bytes], parse_line: ParseLine, reader_name: str, *grammar: object
) -> ParsedChunk:
    """The compiled reader takes only lines that the grammar takes, and reads the same frames from them."""
    expected, broken = [], 0
    for line in lines:
        try:
            row = parse_line(line.removesuffix(b"\r"))
        except BrokenLineError:
            broken += 1
            continue
        if row is not None:
            flags = (row.is_extended, row.is_fd, row.is_remote, row.is_error)
            expected.append(Frame(row.time_ns, row.can_id, row.data, *flags, row.bus))
    text, size = chunk_of(lines)
    parsed = finish_chunk(text, read_lines(text, size, reader_name, *grammar), parse_line)
    assert frames_of(parsed.frames) == expected
    assert parsed.skipped_count == broken
    assert parsed.line_count == len(lines)
    return parsed


def frame_of(message: can.Message) -> Frame:
    """A python-can message as a frame; its error frames carry nothing but their time."""
    return Frame(
        round(message.timestamp * 1e9),
        0 if message.is_error_frame else message.arbitration_id,
        b"" if message.is_error_frame or message.is_remote_frame else bytes(message.data),
        not message.is_error_frame and message.is_extended_id,
        message.is_fd,
        message.is_remote_frame,
        message.is_error_frame,
        str(message.channel),
    )


def assert_same(actual: Iterable[Frame], expected: Iterable[Frame], *, within_ns: int = 0, buses: bool = True) -> None:
    """Equal frames; float times of the reference reader may differ by ``within_ns``."""
    mine, theirs = list(actual), list(expected)
    assert len(mine) == len(theirs)
    assert np.abs([a.time_ns - b.time_ns for a, b in zip(mine, theirs, strict=True)] or [0]).max() <= within_ns
    for a, b in zip(mine, theirs, strict=True):
        bus = a.bus if buses and b.bus != _NO_BUS else b.bus
        content = (0, b"", False) if a.is_error and not b.data else (a.can_id, a.data, a.is_extended)
        shown = Frame(b.time_ns, content[0], content[1], content[2], a.is_fd, a.is_remote, a.is_error, bus)
        assert shown == b

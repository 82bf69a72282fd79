"""What ``candump`` shows on the console: `` (0.000012)  can0  123   [8]  11 22 33 44 55 66 77 88``.

Grammar of a line (fields separated by blanks), after the can-utils manual page ``candump(1)`` and its sources::

    (time)  bus  [RX|TX flag flag]  id  [length]  data...  ['text']
    (time)  bus  [RX|TX flag flag]  id  [length]  remote request
    (time)  bus  [RX|TX flag flag]  id  [length]  data...  ERRORFRAME
    time: seconds, or date and time of day (``-t A``); id: 8 hex digits (extended), or fewer: standard up to 7FF
    length: one digit of a classic frame, two of a CAN FD frame

Lines that explain an error frame start with a tab and are passed over. Without times (``candump`` without ``-t``)
the log is refused. Times from frame to frame (``-t d``) are told apart as in candump's log files. Dates are taken
as UTC.
"""

import re
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from logan.errors import LogReadError
from logan.logs.candump import identifier_of, joined_as, time_of
from logan.logs.log_format import LogFormat, ReadOptions
from logan.logs.text_lines import (
    CLASSIC_BYTES,
    FD_BYTES,
    BrokenLineError,
    FrameRow,
    LinesParser,
)

READER: Final = "candump_console_lines"
"""Compiled reader."""

_LINE: Final = re.compile(
    rb"[ \t]*(?:\("
    rb"(?:(?P<date>[0-9]{4}-[0-9]{2}-[0-9]{2}) (?P<clock>[0-9]{2}:[0-9]{2}:[0-9]{2})|(?P<seconds>[0-9]{1,10}))"
    rb"\.(?P<fraction>[0-9]{1,9})\)[ \t]+)?(?P<bus>[!-~]{1,64})[ \t]+(?:[RT]X[ \t]+[B-][ \t]+[E-][ \t]+)?"
    rb"(?P<id>[0-9A-F]{1,8})[ \t]+\[(?P<length>[0-9]{1,2})\](?P<data>(?:[ \t]+[0-9A-F]{2}(?![!-~]))*)"
    rb"[ \t]*(?P<rest>'.*|remote request|ERRORFRAME|)[ \t]*"
)

_SAMPLE_BYTES: Final = 16_384


def parse_line(line: bytes) -> FrameRow | None:
    """Read one line by the grammar above; None for what explains an error frame.

    Raises
    ------
    BrokenLineError
        If it is no frame.
    """
    match = _LINE.fullmatch(line)
    if match is None:
        if not line.strip() or line.startswith(b"\t"):
            return None
        raise BrokenLineError("not of the form '(time) bus id [length] data'")
    time_ns = _time_ns(match)
    can_id, is_extended, is_error = identifier_of(match["id"])
    is_fd, length = len(match["length"]) == 2, int(match["length"])
    data = bytes.fromhex(match["data"].decode("ascii"))
    if length > (FD_BYTES if is_fd else CLASSIC_BYTES) or len(data) > length:
        raise BrokenLineError(f"the line holds {len(data)} data bytes where its length says {length}")
    is_remote, bus = match["rest"] == b"remote request", match["bus"].decode("ascii")
    return FrameRow(time_ns, can_id, is_extended, bus, b"" if is_remote else data, is_fd, is_remote, is_error)


def _time_ns(match: re.Match[bytes]) -> int:
    if match["fraction"] is None:
        raise BrokenLineError("the line has no time")
    return time_of(_seconds(match) if match["seconds"] is None else int(match["seconds"]), match["fraction"])


def _seconds(match: re.Match[bytes]) -> int:
    """Whole seconds from 1970 of a date and a time of day."""
    try:
        moment = datetime.fromisoformat(f"{match['date'].decode('ascii')}T{match['clock'].decode('ascii')}")
    except ValueError as error:
        raise BrokenLineError(f"{match['date'].decode('ascii')} is no date") from error
    return int(moment.replace(tzinfo=UTC).timestamp())


def _parser(head: bytes, path: Path, options: ReadOptions) -> LinesParser:
    parser = LinesParser(parse_line, READER)
    times_ns = parser.parse(head[: head.rfind(b"\n", 0, _SAMPLE_BYTES) + 1]).time_ns
    if not times_ns.size:
        raise LogReadError(
            "the candump output carries no times, so nothing can be computed from it",
            "Record it with 'candump -L' or 'candump -t a'",
            path,
        )
    return joined_as(parser, times_ns)


def _looks_like(head: bytes) -> bool:
    return any(_LINE.fullmatch(line.rstrip(b"\r")) for line in head[:4096].split(b"\n"))


FORMAT: Final = LogFormat(
    name="candump-console",
    description="candump's output on the console, bus id [length] data",
    looks_like=_looks_like,
    parser=_parser,
    suffixes=(".txt", ".log"),
)

"""Candump log files: ``(1436509052.249713) can0 123#1122334455667788``, as ``candump -L`` and ``-l`` write.

Grammar of a line (fields separated by blanks), after the can-utils manual pages ``candump(1)`` and
``cansend(1)``::

    (seconds.fraction) bus id#data [R|T]        classic frame; data: 0-8 bytes, dots allowed between
    (seconds.fraction) bus id##Fdata [R|T]      CAN FD frame; F: one hex digit of flags, 0-64 bytes
    (seconds.fraction) bus id#R[length][_dlc]   remote frame
    id: 8 hex digits (extended; with 20000000 added: an error frame), or fewer: standard up to 7FF
    data may end in _9 to _F: eight bytes with a raw DLC above 8

Times are absolute, counted from the first frame, or from frame to frame (``candump -t d``): the last
is recognised by times that often step back, and summed up.
"""

import re
from dataclasses import replace
from pathlib import Path
from typing import Final

import numpy as np

from logan.frames.table import FrameTable
from logan.logs.log_format import LogFormat, ReadOptions
from logan.logs.text_lines import (
    CLASSIC_BYTES,
    LATEST_NS,
    MAX_EXTENDED_ID,
    MAX_STANDARD_ID,
    BrokenLineError,
    FrameRow,
    LinesParser,
)
from logan.units import IntArray

READER: Final = "candump_lines"
"""Compiled reader."""

ERROR_FLAG: Final = 0x20000000

_LINE: Final = re.compile(
    rb"[ \t]*\((?P<seconds>[0-9]{1,10})\.(?P<fraction>[0-9]{1,9})\)[ \t]+"
    rb"(?P<bus>[!-~]{1,64})[ \t]+"
    rb"(?P<id>[0-9A-Fa-f]{1,8})#(?P<data>[^ \t]*)"
    rb"(?:[ \t]+[RrTt])?[ \t]*"
)
_CLASSIC_DATA: Final = re.compile(rb"(?:[0-9A-Fa-f]{2}(?:\.?[0-9A-Fa-f]{2}){0,7})?(?P<dlc>_[9A-Fa-f])?")
_FD_DATA: Final = re.compile(rb"#[0-9A-Fa-f](?:[0-9A-Fa-f]{2}(?:\.?[0-9A-Fa-f]{2}){0,63})?")
_REMOTE_DATA: Final = re.compile(rb"[Rr](?:[0-8](?:_[9A-Fa-f])?)?")
_FIRST_LINE: Final = re.compile(rb"[ \t]*\([0-9]{1,10}\.[0-9]{1,9}\)[ \t]+[!-~]+[ \t]+[0-9A-Fa-f]{1,8}#")

_DELTA_BACKWARD_RATIO: Final = 0.05
_UNEVEN_RATIO: Final = 0.15


def identifier_of(digits: bytes) -> tuple[int, bool, bool]:
    """Number of an identifier, whether it is extended, and whether its frame is an error frame.

    Raises
    ------
    BrokenLineError
        If no bus has it.
    """
    number = int(digits, 16)
    if number > MAX_EXTENDED_ID | ERROR_FLAG:
        raise BrokenLineError(f"identifier {digits.decode('ascii')} is out of range")
    is_error = bool(number & ERROR_FLAG)
    # Extended if written with eight digits, or if too large for 11 bits.
    is_extended = not is_error and (len(digits) == 8 or number > MAX_STANDARD_ID)
    return number & MAX_EXTENDED_ID, is_extended, is_error


def time_of(seconds: int, fraction: bytes) -> int:
    """Time of a line from its whole seconds and the digits behind their point. [ns]

    Raises
    ------
    BrokenLineError
        If it is too far from 1970.
    """
    if abs(seconds) * 1_000_000_000 >= LATEST_NS:
        raise BrokenLineError("the time is beyond the year 2262")
    return seconds * 1_000_000_000 + int(fraction.ljust(9, b"0"))


def parse_line(line: bytes) -> FrameRow | None:
    """Read one line by the grammar above.

    Raises
    ------
    BrokenLineError
        If it is no frame.
    """
    match = _LINE.fullmatch(line)
    if match is None:
        if not line.strip() or line.lstrip().startswith((b"#", b";")):
            return None
        raise BrokenLineError("not of the form '(seconds) bus id#data'")
    time_ns = time_of(int(match["seconds"]), match["fraction"])
    bus, data = match["bus"].decode("ascii"), match["data"]
    can_id, is_extended, is_error = identifier_of(match["id"])
    if _REMOTE_DATA.fullmatch(data):
        return FrameRow(time_ns, can_id, is_extended, bus, b"", False, True, is_error)
    if _FD_DATA.fullmatch(data):
        content, is_fd = bytes.fromhex(data[2:].replace(b".", b"").decode("ascii")), True
    elif plain := _CLASSIC_DATA.fullmatch(data):
        raw_dlc = plain["dlc"] or b""
        content, is_fd = bytes.fromhex(data.removesuffix(raw_dlc).replace(b".", b"").decode("ascii")), False
        if raw_dlc and len(content) != CLASSIC_BYTES:
            raise BrokenLineError("a raw DLC above 8 needs eight data bytes")
    else:
        raise BrokenLineError(f"the data '{data[:40].decode('ascii', 'replace')}' is no frame's data")
    return FrameRow(time_ns, can_id, is_extended, bus, content, is_fd, False, is_error)


class TimesFromLast:
    """Sums up times that count from frame to frame, block by block."""

    def __init__(self) -> None:
        self._last_ns = 0

    def __call__(self, frames: FrameTable) -> FrameTable:
        """Return the frames with times from the start of the log."""
        time_ns = np.cumsum(frames.time_ns) + self._last_ns
        if time_ns.size:
            self._last_ns = int(time_ns[-1])
        return replace(frames, time_ns=time_ns)


def times_count_from_last(time_ns: IntArray) -> bool:
    """Whether times are differences to the line before: small, often smaller than the one before, not just shuffled.

    Times of a log whose lines were sorted by something else are spread evenly over it; differences are not.
    """
    if time_ns.size < 3 or int(time_ns.max()) > 86_400 * 1_000_000_000:
        return False
    if float((np.diff(time_ns) < 0).mean()) <= _DELTA_BACKWARD_RATIO:
        return False
    even = np.linspace(time_ns.min(), time_ns.max(), time_ns.size)
    return bool(np.abs(np.sort(time_ns) - even).max() > _UNEVEN_RATIO * np.ptp(time_ns))


def joined_as(parser: LinesParser, times_ns: IntArray) -> LinesParser:
    """The parser, which sums times up where those of its first lines count from frame to frame."""
    return replace(parser, join=TimesFromLast()) if times_count_from_last(times_ns) else parser


def _parser(head: bytes, path: Path, options: ReadOptions) -> LinesParser:
    parser = LinesParser(parse_line, READER)
    return joined_as(parser, parser.parse(head[: head.rfind(b"\n") + 1]).time_ns)


def _looks_like(head: bytes) -> bool:
    return any(_FIRST_LINE.match(line) for line in head[:4096].split(b"\n"))


FORMAT: Final = LogFormat(
    name="candump",
    description="candump log file, (seconds) bus id#data",
    looks_like=_looks_like,
    parser=_parser,
    suffixes=(".log",),
)

"""Candump log files: ``(1436509052.249713) can0 123#1122334455667788``, as ``candump -L`` and ``-l`` write.

Grammar of a line (fields separated by blanks), after the can-utils manual pages ``candump(1)`` and
``cansend(1)``::

    (seconds.fraction) bus id#data [R|T]        classic frame; data: 0-8 bytes, dots allowed between
    (seconds.fraction) bus id##Fdata [R|T]      CAN FD frame; F: one hex digit of flags, 0-64 bytes
    (seconds.fraction) bus id#R[length][_dlc]   remote frame
    id: 3 hex digits (standard) or 8 (extended; with 20000000 added: an error frame)
    data may end in _9 to _F: eight bytes with a raw DLC above 8

Times are absolute, counted from the first frame, or from frame to frame (``candump -t d``): the last
is recognised by times that often step back, and summed up.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logan.frames.table import FrameTable
from logan.logs.identifiers import Identifiers, KnownIdentifiers
from logan.logs.log_format import PADDING, LogFormat, ParsedChunk, ReadOptions
from logan.logs.packed_text import (
    KEEP_FIRST,
    KEEP_LAST,
    ZEROS,
    Words,
    decimal_number,
    digits,
    gather,
    hex_bytes,
    hex_nibbles,
    hex_number,
    keep_first,
    reject,
    whole_number,
    word_of,
)
from logan.logs.text_lines import (
    BLOCK_LINES,
    CLASSIC_BYTES,
    FD_BYTES,
    MAX_EXTENDED_ID,
    MAX_STANDARD_ID,
    BrokenLineError,
    FastFrames,
    FrameRow,
    Lines,
    bus_names,
    find_in_lines,
    finish_chunk,
    no_fast_frames,
    split_lines,
    widen,
)
from logan.logs.work_memory import keep_work_arrays
from logan.units import BoolArray, IntArray

ERROR_FLAG: Final = 0x20000000

_LINE: Final = re.compile(
    rb"[ \t]*\((?P<seconds>[0-9]{1,10})\.(?P<fraction>[0-9]{1,9})\)[ \t]+"
    rb"(?P<bus>[!-~]{1,64})[ \t]+"
    rb"(?P<id>[0-9A-Fa-f]{8}|[0-9A-Fa-f]{3})#(?P<data>[^ \t]*)"
    rb"(?:[ \t]+[RrTt])?[ \t]*"
)
_CLASSIC_DATA: Final = re.compile(rb"(?:[0-9A-Fa-f]{2}(?:\.?[0-9A-Fa-f]{2}){0,7})?(?P<dlc>_[9A-Fa-f])?")
_FD_DATA: Final = re.compile(rb"#[0-9A-Fa-f](?:[0-9A-Fa-f]{2}(?:\.?[0-9A-Fa-f]{2}){0,63})?")
_REMOTE_DATA: Final = re.compile(rb"[Rr](?:[0-8](?:_[9A-Fa-f])?)?")
_FIRST_LINE: Final = re.compile(rb"[ \t]*\([0-9]{1,10}\.[0-9]{1,9}\)[ \t]+[!-~]+[ \t]+[0-9A-Fa-f]{3,8}#")

_U = np.uint64
_SPACE, _DOT, _HASH, _OPEN = 32, 46, 35, 40
_FRACTION_MARKS: Final = word_of(b".\0\0\0\0\0\0)")
_FRACTION_MARK_MASK: Final = word_of(b"\xff\0\0\0\0\0\0\xff")
_FRACTION_DIGITS: Final = word_of(b"\0\0\xff\xff\xff\xff\xff\xff")
_FRACTION_ZEROS: Final = word_of(b"00")
_DELTA_BACKWARD_RATIO: Final = 0.05
_MAX_SECONDS: Final = 9_223_372_036
_HEAD_LINES: Final = 400


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
    time_ns = int(match["seconds"]) * 1_000_000_000 + int(match["fraction"].ljust(9, b"0"))
    if time_ns >= _MAX_SECONDS * 1_000_000_000:
        raise BrokenLineError("the time is beyond the year 2262")
    bus, data = match["bus"].decode("ascii"), match["data"]
    number, is_extended = int(match["id"], 16), len(match["id"]) == 8
    is_error = is_extended and bool(number & ERROR_FLAG)
    can_id = number & MAX_EXTENDED_ID
    if number > (MAX_EXTENDED_ID | ERROR_FLAG if is_extended else MAX_STANDARD_ID):
        raise BrokenLineError(f"identifier {match['id'].decode('ascii')} is out of range")
    if _REMOTE_DATA.fullmatch(data):
        return FrameRow(time_ns, can_id, is_extended and not is_error, bus, b"", False, True, is_error)
    if _FD_DATA.fullmatch(data):
        content, is_fd = bytes.fromhex(data[2:].replace(b".", b"").decode("ascii")), True
    elif plain := _CLASSIC_DATA.fullmatch(data):
        raw_dlc = plain["dlc"] or b""
        content, is_fd = bytes.fromhex(data.removesuffix(raw_dlc).replace(b".", b"").decode("ascii")), False
        if raw_dlc and len(content) != CLASSIC_BYTES:
            raise BrokenLineError("a raw DLC above 8 needs eight data bytes")
    else:
        raise BrokenLineError(f"the data '{data[:40].decode('ascii', 'replace')}' is no frame's data")
    return FrameRow(time_ns, can_id, is_extended and not is_error, bus, content, is_fd, False, is_error)


def fast_frames(text: NDArray[np.uint8], lines: Lines, known: KnownIdentifiers | None = None) -> FastFrames:
    """Read all lines of the usual form at once: microseconds, single blanks, no dots, no remote frames."""
    known = known or KnownIdentifiers(read_identifiers)
    fast = no_fast_frames(len(lines))
    fast.taken = lines.is_plain.copy()
    for first in range(0, len(lines), BLOCK_LINES):
        _fill(text, lines, fast, slice(first, min(first + BLOCK_LINES, len(lines))), known)
    return fast


def _fill(text: NDArray[np.uint8], lines: Lines, fast: FastFrames, rows: slice, known: KnownIdentifiers) -> None:
    start, end, taken = lines.start[rows], lines.end[rows], fast.taken[rows]
    dot, hash_at = (find_in_lines(text, start, mark) for mark in (_DOT, _HASH))
    # The first line of a chunk may have too little text before it to gather from.
    if dot.min() < 16 or hash_at.min() < 15:
        taken &= (dot >= 16) & (hash_at >= 15)
        dot, hash_at = np.maximum(dot, 16), np.maximum(hash_at, 15)
    head = gather(text, dot - 16, 5)
    fast.time_ns[rows], time_checks = _times(head, text[start], dot - start - 1)
    around = gather(text, hash_at - 15, 4)
    can_id, is_standard, id_checks = _identifiers(around, known)
    fast.is_extended[rows] = ~is_standard
    fast.can_id[rows] = can_id
    reject(taken, *time_checks, *id_checks)
    _data(text, around[2:], hash_at, end, fast, rows)
    width = hash_at - dot - np.where(is_standard, 13, 18)
    fast.bus[rows] = bus_names(head[3:], width, taken, fast.buses)
    if (is_error := can_id > MAX_EXTENDED_ID).any():
        _mark_errors(fast, rows, is_error)


def _times(head: Words, opening: NDArray[np.uint8], width: IntArray) -> tuple[IntArray, list[Words | BoolArray]]:
    """Times whose decimal point begins the third word, and what is not zero where one is none."""
    seconds, bad = whole_number(head[0], head[1], np.clip(width, 0, 16))
    no_marks = (head[2] ^ _FRACTION_MARKS) & _FRACTION_MARK_MASK
    fraction, bad_fraction = digits(((head[2] << _U(8)) & _FRACTION_DIGITS) | _FRACTION_ZEROS)
    time_ns = (seconds * _U(1_000_000) + decimal_number(fraction)) * _U(1000)
    no_number = (opening != _OPEN) | (width < 1) | (width > 10) | (seconds >= _U(_MAX_SECONDS))
    return time_ns.view(np.int64), [bad, bad_fraction, no_marks, no_number]


def _mark_errors(fast: FastFrames, rows: slice, is_error: BoolArray) -> None:
    if fast.is_error is None:
        fast.is_error = np.zeros(fast.taken.size, np.bool_)
    fast.is_error[rows] = is_error
    fast.is_extended[rows] &= ~is_error
    fast.can_id[rows] &= np.uint32(MAX_EXTENDED_ID)


def _identifiers(
    around: Words, known: KnownIdentifiers
) -> tuple[NDArray[np.uint32], BoolArray, list[Words | BoolArray]]:
    """Identifiers of 3 or 8 digits in front of the hash, which ends the second word."""
    found = known((around[0] >> _U(56)) | (around[1] << _U(8)))
    is_standard = ~found.is_extended
    no_blank = found.is_extended & (around[0].view(np.uint8)[6::8] != _SPACE)
    no_hash = around[1].view(np.uint8)[7::8] != _HASH
    return found.can_id, is_standard, [found.is_wrong, no_blank, no_hash]


def read_identifiers(words: Words) -> Identifiers:
    """Identifiers that end eight characters: three digits with a blank before them, or eight."""
    is_standard = words.view(np.uint8)[4::8] == _SPACE
    kept = np.where(is_standard, KEEP_LAST[3], KEEP_LAST[8])
    nibbles, bad_digits = hex_nibbles(((words ^ ZEROS) & kept) ^ ZEROS)
    number = hex_number(nibbles)
    too_large = number > np.where(is_standard, _U(MAX_STANDARD_ID), _U(MAX_EXTENDED_ID | ERROR_FLAG))
    width = np.where(is_standard, np.uint8(3), np.uint8(8))
    return Identifiers(number.astype(np.uint32), ~is_standard, width, too_large | (bad_digits != 0))


def _data(
    text: NDArray[np.uint8], words: Words, hash_at: IntArray, end: IntArray, fast: FastFrames, rows: slice
) -> None:
    """Fill payload, length and kind from what stands behind the hash."""
    taken = fast.taken[rows]
    direction = text[end - 1] | np.uint8(32)
    has_direction = ((direction == ord("r")) | (direction == ord("t"))) & (text[end - 2] == _SPACE)
    end = end - 2 * has_direction
    width = end - hash_at - 1
    is_fd = words[0].view(np.uint8)[::8] == _HASH
    fd_rows = np.flatnonzero(is_fd & taken)
    wrong = (width.view(_U) > 2 * CLASSIC_BYTES) | ((width & 1) == 1)
    fast.length[rows] = width >> 1
    if wrong.any():
        taken &= ~wrong | is_fd
        width = np.clip(width, 0, 16)
    halves, bad = hex_bytes(words if (width == 16).all() else keep_first(words, width))
    if fd_rows.size:
        bad[:, is_fd] = 0
    reject(taken, bad)
    target = fast.payload[rows].view(np.uint32)
    target[:, 0], target[:, 1] = halves
    if fd_rows.size:
        _fd_data(text, hash_at[fd_rows], end[fd_rows], fast, rows.start + fd_rows)


def _fd_data(text: NDArray[np.uint8], hash_at: IntArray, end: IntArray, fast: FastFrames, rows: IntArray) -> None:
    """Fill the rows of CAN FD frames, in which two characters stand between the hash and the data."""
    widen(fast)
    if fast.is_fd is None:
        fast.is_fd = np.zeros(fast.taken.size, np.bool_)
    fast.is_fd[rows] = True
    fast.payload[rows] = 0
    width = end - hash_at - 3
    taken = (width >= 0) & (width <= 2 * FD_BYTES) & ((width & 1) == 0)
    flags = gather(text, hash_at + 2) & KEEP_FIRST[1]
    reject(taken, hex_nibbles(flags | (ZEROS & ~KEEP_FIRST[1]))[1])
    fast.length[rows] = width >> 1
    for at in range(0, FD_BYTES, CLASSIC_BYTES):
        longer = np.flatnonzero(taken & (width > 2 * at))
        words = gather(text, hash_at[longer] + 3 + 2 * at, 2)
        halves, bad = hex_bytes(keep_first(words, np.clip(width[longer] - 2 * at, 0, 16)))
        fine = np.ones(longer.size, np.bool_)
        reject(fine, bad)
        taken[longer] &= fine
        fast.payload[rows[longer], at : at + CLASSIC_BYTES] = halves.T.copy().view(np.uint8)
    fast.taken[rows] &= taken


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


@dataclass(slots=True)
class _Parser:
    """Candump log of one file."""

    from_last: TimesFromLast | None
    _known: KnownIdentifiers = field(default_factory=lambda: KnownIdentifiers(read_identifiers))

    def parse_chunk(self, text: NDArray[np.uint8], size: int) -> ParsedChunk:
        lines = split_lines(text, size)
        return finish_chunk(text, lines, fast_frames(text, lines, self._known), parse_line)

    @property
    def join(self) -> Callable[[FrameTable], FrameTable] | None:
        return self.from_last


def times_count_from_last(time_ns: IntArray) -> bool:
    """Whether times are differences to the line before: small, and often smaller than the one before."""
    if time_ns.size < 3 or int(time_ns.max()) > 86_400 * 1_000_000_000:
        return False
    return float((np.diff(time_ns) < 0).mean()) > _DELTA_BACKWARD_RATIO


def _parser(head: bytes, path: Path, options: ReadOptions) -> _Parser:
    keep_work_arrays()
    size = head.rfind(b"\n") + 1
    text = np.frombuffer(head[:size] + bytes(PADDING), np.uint8)
    times_ns = _Parser(None).parse_chunk(text, size).frames.time_ns if size else np.zeros(0, np.int64)
    return _Parser(TimesFromLast() if times_count_from_last(times_ns) else None)


def _looks_like(head: bytes) -> bool:
    return any(_FIRST_LINE.match(line) for line in head[:4096].split(b"\n"))


FORMAT: Final = LogFormat(
    name="candump",
    description="candump log file, (seconds) bus id#data",
    looks_like=_looks_like,
    parser=_parser,
    suffixes=(".log",),
)

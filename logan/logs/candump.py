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
from logan.logs.log_format import LogFormat, ParsedChunk, ReadOptions
from logan.logs.packed_text import (
    KEEP_FIRST,
    KEEP_LAST,
    ZEROS,
    Words,
    decimal_number,
    digits,
    first_of_two,
    gather_words,
    hex_nibbles,
    hex_number,
    hex_pairs,
)
from logan.logs.text_lines import (
    CLASSIC_BYTES,
    FD_BYTES,
    MAX_EXTENDED_ID,
    MAX_STANDARD_ID,
    BrokenLineError,
    FastFrames,
    FrameRow,
    Lines,
    bus_names,
    finish_chunk,
    no_fast_frames,
    split_lines,
)
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
_DATA_MASKS: Final = first_of_two(2)
_FRACTION_MARKS: Final = _U(int.from_bytes(b".\0\0\0\0\0\0)", "little"))
_FRACTION_MARK_MASK: Final = _U(0xFF000000000000FF)
_FRACTION_DIGITS: Final = _U(0xFFFFFFFFFFFF0000)
_BLOCK_LINES: Final = 16_384
_DELTA_BACKWARD_RATIO: Final = 0.05


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


def fast_frames(text: NDArray[np.uint8], lines: Lines) -> FastFrames:
    """Read all lines of the usual form at once: microseconds, no dots, no remote frames."""
    count = len(lines)
    fast = no_fast_frames(count)
    fast.taken = lines.is_plain.copy()
    hash_at = _first_hash(text, lines)
    fast.taken &= hash_at >= 24
    hash_at = np.maximum(hash_at, 24)
    is_fd = text[hash_at + 1] == _HASH
    if is_fd.any():
        fast.is_fd = is_fd
        fast.payload = np.zeros((count, FD_BYTES), np.uint8)
    for first in range(0, count, _BLOCK_LINES):
        _fill(text, lines, hash_at, fast, slice(first, min(first + _BLOCK_LINES, count)))
    return fast


def _first_hash(text: NDArray[np.uint8], lines: Lines) -> IntArray:
    size = int(lines.end[-1]) + 1
    found = np.flatnonzero(text[:size] == _HASH)
    if found.size == len(lines) and (found >= lines.start).all() and (found < lines.end).all():
        return found
    line = np.searchsorted(lines.end, found, side="right")
    first = np.full(len(lines), -1, np.int64)
    inside = line < len(lines)
    # Assigned back to front, so that the first one of a line stays.
    first[line[inside][::-1]] = found[inside][::-1]
    first[first < lines.start] = -1
    return first


def _fill(text: NDArray[np.uint8], lines: Lines, hash_at: IntArray, fast: FastFrames, rows: slice) -> None:
    start, end, hash_at = lines.start[rows], lines.end[rows], hash_at[rows]
    taken = fast.taken[rows]
    dot = _dots(text, start)
    taken &= dot >= 16
    dot = np.maximum(dot, 16)
    fast.time_ns[rows], bad = _times(text, start, dot)
    can_id, is_extended, id_width, bad_id = _identifiers(text, hash_at)
    bad |= bad_id
    fast.is_extended[rows] = is_extended & (can_id <= MAX_EXTENDED_ID)
    if (is_error := can_id > MAX_EXTENDED_ID).any():
        if fast.is_error is None:
            fast.is_error = np.zeros(fast.taken.size, np.bool_)
        fast.is_error[rows] = is_error
        can_id &= _U(MAX_EXTENDED_ID)
    fast.can_id[rows] = can_id
    bad |= _data(text, hash_at, end, fast, rows)
    taken &= bad == 0
    name_width = hash_at - id_width - dot - 10
    taken &= (name_width >= 1) & (name_width <= 15)
    name = gather_words(text, dot + 9, 2)
    taken &= text[dot + 8] == _SPACE
    taken &= ~_holds_space(name, name_width)
    fast.bus[rows] = bus_names(name, np.clip(name_width, 1, 15), taken, fast.buses)


def _dots(text: NDArray[np.uint8], start: IntArray) -> IntArray:
    """Position of each line's decimal point: mostly that of the first line, else looked for."""
    width = text[int(start[0]) : int(start[0]) + 16].tobytes().find(b".")
    dot = start + max(width, 0)
    missed = np.flatnonzero(text[dot] != _DOT)
    if missed.size:
        head = gather_words(text, start[missed], 2).view(np.uint8) == _DOT
        dot[missed] = start[missed] + head.argmax(axis=1)
    return dot


def _times(text: NDArray[np.uint8], start: IntArray, dot: IntArray) -> tuple[IntArray, Words]:
    words = gather_words(text, dot - 16, 3)
    width = dot - start - 1
    bad = (text[start] != _OPEN) | (width < 1) | (width > 10)
    width = np.clip(width, 1, 10)
    high = (words[:, 0] ^ ZEROS) & KEEP_LAST[np.maximum(width - 8, 0)]
    low = (words[:, 1] ^ ZEROS) & KEEP_LAST[np.minimum(width, 8)]
    fraction = words[:, 2]
    marks = (fraction ^ _FRACTION_MARKS) & _FRACTION_MARK_MASK
    fraction = ((fraction << _U(8)) ^ ZEROS) & _FRACTION_DIGITS
    high, bad_high = digits(high ^ ZEROS)
    low, bad_low = digits(low ^ ZEROS)
    fraction, bad_fraction = digits(fraction ^ ZEROS)
    seconds = decimal_number(low)
    if high.any():
        seconds += decimal_number(high) * _U(100_000_000)
    time_ns = (seconds * _U(1_000_000) + decimal_number(fraction)) * _U(1000)
    return time_ns.view(np.int64), marks | bad_high | bad_low | bad_fraction | bad.view(np.uint8)


def _identifiers(text: NDArray[np.uint8], hash_at: IntArray) -> tuple[Words, BoolArray, IntArray, Words]:
    words = gather_words(text, hash_at - 16, 2)
    before = words.view(np.uint8).reshape(-1, 16)
    is_standard = before[:, 12] == _SPACE
    bad = (~is_standard & (before[:, 7] != _SPACE)).view(np.uint8).astype(_U)
    word = words[:, 1].copy()
    width = np.where(is_standard, 3, 8)
    kept = np.where(is_standard, KEEP_LAST[3], KEEP_LAST[8])
    nibbles, bad_digits = hex_nibbles((word & kept) | (ZEROS & ~kept))
    number = hex_number(nibbles)
    bad |= bad_digits
    bad |= number > np.where(is_standard, _U(MAX_STANDARD_ID), _U(MAX_EXTENDED_ID | ERROR_FLAG))
    return number, ~is_standard, width, bad


def _data(text: NDArray[np.uint8], hash_at: IntArray, end: IntArray, fast: FastFrames, rows: slice) -> Words:
    """Fill payload and length; return what is not zero where the data is not hex pairs of a fitting number."""
    last = gather_words(text, end - 8)
    direction = (last >> _U(48)) | _U(0x2000)
    end = end - 2 * ((direction == _U(0x7220)) | (direction == _U(0x7420)))
    start = hash_at + 1
    limit: int | IntArray = 2 * CLASSIC_BYTES
    if fast.is_fd is not None:
        is_fd = fast.is_fd[rows]
        start = start + 2 * is_fd
        limit = np.where(is_fd, 2 * FD_BYTES, 2 * CLASSIC_BYTES)
    width = end - start
    bad = ((width < 0) | (width > limit) | ((width & 1) == 1)).view(np.uint8).astype(_U)
    fast.length[rows] = width >> 1
    words, bad_digits = _payload_words(text, start, np.clip(width, 0, 16))
    bad |= bad_digits
    fast.payload[rows, :CLASSIC_BYTES] = words
    if fast.is_fd is not None:
        _, bad_flags = hex_nibbles(gather_words(text, hash_at + 2) & KEEP_FIRST[1] | ZEROS & ~KEEP_FIRST[1])
        bad |= np.where(is_fd, bad_flags, _U(0))
        for at in range(CLASSIC_BYTES, FD_BYTES, CLASSIC_BYTES):
            longer = np.flatnonzero((width > 2 * at) & (bad == 0))
            if not longer.size:
                break
            words, bad_digits = _payload_words(text, start[longer] + 2 * at, np.clip(width[longer] - 2 * at, 0, 16))
            bad[longer] |= bad_digits
            fast.payload[rows.start + longer, at : at + CLASSIC_BYTES] = words
    return bad


def _payload_words(text: NDArray[np.uint8], start: IntArray, width: IntArray) -> tuple[NDArray[np.uint8], Words]:
    """Eight bytes from 16 hex digits each, zero past ``width`` characters, and a check word."""
    characters = gather_words(text, start, 2)
    if (width != 16).any():
        kept = _DATA_MASKS[width]
        characters = ((characters ^ ZEROS) & kept) ^ ZEROS
    nibbles, bad = hex_nibbles(characters)
    payload = hex_pairs(nibbles).view(np.uint16).astype(np.uint8)
    return payload.reshape(-1, 8), bad[:, 0] | bad[:, 1]


def _holds_space(name: Words, width: IntArray) -> BoolArray:
    """Whether a name of two words holds a blank among its first ``width`` characters."""
    space = _U(0x2020202020202020)
    differing = (name ^ space) | ~_DATA_MASKS[np.clip(width, 0, 16)]
    # A byte that is zero borrows from bit 7; all bytes are below 0x80 or masked to 0xFF.
    zero = (differing - _U(0x0101010101010101)) & ~differing & _U(0x8080808080808080)
    holds: BoolArray = zero.any(axis=1)
    return holds


@dataclass(slots=True)
class _Parser:
    """Candump log of one file."""

    counts_from_last: bool
    _last_ns: int = field(default=0)

    def parse_chunk(self, text: NDArray[np.uint8], size: int) -> ParsedChunk:
        lines = split_lines(text, size)
        return finish_chunk(text, lines, fast_frames(text, lines), parse_line)

    @property
    def join(self) -> Callable[[FrameTable], FrameTable] | None:
        return self._sum_up if self.counts_from_last else None

    def _sum_up(self, frames: FrameTable) -> FrameTable:
        time_ns = np.cumsum(frames.time_ns) + self._last_ns
        if time_ns.size:
            self._last_ns = int(time_ns[-1])
        return replace(frames, time_ns=time_ns)


def times_count_from_last(time_ns: IntArray) -> bool:
    """Whether times are differences to the line before: small, and often smaller than the one before."""
    if time_ns.size < 3 or int(time_ns.max()) > 86_400 * 1_000_000_000:
        return False
    return float((np.diff(time_ns) < 0).mean()) > _DELTA_BACKWARD_RATIO


def _parser(head: bytes, path: Path, options: ReadOptions) -> _Parser:
    times = [row.time_ns for row in _readable(head.split(b"\n")[:-1])]
    return _Parser(times_count_from_last(np.array(times, np.int64)))


def _readable(lines: list[bytes]) -> list[FrameRow]:
    rows = []
    for line in lines:
        try:
            if row := parse_line(line.rstrip(b"\r")):
                rows.append(row)
        except BrokenLineError:
            continue
    return rows


def _looks_like(head: bytes) -> bool:
    return any(_FIRST_LINE.match(line) for line in head[:4096].split(b"\n"))


FORMAT: Final = LogFormat(
    name="candump",
    description="candump log file, (seconds) bus id#data",
    looks_like=_looks_like,
    parser=_parser,
    suffixes=(".log",),
)

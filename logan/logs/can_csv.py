"""CSV files as python-can's ``CSVWriter`` writes them.

The first line is ``timestamp,arbitration_id,extended,remote,error,dlc,data``; times are in seconds, identifiers
hexadecimal with ``0x``, flags 0 or 1, data in base64. The format has no bus: the frames get the name that is given
for it. Less data than the length says is a short frame, more is broken; more than eight bytes are a CAN FD frame.
"""

from __future__ import annotations

import binascii
import re
from collections.abc import Callable
from dataclasses import dataclass, field
from decimal import Decimal
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logan.frames.table import FrameTable
from logan.logs.identifiers import Identifiers, KnownIdentifiers
from logan.logs.log_format import LogFormat, ParsedChunk, ReadOptions
from logan.logs.packed_text import (
    KEEP_FIRST,
    ZEROS,
    Words,
    decimal_number,
    digits,
    gather,
    left_hex,
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
    find_in_lines,
    finish_chunk,
    gather_rows,
    no_fast_frames,
    split_lines,
)
from logan.logs.work_memory import keep_work_arrays
from logan.units import BoolArray, IntArray

_BYTE_ORDER_MARK: Final = b"\xef\xbb\xbf"
HEADER: Final = b"timestamp,arbitration_id,extended,remote,error,dlc,data"

_LINE: Final = re.compile(
    rb"(?P<time>[0-9]{1,10}(?:\.[0-9]{1,30})?(?:e-?[0-9]{1,2})?),0x(?P<id>[0-9a-fA-F]{1,8}),(?P<extended>[01]),"
    rb"(?P<remote>[01]),(?P<error>[01]),(?P<length>[0-9]{1,2}),"
    rb"(?P<data>(?:[A-Za-z0-9+/]{4})*(?:[A-Za-z0-9+/]{2}==|[A-Za-z0-9+/]{3}=)?)"
)
_U = np.uint64
_POINT, _COMMA = ord("."), ord(",")
_COMMAS: Final = word_of(b"," * 8)
_PREFIX: Final = word_of(b"0x")
_FLAGS: Final = word_of(b",0,0,0,\0")
_FLAG_BITS: Final = word_of(b"\xff\xfe\xff\xfe\xff\xfe\xff\0")
"""The characters 0 and 1 differ in their lowest bit only; the last character is the length."""

_BAD_PAIRS: Final = _U(0x8000800080008000)
_VALUE_ZERO: Final = word_of(b"A" * 8)
_PADDING: Final = word_of(b"=" * 8)
_BASE64: Final = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/"
_BAD_PAIR: Final = 0x8000


def _pair_values() -> NDArray[np.uint16]:
    """Twelve bits by two characters of base64, as they lie in a word; bit 15 is set where one is none."""
    value = np.full(256, _BAD_PAIR, np.uint32)
    value[np.frombuffer(_BASE64, np.uint8)] = np.arange(64)
    first, second = np.meshgrid(value, value)
    return np.where((first | second) & _BAD_PAIR, _BAD_PAIR, first << 6 | second).astype(np.uint16).ravel()


_PAIR_VALUE: Final = _pair_values()


def _by_length(masks: list[tuple[int, int]]) -> list[Words]:
    """For the first 8 and the last 4 of 12 characters: masks of those from one place to another."""
    rows = [bytes(0xFF if first <= at < last else 0 for at in range(16)) for first, last in masks]
    return [np.array([word_of(row[start : start + 8]) for row in rows], _U) for start in (0, 8)]


_USED: Final = [-(-8 * count // 6) for count in range(CLASSIC_BYTES + 1)]
_WRITTEN: Final = [4 * -(-count // 3) for count in range(CLASSIC_BYTES + 1)]
_USED_MASKS: Final = _by_length([(0, used) for used in _USED])
_PADDING_MASKS: Final = _by_length(list(zip(_USED, _WRITTEN, strict=True)))
_WRITTEN_CHARACTERS: Final = np.array(_WRITTEN)


@dataclass(frozen=True, slots=True)
class Grammar:
    """The grammar of lines, and the name of the bus."""

    bus: str = ""

    def parse_line(self, line: bytes) -> FrameRow | None:
        """Read one line; None for the header.

        Raises
        ------
        BrokenLineError
            If it is no frame.
        """
        match = _LINE.fullmatch(line)
        if match is None:
            if not line.strip() or line.removeprefix(_BYTE_ORDER_MARK).strip() == HEADER:
                return None
            raise BrokenLineError("not of the form 'timestamp,0xid,extended,remote,error,dlc,data'")
        number, is_extended = int(match["id"], 16), match["extended"] == b"1"
        if number > (MAX_EXTENDED_ID if is_extended else MAX_STANDARD_ID):
            raise BrokenLineError(f"identifier 0x{match['id'].decode('ascii')} is out of range")
        data, length = binascii.a2b_base64(match["data"]), int(match["length"])
        is_remote, is_error = match["remote"] == b"1", match["error"] == b"1"
        if length > FD_BYTES or len(data) > length:
            raise BrokenLineError(f"the line holds {len(data)} data bytes where its length says {length}")
        time_ns = round(Decimal(match["time"].decode("ascii")) * 1_000_000_000)
        is_fd = len(data) > CLASSIC_BYTES
        return FrameRow(time_ns, number, is_extended, self.bus, b"" if is_remote else data, is_fd, is_remote, is_error)


def fast_frames(text: NDArray[np.uint8], lines: Lines, bus: str, known: KnownIdentifiers | None = None) -> FastFrames:
    """Read all lines of classic frames with times of up to eight decimals at once."""
    fast = no_fast_frames(len(lines))
    fast.buses.append(bus)
    known = known or KnownIdentifiers(read_identifiers)
    fast.taken = lines.is_plain.copy()
    for first in range(0, len(lines), BLOCK_LINES):
        _fill(text, lines, fast, slice(first, min(first + BLOCK_LINES, len(lines))), known)
    return fast


def _fill(text: NDArray[np.uint8], lines: Lines, fast: FastFrames, rows: slice, known: KnownIdentifiers) -> None:
    start, end, taken = lines.start[rows], lines.end[rows], fast.taken[rows]
    point, comma = (find_in_lines(text, start, mark) for mark in (_POINT, _COMMA))
    # The first line of a chunk has too little text before it to gather from.
    if point.min() < 16:
        taken &= point >= 16
        point, comma = np.maximum(point, 16), np.maximum(comma, 16)
    fast.time_ns[rows], checks = _times(gather(text, point - 16, 4), point - start, comma - point - 1)
    reject(taken, *checks)
    words = gather(text, comma + 1, 2)
    found = known((words[0] >> _U(16)) | (words[1] << _U(48)))
    reject(taken, (words[0] & KEEP_FIRST[2]) ^ _PREFIX, found.is_wrong)
    can_id = found.can_id
    flags_at = comma + 3 + found.width
    word = gather(text, flags_at)
    checks = _flags(word, can_id, fast, rows)
    reject(taken, *checks)
    fast.can_id[rows] = can_id
    length = word.view(np.uint8)[7::8] ^ np.uint8(ord("0"))
    reject(taken, length > CLASSIC_BYTES)
    length = np.minimum(length, CLASSIC_BYTES)
    fast.length[rows] = length
    reject(taken, flags_at + 9 + _WRITTEN_CHARACTERS[length] != end)
    _fill_payload(text, flags_at + 9, length, fast.payload[rows], taken)


def _times(words: Words, whole_width: IntArray, decimals: IntArray) -> tuple[IntArray, list[Words | BoolArray]]:
    seconds, bad = whole_number(words[0], words[1], np.clip(whole_width, 0, 10))
    fraction = (words[2] >> _U(8)) | (words[3] << _U(56))
    kept = KEEP_FIRST[np.clip(decimals, 0, 8)]
    values, bad_fraction = digits(((fraction ^ ZEROS) & kept) ^ ZEROS)
    time_ns = seconds * _U(1_000_000_000) + decimal_number(values) * _U(10)
    no_point = (words[2] & KEEP_FIRST[1]) ^ word_of(b".")
    no_number = (whole_width < 1) | (whole_width > 10) | (decimals < 1) | (decimals > 8)
    return time_ns.view(np.int64), [bad, bad_fraction, no_point, no_number]


def read_identifiers(words: Words) -> Identifiers:
    """Up to eight hexadecimal digits at the start of eight characters, with a comma behind; nothing says extended."""
    difference = words ^ _COMMAS
    # The lowest byte that is zero gets bit 7; where there is none, all eight characters are digits.
    is_comma = (difference - _U(0x0101010101010101)) & ~difference & _U(0x8080808080808080)
    width = (np.bitwise_count((is_comma & (~is_comma + _U(1))) - _U(1)) >> 3).astype(np.uint8)
    can_id, bad = left_hex(words, width)
    return Identifiers(can_id.astype(np.uint32), np.zeros(words.size, np.bool_), width, (bad != 0) | (width == 0))


def _flags(word: Words, can_id: NDArray[np.uint32], fast: FastFrames, rows: slice) -> list[Words | BoolArray]:
    no_flags = (word ^ _FLAGS) & _FLAG_BITS
    flags = word.view(np.uint8)
    is_extended = (flags[1::8] & 1).view(np.bool_)
    fast.is_extended[rows] = is_extended
    unusual = (flags[3::8] | flags[5::8]) & 1
    too_large = can_id > np.where(is_extended, np.uint32(MAX_EXTENDED_ID), np.uint32(MAX_STANDARD_ID))
    return [no_flags, unusual != 0, too_large]


def _fill_payload(
    text: NDArray[np.uint8], at: IntArray, length: NDArray[np.uint8], payload: NDArray[np.uint8], taken: BoolArray
) -> None:
    """Fill the data of each row from the characters at its place; clear ``taken`` where they are none."""
    is_eight = taken & (length == CLASSIC_BYTES)
    decoded = _eight_bytes(text, at, is_eight) if 2 * np.count_nonzero(is_eight) > length.size else None
    if decoded is not None:
        payload[:] = decoded
    others = np.flatnonzero(taken if decoded is None else taken & ~is_eight)
    if others.size:
        payload[others], checks = _data(gather(text, at[others] - 9, 3), length[others])
        fine = np.ones(others.size, np.bool_)
        reject(fine, *checks)
        taken[others] = fine


def _eight_bytes(text: NDArray[np.uint8], at: IntArray, wanted: BoolArray) -> NDArray[np.uint8] | None:
    """Eight bytes from the twelve characters at each place that is wanted; None if any of them is no such data."""
    if not wanted.all():
        at = np.where(wanted, at, at[wanted.argmax()])
    characters = gather_rows(text, at, _WRITTEN[CLASSIC_BYTES])
    if (characters[:, -1] != ord("=")).any():
        return None
    characters[:, -1] = ord("A")
    try:
        decoded = binascii.a2b_base64(characters.data, strict_mode=True)
    except binascii.Error:
        return None
    return np.frombuffer(decoded, np.uint8).reshape(-1, CLASSIC_BYTES + 1)[:, :CLASSIC_BYTES]


def _data(words: Words, length: NDArray[np.uint8]) -> tuple[NDArray[np.uint8], list[Words | BoolArray]]:
    """Up to eight bytes from the twelve characters behind the comma that starts the second word."""
    parts = [(words[1] >> _U(8)) | (words[2] << _U(56)), words[2] >> _U(8)]
    checks: list[Words | BoolArray] = [(words[1] & KEEP_FIRST[1]) ^ word_of(b",")]
    is_full = bool((length == CLASSIC_BYTES).all())
    count = length[:1] if is_full else length
    quads: list[NDArray[np.uint32]] = []
    for part, used, padding in zip(parts, _USED_MASKS, _PADDING_MASKS, strict=True):
        checks.append((part ^ _PADDING) & padding[count])
        part ^= _VALUE_ZERO
        part &= used[count]
        part ^= _VALUE_ZERO
        values = _PAIR_VALUE[part.view(np.uint16)]
        checks.append(values.view(_U) & _BAD_PAIRS)
        pairs = values.astype(np.uint32)
        quads += [pairs[0::4] << 12 | pairs[1::4], pairs[2::4] << 12 | pairs[3::4]]
    payload = np.empty((length.size, CLASSIC_BYTES), np.uint8)
    for place in range(CLASSIC_BYTES):
        payload[:, place] = quads[place // 3] >> (16 - 8 * (place % 3))
    return payload, checks


@dataclass(frozen=True, slots=True)
class _Parser:
    """CSV log of one file."""

    grammar: Grammar
    _known: KnownIdentifiers = field(default_factory=lambda: KnownIdentifiers(read_identifiers))

    def parse_chunk(self, text: NDArray[np.uint8], size: int) -> ParsedChunk:
        lines = split_lines(text, size)
        return finish_chunk(
            text, lines, fast_frames(text, lines, self.grammar.bus, self._known), self.grammar.parse_line
        )

    @property
    def join(self) -> Callable[[FrameTable], FrameTable] | None:
        return None


def _parser(head: bytes, path: Path, options: ReadOptions) -> _Parser:
    keep_work_arrays()
    return _Parser(Grammar(options.bus))


def _looks_like(head: bytes) -> bool:
    first = head.removeprefix(_BYTE_ORDER_MARK).split(b"\n", 1)[0].strip()
    return first == HEADER or bool(_LINE.fullmatch(first))


FORMAT: Final = LogFormat(
    name="can-csv",
    description="CSV of frames as python-can writes it",
    looks_like=_looks_like,
    parser=_parser,
    suffixes=(".csv",),
)

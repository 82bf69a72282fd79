"""Rows of a table of raw frames, all rows of a chunk at once, found by their delimiters."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from logan.logs.packed_text import (
    KEEP_FIRST,
    ZEROS,
    Words,
    decimal_number,
    digits,
    gather,
    hex_bytes,
    keep_first,
    reject,
    right_hex,
    whole_number,
    word_of,
)
from logan.logs.raw_table_layout import RawTableLayout
from logan.logs.text_columns import DIGIT_VALUE, Rows, spaced_bytes
from logan.logs.text_lines import (
    BUS_WORD,
    CLASSIC_BYTES,
    MAX_EXTENDED_ID,
    MAX_STANDARD_ID,
    FastFrames,
    Lines,
    bus_names,
    no_fast_frames,
)
from logan.units import BoolArray, IntArray

_U = np.uint64
_BLANK, _QUOTE, _POINT = 32, 34, 46
_ZERO_X: Final = word_of(b"0x")
_LEAST_START: Final = 24
"""Rows nearer to the start of a chunk have too little text before them to gather from."""

_LATEST_NS: Final = 1 << 62
_BUS_CHARACTERS: Final = 6


class _Cells:
    """Where the cells of each row lie."""

    def __init__(self, text: NDArray[np.uint8], lines: Lines, delimiter: str) -> None:
        size = int(lines.end[-1]) + 1
        marks = np.flatnonzero(text[:size] == ord(delimiter))
        self._first = np.searchsorted(marks, lines.start)
        self._count = np.searchsorted(marks, lines.end) - self._first
        self._marks = np.append(marks, [size, size])
        self._lines = lines

    def of(self, column: int) -> tuple[IntArray, IntArray]:
        """First character of a cell in each row, and the one behind its last; equal where there is no cell."""
        last = self._marks.size - 1
        end = np.where(column < self._count, self._marks[np.minimum(self._first + column, last)], self._lines.end)
        if column == 0:
            return self._lines.start, end
        before = self._marks[np.minimum(self._first + column - 1, last)] + 1
        return np.where(column <= self._count, before, end), end


def fast_frames(text: NDArray[np.uint8], lines: Lines, layout: RawTableLayout, bus: str) -> FastFrames:
    """Read all rows of classic frames without quotes and blanks around their cells."""
    fast = no_fast_frames(len(lines))
    taken = fast.taken
    taken |= lines.is_plain & (lines.start >= _LEAST_START)
    quotes = np.flatnonzero(text[: int(lines.end[-1])] == _QUOTE)
    taken[np.searchsorted(lines.end, quotes)] = False
    cells = _Cells(text, lines, layout.delimiter)
    fast.time_ns, checks = _times(text, *cells.of(layout.time), layout.unit_ns)
    reject(taken, *checks)
    _identifiers(text, cells, layout, fast)
    length = _lengths(text, cells, layout, taken)
    if layout.bytes_from is not None:
        _byte_columns(text, cells, layout, length, fast)
    else:
        _data_field(text, cells, layout, length, fast)
    _buses(text, cells, layout, bus, fast)
    for column in (layout.remote, layout.error, layout.fd):
        if column is not None:
            reject(taken, _flags(text, cells, column, taken))
    return fast


def _times(
    text: NDArray[np.uint8], start: IntArray, end: IntArray, unit_ns: int
) -> tuple[IntArray, list[Words | BoolArray]]:
    size = int(end.max(initial=0)) + 1
    points = np.append(np.flatnonzero(text[:size] == _POINT), size)
    point = np.minimum(points[np.searchsorted(points, start)], end)
    before = gather(text, np.maximum(point, 16) - 16, 2)
    width = point - start
    whole, bad = whole_number(before[0], before[1], np.clip(width, 0, 16))
    decimals = np.maximum(end - point - 1, 0)
    kept = KEEP_FIRST[np.minimum(decimals, 8)]
    values, bad_fraction = digits(((gather(text, point + 1) ^ ZEROS) & kept) ^ ZEROS)
    fraction = decimal_number(values) * _U(unit_ns)
    too_large = whole > _U(_LATEST_NS // unit_ns - 1)
    whole[too_large] = 0
    time_ns = whole * _U(unit_ns) + fraction // _U(100_000_000)
    no_number = (width < 1) | (width > 16) | (decimals > 8) | (point + 1 == end)
    # What is finer than a nanosecond is rounded, which the strict way does.
    return time_ns.view(np.int64), [bad, bad_fraction, fraction % _U(100_000_000), too_large, no_number]


def _identifiers(text: NDArray[np.uint8], cells: _Cells, layout: RawTableLayout, fast: FastFrames) -> None:
    start, end = cells.of(layout.identifier)
    taken = fast.taken
    has_prefix = (gather(text, start) & KEEP_FIRST[2]) == _ZERO_X
    if layout.id_base == 16:
        width = end - start - 2 * (has_prefix & (end - start > 2))
        reject(taken, (width < 1) | (width > 8))
        can_id, bad = right_hex(gather(text, np.maximum(end, 8) - 8), np.clip(width, 0, 8).astype(np.uint8))
    else:
        width = end - start
        reject(taken, (width < 1) | (width > 10))
        words = gather(text, np.maximum(end, 16) - 16, 2)
        can_id, bad = whole_number(words[0], words[1], np.clip(width, 0, 10))
    if layout.extended is not None:
        is_extended = _flags(text, cells, layout.extended, taken)
    else:
        is_extended = (can_id > MAX_STANDARD_ID) | ((width == 8) & (layout.id_base == 16))
    reject(taken, bad, can_id > np.where(is_extended, _U(MAX_EXTENDED_ID), _U(MAX_STANDARD_ID)))
    fast.can_id = can_id.astype(np.uint32)
    fast.is_extended = is_extended


def _flags(text: NDArray[np.uint8], cells: _Cells, column: int, taken: BoolArray) -> BoolArray:
    """Cells that hold 1; rows in which they hold neither 0 nor 1 are left to the strict way."""
    start, end = cells.of(column)
    character = text[start]
    reject(taken, (end - start != 1) | ((character | 1) != ord("1")))
    is_set: BoolArray = character == ord("1")
    return is_set


def _lengths(text: NDArray[np.uint8], cells: _Cells, layout: RawTableLayout, taken: BoolArray) -> IntArray:
    if layout.length is None:
        return np.full(taken.size, CLASSIC_BYTES)
    start, end = cells.of(layout.length)
    length = DIGIT_VALUE[text[start]]
    reject(taken, (end - start != 1) | (length > CLASSIC_BYTES))
    return np.minimum(length, CLASSIC_BYTES).astype(np.int64)


def _byte_columns(
    text: NDArray[np.uint8], cells: _Cells, layout: RawTableLayout, length: IntArray, fast: FastFrames
) -> None:
    assert layout.bytes_from is not None  # fast_frames looked
    present = np.ones(length.size, np.bool_)
    for place in range(CLASSIC_BYTES if layout.length is not None else CLASSIC_BYTES + 1):
        start, end = cells.of(layout.bytes_from + place)
        width = end - start
        present &= (width > 0) & (place < min(layout.byte_count, 64))
        if place == CLASSIC_BYTES:
            # A ninth byte without a length: a CAN FD frame, left to the strict way.
            reject(fast.taken, present)
            break
        used = present & (place < length)
        ones, tens, hundreds = (DIGIT_VALUE[text[np.maximum(end - at, 0)]].astype(np.uint16) for at in (1, 2, 3))
        tens, hundreds = np.where(width > 1, tens, 0), np.where(width > 2, hundreds, 0)
        base = layout.byte_base
        value = ones + base * tens + base * base * hundreds
        wrong = (
            (np.maximum(np.maximum(ones, tens), hundreds) >= base) | (width > (2 if base == 16 else 3)) | (value > 255)
        )
        reject(fast.taken, used & wrong)
        fast.payload[:, place] = np.where(used, value, 0)
        fast.length += used


def _data_field(
    text: NDArray[np.uint8], cells: _Cells, layout: RawTableLayout, length: IntArray, fast: FastFrames
) -> None:
    assert layout.data is not None  # fast_frames looked
    start, end = cells.of(layout.data)
    width = end - start
    is_spaced = bool((text[start + 2][width > 2] == _BLANK).any())
    if is_spaced:
        count = (width + 1) // 3
        reject(fast.taken, (width > 0) & ((width + 1) % 3 != 0))
    else:
        count = width // 2
        reject(fast.taken, (width & 1) == 1)
    reject(fast.taken, (count > length) | (count > CLASSIC_BYTES))
    count = np.clip(count, 0, CLASSIC_BYTES)
    fast.length = count.astype(np.uint8)
    if is_spaced:
        rows = Rows(text, start, -1, 24)
        fast.payload, checks = spaced_bytes(rows, 0, fast.length, is_first_gap_free=True)
        reject(fast.taken, *checks)
    else:
        halves, bad = hex_bytes(keep_first(gather(text, start, 2), 2 * count))
        reject(fast.taken, bad)
        fast.payload = np.ascontiguousarray(halves.T).view(np.uint8).reshape(-1, 8)


def _buses(text: NDArray[np.uint8], cells: _Cells, layout: RawTableLayout, bus: str, fast: FastFrames) -> None:
    if layout.bus is None:
        fast.buses.append(bus)
        return
    start, end = cells.of(layout.bus)
    width = end - start
    reject(fast.taken, (width < 1) | (width > _BUS_CHARACTERS))
    width = np.clip(width, 1, _BUS_CHARACTERS)
    # The name is put between blanks, as ``bus_names`` expects it.
    word = (gather(text, start) << _U(8)) & KEEP_FIRST[width + 1] | _U(_BLANK)
    word |= _U(_BLANK) << ((width.astype(_U) + _U(1)) << _U(3))
    fast.bus = bus_names([word], width, fast.taken, fast.buses, BUS_WORD)

"""Text formats that keep to columns: the same stretch of every line at once, counted from an anchor.

Loggers pad their fields, so that, seen from the decimal point of the time, each field starts at the same
place in line after line. A format reads those places off one line by its grammar and then holds all
lines of a chunk against them.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from logan.logs.identifiers import Identifiers, KnownIdentifiers
from logan.logs.packed_text import (
    KEEP_FIRST,
    KEEP_LAST,
    ZEROS,
    Words,
    decimal_number,
    digits,
    hex_nibbles,
    hex_pairs,
    left_hex,
    reject,
    right_hex,
    whole_number,
    word_of,
)
from logan.logs.text_lines import (
    CLASSIC_BYTES,
    FD_BYTES,
    MAX_EXTENDED_ID,
    MAX_STANDARD_ID,
    gather_rows,
)
from logan.units import BoolArray, IntArray

_U = np.uint64
BLANKS: Final = word_of(b" " * 8)
_BLANK: Final = 32
MAX_COLUMN: Final = 160
"""Data that starts further in is left to the grammar, so that no gather leaves the padding of the text."""

_STANDARD_DIGITS: Final = 4

DIGIT_VALUE: Final = np.full(256, 255, np.uint8)
"""Value of a hexadecimal digit by its character; 255 for all others."""
for _value, _digit in enumerate(b"0123456789abcdef"):
    DIGIT_VALUE[_digit] = DIGIT_VALUE[ord(chr(_digit).upper())] = _value


class Rows:
    """Characters around an anchor in each line.

    Parameters
    ----------
    text : ndarray of uint8
        Chunk of text.
    anchor : ndarray of int64, shape (n,)
        Position in each line that columns are counted from.
    first, last : int
        First column needed, and the one behind the last.
    """

    def __init__(self, text: NDArray[np.uint8], anchor: IntArray, first: int, last: int) -> None:
        self._first = first
        self._width = -(-(last - first + 8) // 8) * 8
        self._characters = gather_rows(text, anchor + first, self._width)

    def word(self, column: int) -> Words:
        """Eight characters from ``column`` on, of each line."""
        count = self._characters.shape[0]
        words = np.ndarray((count,), _U, self._characters.data, column - self._first, (self._width,))
        return words.copy()

    def character(self, column: int) -> NDArray[np.uint8]:
        """The character in ``column`` of each line."""
        return self._characters[:, column - self._first]


class Template:
    """What lines must have in the columns between their fields.

    Parameters
    ----------
    sample : bytes
        Characters of one line from column ``first`` on.
    first : int
        Column of the first of them.
    free : list of (int, int)
        Columns, from and to behind, in which lines may differ.
    """

    def __init__(self, sample: bytes, first: int, free: list[tuple[int, int]]) -> None:
        care = bytearray(b"\xff" * len(sample))
        for start, end in free:
            care[max(start - first, 0) : end - first] = bytes(max(end - max(start, first), 0))
        self._words = [
            (first + at, word_of(sample[at : at + 8]), word_of(bytes(care[at : at + 8])))
            for at in range(0, len(sample), 8)
            if any(care[at : at + 8])
        ]

    def differences(self, rows: Rows) -> list[Words]:
        """Not zero where a line differs."""
        return [(rows.word(column) ^ sample) & care for column, sample, care in self._words]


def decimal_time(
    before: Words, after: Words, width: IntArray, decimals: int, unit_ns: int
) -> tuple[IntArray, list[Words | BoolArray]]:
    """Times with a decimal point.

    Parameters
    ----------
    before, after : ndarray of uint64, shape (n,)
        The eight characters before the point, and the eight from it on.
    width : ndarray of int64, shape (n,)
        Digits before the point; from 1 to 8 are read.
    decimals : int
        Digits behind the point, 1 to 6.
    unit_ns : int
        One, in the unit of the time. [ns]

    Returns
    -------
    time_ns : ndarray of int64, shape (n,)
        [ns]
    checks : list of ndarray
        Not zero where a time is none.
    """
    whole, bad = whole_number(before, before, np.clip(width, 0, 8))
    # The digits behind the point are moved to the end of the word, with zeros in front of them.
    kept = KEEP_LAST[decimals]
    fraction, bad_fraction = digits((after << _U(8 * (7 - decimals))) & kept | ZEROS & ~kept)
    no_point = (after & KEEP_FIRST[1]) ^ word_of(b".")
    time_ns = whole * _U(unit_ns) + decimal_number(fraction) * _U(unit_ns // 10**decimals)
    return time_ns.view(np.int64), [bad, bad_fraction, no_point, (width < 1) | (width > 8)]


def padded_width(before: Words, room: IntArray) -> IntArray:
    """Digits before a decimal point, with blanks in front of them.

    Parameters
    ----------
    before : ndarray of uint64, shape (n,)
        The eight characters before the point.
    room : ndarray of int64, shape (n,)
        Characters between the start of the line and the point.

    Returns
    -------
    ndarray of int64, shape (n,)
        9 where the point lies further in than the eight characters tell.
    """
    width = _filled((before ^ BLANKS) & KEEP_LAST[np.minimum(room, 8)]).astype(np.int64)
    if int(room.max(initial=0)) > 8:
        width[room > 8] = 9
    return width


def not_a_number(words: Words, room: int) -> Words:
    """Not zero where the last ``room`` of eight characters are not blanks and then digits, one at least."""
    kept = KEEP_LAST[min(room, 8)]
    count = _filled((words ^ BLANKS) & kept)
    _, bad = digits(((words ^ ZEROS) & KEEP_LAST[count]) ^ ZEROS)
    bad |= count == 0
    return bad


def _filled(differences_to_blanks: Words) -> NDArray[np.uint8]:
    """How many bytes are not zero; all must be below 0x80."""
    filled = differences_to_blanks + _U(0x7F7F7F7F7F7F7F7F)
    filled &= _U(0x8080808080808080)
    count: NDArray[np.uint8] = np.bitwise_count(filled)
    return count


def read_left_identifiers(words: Words) -> Identifiers:
    """Hexadecimal identifiers at the left of eight characters, blanks behind; an ``x`` ends those that are extended."""
    length = _filled(words ^ BLANKS)
    last = (words >> ((np.maximum(length, 1).astype(_U) - _U(1)) << _U(3))) & _U(0xFF)
    is_extended = last == ord("x")
    width = length - is_extended
    can_id, bad = left_hex(words, width)
    too_large = can_id > np.where(is_extended | (width == 8), _U(MAX_EXTENDED_ID), _U(MAX_STANDARD_ID))
    return Identifiers(can_id.astype(np.uint32), is_extended, width, (bad != 0) | too_large | (width == 0))


def left_identifiers(
    columns: Rows, column: int, width: int, known: KnownIdentifiers
) -> tuple[NDArray[np.uint32], BoolArray, list[Words | BoolArray]]:
    """Hexadecimal identifiers at the left of a field, blanks behind; an ``x`` ends those that are extended.

    Parameters
    ----------
    columns : Rows
        The lines.
    column, width : int
        Where the field starts, and how wide it is.
    known : KnownIdentifiers
        By ``read_left_identifiers``.

    Returns
    -------
    can_id : ndarray of uint32, shape (n,)
    is_extended : ndarray of bool, shape (n,)
    checks : list of ndarray
        Not zero where there is no identifier.
    """
    words = columns.word(column)
    if width < 8:
        words = ((words ^ BLANKS) & KEEP_FIRST[width]) ^ BLANKS
    found = known(words)
    if width <= 8:
        return found.can_id, found.is_extended, [found.is_wrong, ~found.is_extended & (found.width == 8)]
    rest = (columns.word(column + 8) ^ BLANKS) & KEEP_FIRST[min(width - 8, 8)]
    # Eight digits are an extended identifier, and the x stands behind them.
    ends_with_x = rest == _U(ord("x") ^ _BLANK)
    is_wide = found.width == 8
    return (
        found.can_id,
        found.is_extended | is_wide,
        [found.is_wrong, (rest != 0) & ~ends_with_x, ends_with_x != is_wide],
    )


_PAIR_STARTS: Final = (0, 9, 18)
"""Where the words lie that hold the pairs 0 to 2, 3 to 5, and 6 to 7."""

_NO_PAIRS: Final = word_of(b"00 00 00")
_PAIR_DIGITS: Final = (*[word_of(b"\xff\xff\0\xff\xff\0\xff\xff")] * 2, word_of(b"\xff\xff\0\xff\xff"))
_PAIR_GAPS: Final = (*[word_of(b"\0\0\xff\0\0\xff")] * 2, word_of(b"\0\0\xff"))
_KEPT_PAIRS: Final[list[Words]] = [
    KEEP_FIRST[[min(max(3 * (count - first) - 1, 0), 8) for count in range(9)]] for first in (0, 3, 6)
]


def spaced_bytes(
    rows: Rows, column: int, length: NDArray[np.uint8], *, is_first_gap_free: bool = False
) -> tuple[NDArray[np.uint8], list[Words | BoolArray]]:
    """Data written as ``11 22 33``: pairs of hexadecimal digits with one blank between.

    Parameters
    ----------
    rows : Rows
        The lines.
    column : int
        Where the first pair starts; a blank must stand before it.
    length : ndarray of uint8, shape (n,)
        Pairs to read, 0 to 8.
    is_first_gap_free : bool
        Anything may stand before the first pair.

    Returns
    -------
    payload : ndarray of uint8, shape (n, 8)
        Zero past ``length``.
    checks : list of ndarray
        Not zero where the data is not of that form.
    """
    payload = np.empty((length.size, CLASSIC_BYTES), np.uint8)
    is_full = bool((length == CLASSIC_BYTES).all())
    checks: list[Words | BoolArray] = []
    for word, start in enumerate(_PAIR_STARTS):
        characters = rows.word(column + start)
        no_blank = rows.character(column + start - 1) != _BLANK
        if word or not is_first_gap_free:
            checks.append(no_blank if is_full else no_blank & (length > 3 * word))
        if not is_full:
            characters ^= _NO_PAIRS
            characters &= _KEPT_PAIRS[word][length]
            characters ^= _NO_PAIRS
        nibbles, bad = hex_nibbles(characters)
        bad &= _PAIR_DIGITS[word]
        characters ^= BLANKS
        characters &= _PAIR_GAPS[word]
        checks.append(bad | characters)
        joined = hex_pairs(nibbles).view(np.uint8)
        for place in range(3 if word < 2 else 2):
            payload[:, 3 * word + place] = joined[3 * place :: 8]
    return payload, checks


def spaced_long_bytes(
    text: NDArray[np.uint8], at: IntArray, length: NDArray[np.uint8]
) -> tuple[NDArray[np.uint8], BoolArray]:
    """Data of CAN FD frames, written like that of ``spaced_bytes``.

    Parameters
    ----------
    text : ndarray of uint8
        Chunk of text.
    at : ndarray of int64, shape (n,)
        Position of the first pair of each row.
    length : ndarray of uint8, shape (n,)
        Pairs to read, 0 to 64.

    Returns
    -------
    payload : ndarray of uint8, shape (n, 64)
        Zero past ``length``.
    is_data : ndarray of bool, shape (n,)
        The data is of that form.
    """
    payload, is_data = np.zeros((length.size, FD_BYTES), np.uint8), np.ones(length.size, np.bool_)
    for first in range(0, FD_BYTES, CLASSIC_BYTES):
        rows = np.flatnonzero(length > first)
        if not rows.size:
            break
        pairs = Rows(text, at[rows] + 3 * first, -1, 3 * CLASSIC_BYTES)
        part, checks = spaced_bytes(pairs, 0, np.minimum(length[rows] - first, CLASSIC_BYTES).astype(np.uint8))
        fine = np.ones(rows.size, np.bool_)
        reject(fine, *checks)
        payload[rows, first : first + CLASSIC_BYTES] = part
        is_data[rows] &= fine
    return payload, is_data


def ends_with_data(
    text: NDArray[np.uint8],
    anchor: IntArray,
    end: IntArray,
    column: int,
    length: NDArray[np.uint8],
    *,
    more_may_follow: bool,
) -> BoolArray:
    """Whether the line ends behind its data, or a blank stands there; and nothing more, unless it may."""
    behind = anchor + (column - 1) + 3 * length.astype(np.int64)
    ends: BoolArray = behind == end
    if not ends.all():
        room = behind < end if more_may_follow else behind + 1 == end
        ends |= room & (text[behind] == _BLANK)
    return ends


def right_digits(words: Words) -> tuple[Words, NDArray[np.uint8], Words]:
    """Hexadecimal digits at the right of a field of eight characters, blanks before them.

    Returns
    -------
    number : ndarray of uint64, shape (n,)
    digit_count : ndarray of uint8, shape (n,)
    bad : ndarray of uint64, shape (n,)
        Not zero where there is something else.
    """
    digit_count = _filled(words ^ BLANKS)
    number, bad = right_hex(words, digit_count)
    return number, digit_count, bad


def right_number(columns: Rows, end: int) -> tuple[NDArray[np.uint8], BoolArray]:
    """Decimal number of one or two digits that ends before a column; and whether there is none."""
    tens, ones = (columns.character(end - place) ^ np.uint8(ord("0")) for place in (2, 1))
    is_short = tens == _BLANK ^ ord("0")
    tens[is_short] = 0
    return tens * np.uint8(10) + ones, (tens > 9) | (ones > 9)


def read_padded_identifiers(words: Words) -> Identifiers:
    """Hexadecimal identifiers at the right of eight characters, blanks before; extended with more than four digits."""
    can_id, width, bad = right_digits(words)
    is_extended = width > _STANDARD_DIGITS
    too_large = can_id > np.where(is_extended, _U(MAX_EXTENDED_ID), _U(MAX_STANDARD_ID))
    return Identifiers(can_id.astype(np.uint32), is_extended, width, (bad != 0) | too_large | (width == 0))

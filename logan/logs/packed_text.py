"""Digits of text turned into numbers eight characters at a time, in uint64 words.

A word holds eight characters, the first in its lowest byte (little-endian). All functions take
words of printable ASCII (0x20 to 0x7E, or zero): with no byte above 0x7F no carry crosses a byte.
Each returns what it read together with a word that is zero where every character was allowed, so
that checks of several words can be joined with ``|`` and looked at once.
"""

from __future__ import annotations

from typing import Final, TypeAlias

import numpy as np
from numpy.typing import NDArray

Words: TypeAlias = NDArray[np.uint64]

_U = np.uint64
_HIGH_BITS: Final = _U(0x8080808080808080)
_LOW_NIBBLES: Final = _U(0x0F0F0F0F0F0F0F0F)
_LOW_BITS: Final = _U(0x0101010101010101)
_ABOVE_NINE: Final = _U(0x7676767676767676)
_CASE_BITS: Final = _U(0x2020202020202020)
ZEROS: Final = _U(0x3030303030303030)
"""Eight times the character ``0``."""

_GATHERED_ROWS: Final = 8192
_PAIRS, _FOURS, _EIGHT = _U(0x00FF00FF00FF00FF), _U(0x0000FFFF0000FFFF), _U(0x00000000FFFFFFFF)

KEEP_LAST: Final[Words] = np.array([(0xFFFFFFFFFFFFFFFF << (64 - 8 * n)) & 0xFFFFFFFFFFFFFFFF for n in range(9)], _U)
"""``KEEP_LAST[n]``: mask of the last n characters of a word."""

KEEP_FIRST: Final[Words] = np.array([(1 << (8 * n)) - 1 for n in range(9)], _U)
"""``KEEP_FIRST[n]``: mask of the first n characters of a word."""


KEEP_FIRST_OF_TWO: Final[Words] = np.array(
    [[(1 << (8 * min(max(n - skipped, 0), 8))) - 1 for n in range(17)] for skipped in (0, 8)], _U
)
"""``KEEP_FIRST_OF_TWO[word, n]``: masks of the first n characters of two words."""


def gather(text: NDArray[np.uint8], at: NDArray[np.int64], count: int = 1) -> Words:
    """Words of text from given positions.

    Parameters
    ----------
    text : ndarray of uint8, shape (n,)
        Contiguous; at least ``8 * count`` bytes from every position on.
    at : ndarray of int64, shape (m,)
        Position of the first character of each row.
    count : int
        Words a row.

    Returns
    -------
    ndarray of uint64, shape (m,), or (count, m) for several
        A row's words lie in one column, so that each word position is contiguous.
    """
    width = 8 * count
    # Indexing overlapping windows copies each row as one item; slices or rows of bytes cost three times as much.
    every = np.ndarray((text.size - width + 1,), f"V{width}", buffer=text.data, strides=(1,))
    if count == 1:
        return every[at].view(_U)
    words = np.empty((count, at.size), _U)
    # In pieces that are still in the cache when their words are put in columns.
    for first in range(0, at.size, _GATHERED_ROWS):
        rows = slice(first, first + _GATHERED_ROWS)
        words[:, rows] = every[at[rows]].view(_U).reshape(-1, count).T
    return words


def hex_nibbles(words: Words) -> tuple[Words, Words]:
    """Value of each hexadecimal digit in its own byte.

    Returns
    -------
    nibbles : ndarray of uint64
        0 to 15 in each byte.
    bad : ndarray of uint64
        Bit 7 of a byte is set where the character is no hexadecimal digit.
    """
    lower = words | _CASE_BITS
    # One addition for each end of the two ranges 0-9 and a-f; bit 7 tells on which side a byte lies.
    good = (lower + _U(0x5050505050505050)) ^ (lower + _U(0x4646464646464646))
    good ^= lower + _U(0x1F1F1F1F1F1F1F1F)
    good ^= lower + _U(0x1919191919191919)
    bad = ~good
    bad &= _HIGH_BITS
    letters = lower >> _U(6)
    letters &= _LOW_BITS
    letters *= _U(9)
    lower &= _LOW_NIBBLES
    lower += letters
    return lower, bad


def hex_pairs(nibbles: Words) -> Words:
    """Join neighbouring nibbles: byte j of the result is nibbles j and j + 1 of the same word."""
    joined = nibbles << _U(4)
    joined |= nibbles >> _U(8)
    return joined


def hex_number(nibbles: Words) -> Words:
    """Value of eight nibbles, the first the most significant."""
    number = hex_pairs(nibbles)
    number &= _PAIRS
    number = ((number << _U(8)) | (number >> _U(16))) & _FOURS
    return ((number << _U(16)) | (number >> _U(32))) & _EIGHT


def digits(words: Words) -> tuple[Words, Words]:
    """Value of each decimal digit in its own byte, and bit 7 set where a character is none."""
    values = words ^ ZEROS
    return values, (values + _ABOVE_NINE) & _HIGH_BITS


def decimal_number(values: Words) -> Words:
    """Value of eight decimal digits as ``digits`` gives them, the first the most significant."""
    # Each product adds a lane to ten, a hundred, ten thousand times the one below it.
    number = values * _U(10 << 8 | 1)
    number >>= _U(8)
    number &= _PAIRS
    number *= _U(100 << 16 | 1)
    number >>= _U(16)
    number &= _FOURS
    number *= _U(10_000 << 32 | 1)
    number >>= _U(32)
    return number


def left_hex(words: Words, length: NDArray[np.uint8]) -> tuple[Words, Words]:
    """Number of hexadecimal digits at the start of words; shape (n,) each, and not zero where it is none."""
    width = length.astype(_U)
    shifted = words << ((_U(8) - width) << _U(3))
    kept = KEEP_LAST[length]
    nibbles, bad = hex_nibbles(((shifted ^ ZEROS) & kept) ^ ZEROS)
    return hex_number(nibbles), bad


def right_hex(words: Words, length: NDArray[np.uint8]) -> tuple[Words, Words]:
    """Number of hexadecimal digits at the end of words, like ``left_hex``."""
    nibbles, bad = hex_nibbles(((words ^ ZEROS) & KEEP_LAST[length]) ^ ZEROS)
    return hex_number(nibbles), bad


def whole_number(high: Words, low: Words, width: NDArray[np.int64]) -> tuple[Words, Words]:
    """Number that ends with the last character of ``low``: up to 16 digits in two words.

    Parameters
    ----------
    high, low : ndarray of uint64, shape (n,)
        The 16 characters before the number's end.
    width : ndarray of int64, shape (n,)
        Digits of the number, 0 to 16.

    Returns
    -------
    number : ndarray of uint64, shape (n,)
    bad : ndarray of uint64, shape (n,)
        Not zero where one of the characters is no digit.
    """
    is_uniform = not width.size or bool((width == width[0]).all())
    if is_uniform:
        width = width[:1]
    low = (low ^ ZEROS) & KEEP_LAST[np.minimum(width, 8)]
    bad = (low + _ABOVE_NINE) & _HIGH_BITS
    if is_uniform and (not width.size or width[0] <= 8):
        return _number_by_runs(low), bad
    high = (high ^ ZEROS) & KEEP_LAST[np.maximum(width - 8, 0)]
    bad |= (high + _ABOVE_NINE) & _HIGH_BITS
    return _number_by_runs(high) * _U(100_000_000) + _number_by_runs(low), bad


def _number_by_runs(values: Words) -> Words:
    """Decode only where digits change from row to row: the leading digits of times seldom do."""
    change = np.flatnonzero(values[1:] != values[:-1]) + 1
    if 4 * change.size > values.size or not values.size:
        return decimal_number(values)
    first = np.concatenate(([0], change))
    return np.repeat(decimal_number(values[first]), np.diff(np.append(first, values.size)))


def keep_first(words: Words, width: NDArray[np.int64]) -> Words:
    """Two words with ``0`` in place of every character past the first ``width`` (0 to 16); shape (2, n)."""
    for row in range(2):
        kept = KEEP_FIRST_OF_TWO[row][width]
        words[row] ^= ZEROS
        words[row] &= kept
        words[row] ^= ZEROS
    return words


def hex_bytes(words: Words) -> tuple[NDArray[np.uint32], Words]:
    """Bytes of two words of hexadecimal digits each.

    Parameters
    ----------
    words : ndarray of uint64, shape (2, n)
        16 digits a column.

    Returns
    -------
    halves : ndarray of uint32, shape (2, n)
        The first and the last four of the eight bytes, as they lie in memory.
    bad : ndarray of uint64, shape (2, n)
        Not zero where a character is no hexadecimal digit.
    """
    nibbles, bad = hex_nibbles(words)
    halves = hex_pairs(nibbles).view(np.uint16).astype(np.uint8).view(np.uint32)
    return halves, bad


def word_of(characters: bytes) -> np.uint64:
    """Up to eight characters as a word."""
    return _U(int.from_bytes(characters, "little"))


def reject(taken: NDArray[np.bool_], *checks: NDArray[np.uint64] | NDArray[np.bool_]) -> None:
    """Clear the rows of ``taken`` for which a check, shape (n,) or (k, n), is not zero."""
    for check in checks:
        # Mostly nothing is wrong, and looking at all rows at once is the cheapest way to know.
        if check.any():
            bad = check != 0
            taken &= ~(bad if bad.ndim == 1 else bad.any(axis=0))

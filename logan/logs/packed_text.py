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
_CASE_BITS: Final = _U(0x2020202020202020)
ZEROS: Final = _U(0x3030303030303030)
"""Eight times the character ``0``."""

_PAIRS, _FOURS, _EIGHT = _U(0x00FF00FF00FF00FF), _U(0x0000FFFF0000FFFF), _U(0x00000000FFFFFFFF)

KEEP_LAST: Final[Words] = np.array([(0xFFFFFFFFFFFFFFFF << (64 - 8 * n)) & 0xFFFFFFFFFFFFFFFF for n in range(9)], _U)
"""``KEEP_LAST[n]``: mask of the last n characters of a word."""

KEEP_FIRST: Final[Words] = np.array([(1 << (8 * n)) - 1 for n in range(9)], _U)
"""``KEEP_FIRST[n]``: mask of the first n characters of a word."""


def first_of_two(count: int) -> Words:
    """``[n]``: masks of the first n of the 8 x ``count`` characters in ``count`` words; shape (8 count + 1, count)."""
    masks = [[KEEP_FIRST[min(max(n - 8 * word, 0), 8)] for word in range(count)] for n in range(8 * count + 1)]
    return np.array(masks, _U)


def windows(text: NDArray[np.uint8], width: int) -> NDArray[np.void]:
    """Every run of ``width`` bytes of ``text``, without a copy: index it with positions to gather.

    Parameters
    ----------
    text : ndarray of uint8, shape (n,)
        Contiguous.
    width : int
        Bytes a run.

    Returns
    -------
    ndarray of void, shape (n - width + 1,)
        Indexing it with an array copies whole runs: a few ns each, far less than a slice does.
    """
    return np.ndarray((text.size - width + 1,), f"V{width}", buffer=text.data, strides=(1,))


def gather_words(text: NDArray[np.uint8], at: NDArray[np.int64], count: int = 1) -> Words:
    """Words of text from given positions; shape (n,), or (n, count) for several in a row."""
    words: Words = windows(text, 8 * count)[at].view(_U)
    return words if count == 1 else words.reshape(-1, count)


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
    bad = (values + _U(0x7676767676767676)) & _HIGH_BITS
    return values, bad


def decimal_number(values: Words) -> Words:
    """Value of eight decimal digits as ``digits`` gives them, the first the most significant."""
    number = values * _U(10)
    number += values >> _U(8)
    number &= _PAIRS
    number = (number * _U(100) + (number >> _U(16))) & _FOURS
    return (number * _U(10000) + (number >> _U(32))) & _EIGHT

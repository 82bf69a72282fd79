"""Words and rows of bytes gathered from many places of a buffer at once."""

from typing import Final, TypeAlias

import numpy as np
from numpy.typing import NDArray

from logan.units import BoolArray, IntArray

Words: TypeAlias = NDArray[np.uint64]
"""Eight bytes each, the first in the lowest place (little-endian)."""

_U = np.uint64
_GATHERED_ROWS: Final = 8192
_INDEX_OF_ONLY_BYTE: Final = _U(0x0001020304050607)

KEEP_FIRST: Final[Words] = np.array([(1 << (8 * n)) - 1 for n in range(9)], _U)
"""``KEEP_FIRST[n]``: mask of the first n bytes of a word."""


def gather(data: NDArray[np.uint8], at: NDArray[np.int64], count: int = 1) -> Words:
    """Words from given positions.

    Parameters
    ----------
    data : ndarray of uint8, shape (n,)
        Contiguous; at least ``8 * count`` bytes from every position on.
    at : ndarray of int64, shape (m,)
        Position of the first byte of each row.
    count : int
        Words a row.

    Returns
    -------
    ndarray of uint64, shape (m,), or (count, m) for several
        A row's words lie in one column, so that each word position is contiguous.
    """
    width = 8 * count
    # Indexing overlapping windows copies each row as one item; slices or rows of bytes cost three times as much.
    every = np.ndarray((data.size - width + 1,), f"V{width}", buffer=data.data, strides=(1,))
    if count == 1:
        return every[at].view(_U)
    words = np.empty((count, at.size), _U)
    # In pieces that are still in the cache when their words are put in columns.
    for first in range(0, at.size, _GATHERED_ROWS):
        rows = slice(first, first + _GATHERED_ROWS)
        words[:, rows] = every[at[rows]].view(_U).reshape(-1, count).T
    return words


def gather_rows(data: NDArray[np.uint8], at: IntArray, width: int) -> NDArray[np.uint8]:
    """``width`` bytes from each position; shape (n, width)."""
    every = np.ndarray((data.size - width + 1,), f"V{width}", buffer=data.data, strides=(1,))
    return every[at].view(np.uint8).reshape(-1, width)


def positions(mask: BoolArray) -> IntArray:
    """Where ``mask`` is true, in order; for arrays whose size is a multiple of eight, and mostly false."""
    words = mask.view(np.uint64)
    hit = np.flatnonzero(words != 0)
    left = words[hit]
    base = hit << 3
    if not (left & (left - np.uint64(1))).any():  # one in each word at most, as is usual
        return base + ((left * _INDEX_OF_ONLY_BYTE) >> np.uint64(56)).view(np.int64)
    found: list[IntArray] = []
    while left.size:
        lowest = left & (~left + np.uint64(1))
        found.append(base + ((lowest * _INDEX_OF_ONLY_BYTE) >> np.uint64(56)).view(np.int64))
        left = left ^ lowest
        more = left != 0
        left, base = left[more], base[more]
    return np.sort(np.concatenate(found), kind="stable")


def word_of(characters: bytes) -> np.uint64:
    """Up to eight characters as a word."""
    return _U(int.from_bytes(characters, "little"))

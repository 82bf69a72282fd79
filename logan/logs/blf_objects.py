"""Objects of a BLF log: which of the places that look like one are objects.

The layouts are those that the readers and writers of python-can and the Vector_BLF library agree on; there
is no public specification. Every object starts with ``LOBJ``, the size of its header (32 or 40 bytes), the
header's version (1 or 2), the object's size and its type; flags stand at 16 (1: times in 10 µs, else in
ns) and the time at 24. Behind an object lie up to 4 bytes of padding.
"""

from bisect import bisect_left
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logan.logs.gathering import Words, gather, positions, word_of
from logan.units import BoolArray, IntArray

MAX_OBJECT_BYTES: Final = 16 * 1024 * 1024
"""An object that says it is larger is broken. [bytes]"""

_MAX_FRAME_OBJECT_BYTES: Final = 512

GATHER_BYTES: Final = 256
"""Zero bytes needed behind the objects. [bytes]"""

CAN_MESSAGE, CAN_ERROR, CAN_ERROR_EXT, CAN_MESSAGE2 = 1, 2, 73, 86
CAN_FD_MESSAGE, CAN_FD_MESSAGE_64, CAN_FD_ERROR_64 = 100, 101, 104
LEAST_BODY_BYTES: Final = {
    CAN_MESSAGE: 16,
    CAN_ERROR: 4,
    CAN_ERROR_EXT: 32,
    CAN_MESSAGE2: 16,
    CAN_FD_MESSAGE: 20,
    CAN_FD_MESSAGE_64: 40,
    CAN_FD_ERROR_64: 16,
}
"""Types of the objects that are frames, and how many bytes each has behind its header at least. [bytes]"""

_U = np.uint64
_SIGNATURE_BYTES: Final = b"LOBJ"
_SIGNATURE: Final = np.uint32(word_of(_SIGNATURE_BYTES))
_CLASSIC_OBJECT_BYTES: Final = 48
_CLASSIC_OBJECT: Final = (word_of(b"LOBJ\x20\0\1\0"), word_of(bytes((48, 0, 0, 0, CAN_MESSAGE, 0, 0, 0))))
_MAX_PADDING: Final = 4


@dataclass(frozen=True, slots=True)
class Objects:
    """The objects in a stretch of bytes.

    Parameters
    ----------
    at : ndarray of int64, shape (n,)
        Where each starts.
    header : ndarray of uint64, shape (4, n)
        Its first 32 bytes.
    next_at : int
        Where the first object that is not whole starts; may lie behind the end.
    broken_at : tuple of int
        Where the chain of objects broke.
    is_lost : bool
        Nothing tells where the next object starts.
    classic : ndarray of uint64, shape (n, 6), or None
        The objects themselves, where all are classic frames of the usual size.
    is_aligned : bool
        All start at multiples of four bytes.
    """

    at: IntArray
    header: Words
    next_at: int
    broken_at: tuple[int, ...]
    is_lost: bool
    classic: Words | None = None
    is_aligned: bool = True


def find_objects(
    data: NDArray[np.uint8], start: int, end: int, *, is_lost: bool = False, is_aligned: bool = True
) -> Objects:
    """Follow the chain of objects from ``start``.

    Text in a marker may look like an object; such a place is not on the chain. Where the chain breaks, it
    is taken up again at the next place from which one object leads to another.

    Parameters
    ----------
    data : ndarray of uint8, shape (m,)
        Bytes, with ``GATHER_BYTES`` of zeros behind ``end``.
    start, end : int
        Where the chain starts, and where the bytes end.
    is_lost : bool
        The chain broke before ``start`` already.
    is_aligned : bool
        Look first where objects mostly start; False, where they did not before, saves that look.
    """
    if not is_lost and (uniform := _classic_frames_only(data, start, end)):
        return uniform
    # Frames are multiples of four bytes long; only after an odd marker do objects start in between.
    for step in (4, 1) if is_aligned else (1,):
        candidates = _signatures(data, start, end, step)
        header = gather(data, candidates, 4)
        objects = replace(_follow(candidates, header, start, end, is_lost=is_lost), is_aligned=step == 4)
        if step == 1 or not (objects.broken_at or objects.is_lost):
            break
    return objects


def _classic_frames_only(data: NDArray[np.uint8], start: int, end: int) -> Objects | None:
    """The objects, if all are classic frames of the usual size; looking at every sixth word tells."""
    size = _CLASSIC_OBJECT_BYTES
    count = (end - start) // size
    if not count or start % 8:
        return None
    words = data[start : start + count * size].view(_U).reshape(count, size // 8)
    rest = data[start + count * size : end][:4].tobytes()
    if not _SIGNATURE_BYTES.startswith(rest) or (words[:, 0] != _CLASSIC_OBJECT[0]).any():
        return None
    if (words[:, 1] != _CLASSIC_OBJECT[1]).any():
        return None
    at = np.arange(start, start + count * size, size)
    return Objects(at, words[:, :4].T, start + count * size, (), is_lost=False, classic=words)


def _signatures(data: NDArray[np.uint8], start: int, end: int, step: int) -> IntArray:
    if step == 4:
        size = max(-(-(end - start) // 32) * 32, 0)
        found = positions(data[start : start + size].view(np.uint32) == _SIGNATURE) * 4 + start
    else:
        size = -(-end // 8) * 8
        mask = data[:size] == ord("L")
        for offset, character in enumerate(b"OBJ", 1):
            mask &= data[offset : size + offset] == character
        found = positions(mask)
    return found[(found >= start) & (found <= end - 16)]


def _follow(at: IntArray, header: Words, start: int, end: int, *, is_lost: bool) -> Objects:
    size = (header[1] & _U(0xFFFFFFFF)).view(np.int64)
    behind = at + size
    is_linked = np.zeros(at.size, np.bool_)
    is_linked[:-1] = (at[1:] - behind[:-1]).view(_U) <= _MAX_PADDING
    makes_sense = (size >= 16) & (size <= MAX_OBJECT_BYTES)
    if size.size and int(size.max()) > _MAX_FRAME_OBJECT_BYTES:
        makes_sense &= (size <= _MAX_FRAME_OBJECT_BYTES) | ~is_any_of(
            (header[1] >> _U(32)).astype(np.uint32), LEAST_BODY_BYTES
        )
    stops = np.flatnonzero(~is_linked)
    walk = _Walk(at, behind, is_linked, makes_sense, stops, np.searchsorted(at, behind[stops]).tolist(), end)
    walk.run(start, is_lost=is_lost)
    keep: slice | BoolArray
    if len(walk.pieces) == 1:
        keep = slice(*walk.pieces[0])
    else:
        keep = np.zeros(at.size, np.bool_)
        for first, last in walk.pieces:
            keep[first:last] = True
    return Objects(at[keep], header[:, keep], walk.next_at, tuple(walk.broken_at), walk.is_lost)


def is_any_of(kind: NDArray[np.uint32], numbers: Iterable[int]) -> BoolArray:
    """Objects whose type is one of some numbers."""
    is_any = np.zeros(kind.size, np.bool_)
    for number in numbers:
        is_any |= kind == number
    return is_any


@dataclass(slots=True)
class _Walk:
    """Along the chain, from one place where the next candidate is not the next object to another."""

    at: IntArray
    behind: IntArray
    is_linked: BoolArray
    makes_sense: BoolArray
    stops: IntArray
    after_stop: list[int]
    end: int
    pieces: list[tuple[int, int]] = field(default_factory=list)
    broken_at: list[int] = field(default_factory=list)
    index: int = 0
    next_at: int = 0
    is_lost: bool = False

    def run(self, start: int, *, is_lost: bool) -> None:
        stops = self.stops.tolist()
        index = int(np.searchsorted(self.at, start))
        if is_lost or index == self.at.size or self.at[index] > start + _MAX_PADDING:
            if not is_lost and self.end - start < 16 + _MAX_PADDING:
                self.next_at = start
                return
            if not is_lost:
                self.broken_at.append(start)
            index = self._regain(index)
        while index < self.at.size:
            stop = bisect_left(stops, index)
            last = stops[stop]
            behind, following = int(self.behind[last]), self.after_stop[stop]
            makes_sense = bool(self.makes_sense[last])
            if makes_sense and behind > self.end:
                self._finish(index, last, int(self.at[last]))
                return
            if makes_sense and following < self.at.size and self.at[following] <= behind + _MAX_PADDING:
                self.pieces.append((index, last + 1))
                index = following
                continue
            if makes_sense and self.end - behind < 16 + _MAX_PADDING:
                self._finish(index, last + 1, behind)
                return
            self._break(index, last, following, makes_sense=makes_sense)
            index = self.index

    def _break(self, first: int, last: int, following: int, *, makes_sense: bool) -> None:
        """The size of the object ``last``, or the start of the one behind it, is damaged."""
        self.index = self._regain(last + 1)
        # Objects that lead to each other inside of it show that its size is wrong.
        is_whole = makes_sense and self.index >= following
        self.pieces.append((first, last + 1 if is_whole else last))
        self.broken_at.append(int(self.behind[last] if is_whole else self.at[last]))

    def _finish(self, first: int, last: int, next_at: int) -> None:
        self.pieces.append((first, last))
        self.next_at = next_at

    def _regain(self, index: int) -> int:
        """Next candidate that leads to another, or to the end of the bytes."""
        linked = np.flatnonzero(self.is_linked[index:])
        if linked.size:
            return index + int(linked[0])
        if (
            index < self.at.size
            and self.behind[-1] > self.end - 16
            and self.behind[-1] - self.at[-1] < MAX_OBJECT_BYTES
        ):
            return self.at.size - 1
        self.next_at, self.is_lost = max(self.end - 15, 0), True
        return self.at.size

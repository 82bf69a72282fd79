"""Frames collected as columns per message, and handed on in blocks."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logan.frames.grouping import FrameGroups, FrameKey
from logan.units import IntArray

BLOCK_ROWS: Final = 65_536
"""Rows of one message that are collected before they are handed on."""

ERROR_TIMES: Final = 10_000
"""How many error frames are kept with their time; the others are only counted."""

MAX_OPEN_BLOCKS: Final = 4096
"""Messages that are collected at once; the blocks of a log with more (noise taken for frames) are handed on early."""

_FIRST_ROWS: Final = 64


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MessageColumns:
    """All frames of one identifier on one bus, in the order of the log.

    Parameters
    ----------
    time_ns : ndarray of int64, shape (n,)
        As logged; never sorted. [ns]
    length : ndarray of uint8, shape (n,)
        Data bytes present; zero-stride where all are equal.
    payload : ndarray of uint8, shape (n, 8) or (n, 64)
        Data; bytes past ``length`` are zero.
    """

    time_ns: IntArray
    length: NDArray[np.uint8]
    payload: NDArray[np.uint8]

    def __len__(self) -> int:
        return int(self.time_ns.size)

    def pieces(self, rows: int) -> Iterator[MessageColumns]:
        """The frames in pieces of at most so many rows; views."""
        for first in range(0, len(self), rows):
            part = slice(first, first + rows)
            yield MessageColumns(time_ns=self.time_ns[part], length=self.length[part], payload=self.payload[part])


class _Block:
    """Rows of one message, in arrays that double until a full block."""

    __slots__ = ("count", "length", "payload", "time_ns")

    def __init__(self, width: int, rows: int) -> None:
        self.count = 0
        self.time_ns = np.empty(rows, np.int64)
        self.length = np.empty(rows, np.uint8)
        self.payload = np.empty((rows, width), np.uint8)

    @property
    def rows(self) -> int:
        return int(self.time_ns.size)

    @property
    def width(self) -> int:
        return int(self.payload.shape[1])

    def append(self, groups: FrameGroups, start: int, stop: int) -> None:
        end = self.count + stop - start
        self.time_ns[self.count : end] = groups.time_ns[start:stop]
        self.length[self.count : end] = groups.length[start:stop]
        width = min(self.width, groups.payload.shape[1])
        if width == self.width == groups.payload.shape[1]:
            self.payload[self.count : end] = groups.payload[start:stop]
        else:
            self.payload[self.count : end, :width] = groups.payload[start:stop, :width]
            self.payload[self.count : end, width:] = 0
        self.count = end

    def resized(self, width: int, rows: int) -> _Block:
        block = _Block(width, rows)
        kept = min(width, self.width)
        block.time_ns[: self.count] = self.time_ns[: self.count]
        block.length[: self.count] = self.length[: self.count]
        block.payload[: self.count, :kept] = self.payload[: self.count, :kept]
        block.payload[: self.count, kept:] = 0
        block.count = self.count
        return block

    def columns(self) -> MessageColumns:
        return MessageColumns(
            time_ns=self.time_ns[: self.count],
            length=self.length[: self.count],
            payload=self.payload[: self.count],
        )


class RawColumnsBuilder:
    """Collects groups of frames per message.

    Parameters
    ----------
    is_kept : callable
        Whether the frames of a key are kept; the others are only counted.
    flush : callable
        Takes each full block of a message, and in ``finish`` the rest. The block's arrays are used
        again afterwards.
    block_rows : int
        Rows of a full block.
    """

    def __init__(
        self,
        is_kept: Callable[[FrameKey], bool],
        flush: Callable[[FrameKey, MessageColumns], None],
        block_rows: int = BLOCK_ROWS,
    ) -> None:
        self.counts: dict[FrameKey, int] = {}
        self.error_count = 0
        self._error_times: list[IntArray] = []
        self._is_kept = is_kept
        self._flush = flush
        self._block_rows = block_rows
        self._kept: set[FrameKey] = set()
        self._blocks: dict[FrameKey, _Block] = {}

    def add(self, groups: FrameGroups) -> None:
        """Append a block's frames."""
        if groups.error_time_ns.size:
            if self.error_count < ERROR_TIMES:
                self._error_times.append(groups.error_time_ns[: ERROR_TIMES - self.error_count])
            self.error_count += int(groups.error_time_ns.size)
        for key, start, stop in groups.spans:
            if key not in self.counts:
                self.counts[key] = 0
                if self._is_kept(key):
                    self._kept.add(key)
            self.counts[key] += stop - start
            if key in self._kept:
                self._append(key, groups, start, stop)
        if len(self._blocks) > MAX_OPEN_BLOCKS:
            self.finish()

    def _append(self, key: FrameKey, groups: FrameGroups, start: int, stop: int) -> None:
        width = groups.payload.shape[1]
        if width > 8 and int(groups.length[start:stop].max()) <= 8:
            width = 8
        while start < stop:
            block = self._block(key, width, stop - start)
            fits = min(stop, start + block.rows - block.count)
            block.append(groups, start, fits)
            start = fits
            if block.count == self._block_rows:
                self._flush(key, block.columns())
                block.count = 0

    def _block(self, key: FrameKey, width: int, more: int) -> _Block:
        """The open block of a key, with room for a row at least and for all that will come where it can grow."""
        block = self._blocks.get(key)
        if block is None:
            block = self._blocks[key] = _Block(width, min(_FIRST_ROWS, self._block_rows))
        rows = block.rows
        if block.count + more > rows:
            rows = min(max(block.count + more, 2 * rows), self._block_rows)
        if rows > block.rows or width > block.width:
            block = self._blocks[key] = block.resized(max(width, block.width), rows)
        return block

    def finish(self) -> None:
        """Hand on what is left in the blocks."""
        for key, block in self._blocks.items():
            if block.count:
                self._flush(key, block.columns())
        self._blocks.clear()

    @property
    def error_time_ns(self) -> IntArray:
        """When the first ``ERROR_TIMES`` error frames came. [ns]"""
        return np.concatenate(self._error_times) if self._error_times else np.empty(0, np.int64)

    @property
    def clashes(self) -> tuple[str, ...]:
        """Identifiers that a bus carries both as standard and as extended ones."""
        extended = {(key.bus, key.can_id) for key in self.counts if key.is_extended}
        return tuple(
            f"{key.bus}/{key.id_text}" if key.bus else key.id_text
            for key in self.counts
            if not key.is_extended and (key.bus, key.can_id) in extended
        )

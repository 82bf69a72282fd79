"""Frames kept as columns per message, so that a signal can be decoded later without the log."""

from __future__ import annotations

from collections.abc import Callable, Mapping
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

_FIRST_ROWS: Final = 256


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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RawColumns:
    """The frames of a log, by bus and identifier."""

    messages: Mapping[FrameKey, MessageColumns]

    @property
    def frame_count(self) -> int:
        """Frames held."""
        return sum(len(columns) for columns in self.messages.values())


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
    flush : callable, optional
        Takes each full block of a message, and in ``finish`` the rest; without it all is held. The
        block's arrays are used again afterwards.
    block_rows : int
        Rows of a full block.
    """

    def __init__(
        self,
        is_kept: Callable[[FrameKey], bool],
        flush: Callable[[FrameKey, MessageColumns], None] | None = None,
        block_rows: int = BLOCK_ROWS,
    ) -> None:
        self.counts: dict[FrameKey, int] = {}
        self.error_count = 0
        self._error_times: list[IntArray] = []
        self._is_kept = is_kept
        self._flush = flush
        self._block_rows = block_rows
        self._blocks: dict[FrameKey, list[_Block]] = {}

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
                    self._blocks[key] = []
            self.counts[key] += stop - start
            if key in self._blocks:
                self._append(key, groups, start, stop)

    def _append(self, key: FrameKey, groups: FrameGroups, start: int, stop: int) -> None:
        blocks = self._blocks[key]
        width = groups.payload.shape[1]
        if width > 8 and int(groups.length[start:stop].max()) <= 8:
            width = 8
        while start < stop:
            if not blocks:
                blocks.append(_Block(width, _FIRST_ROWS))
            block = blocks[-1]
            if block.width < width:
                block = blocks[-1] = block.resized(width, block.rows)
            wanted = block.count + stop - start
            if wanted > block.rows and block.rows < self._block_rows:
                block = blocks[-1] = block.resized(block.width, min(max(wanted, 2 * block.rows), self._block_rows))
            fits = min(stop, start + block.rows - block.count)
            block.append(groups, start, fits)
            start = fits
            if block.count == self._block_rows:
                self._hand_on(key, blocks, block)

    def _hand_on(self, key: FrameKey, blocks: list[_Block], block: _Block) -> None:
        if self._flush is None:
            blocks.append(_Block(block.width, self._block_rows))
        else:
            self._flush(key, block.columns())
            block.count = 0

    def finish(self) -> None:
        """Hand on what is left in the blocks; only of use with ``flush``."""
        if self._flush is not None:
            for key, blocks in self._blocks.items():
                if blocks and blocks[-1].count:
                    self._flush(key, blocks[-1].columns())
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

    @property
    def keys(self) -> tuple[FrameKey, ...]:
        """Keys whose frames are kept, in the order in which they turned up."""
        return tuple(self._blocks)

    def take(self, key: FrameKey) -> MessageColumns:
        """All frames of a key in one piece; the builder lets go of them."""
        blocks = self._blocks.pop(key)
        width = max((block.width for block in blocks), default=8)
        parts = [block if block.width == width else block.resized(width, block.rows) for block in blocks]
        columns = [block.columns() for block in parts]
        if len(columns) == 1:
            return columns[0]
        return MessageColumns(
            time_ns=np.concatenate([part.time_ns for part in columns] or [np.empty(0, np.int64)]),
            length=np.concatenate([part.length for part in columns] or [np.empty(0, np.uint8)]),
            payload=np.concatenate([part.payload for part in columns] or [np.empty((0, 8), np.uint8)]),
        )

    def take_all(self) -> RawColumns:
        """Everything that is kept; the builder lets go of it."""
        return RawColumns(messages={key: self.take(key) for key in self.keys})

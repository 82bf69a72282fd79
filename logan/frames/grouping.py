"""Sort the frames of a block by who sent what: bus and identifier."""

from __future__ import annotations

import threading
from dataclasses import dataclass
from typing import Final, TypeAlias

import numpy as np
from numpy.typing import NDArray

from logan.frames.table import FrameTable
from logan.units import IntArray

_EXTENDED_BIT: Final = 31
_BUS_SHIFT: Final = 32
_MAX_ATTEMPTS: Final = 64
_MAX_HASHED_KEYS: Final = 2048

Keys: TypeAlias = NDArray[np.uint64]


@dataclass(frozen=True, slots=True)
class FrameKey:
    """Who sent what: frames of one key make one set of columns."""

    bus: str
    can_id: int
    is_extended: bool

    @property
    def id_text(self) -> str:
        """Identifier as it is usually written: three or eight hex digits."""
        return f"{self.can_id:08X}" if self.is_extended else f"{self.can_id:03X}"


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameGroups:
    """The data frames of one block, sorted by key, in the order of the log within a key.

    Parameters
    ----------
    spans : tuple of (FrameKey, int, int)
        First row and the row behind the last, of each key that occurs.
    time_ns : ndarray of int64, shape (n,)
        [ns]
    length : ndarray of uint8, shape (n,)
        Data bytes present.
    payload : ndarray of uint8, shape (n, 8) or (n, 64)
        Data.
    other_count : int
        Remote and error frames, which carry no data and are left out.
    """

    spans: tuple[tuple[FrameKey, int, int], ...]
    time_ns: IntArray
    length: NDArray[np.uint8]
    payload: NDArray[np.uint8]
    other_count: int


@dataclass(frozen=True, slots=True)
class _Table:
    """Known keys, rising; and a perfect hash in which every one of them has a slot of its own.

    Too many keys for such a hash are found by bisection: ``slots`` is then None.
    """

    keys: Keys
    factor: np.uint64
    shift: np.uint64
    slots: NDArray[np.uint16] | None

    def lookup(self, keys: Keys) -> NDArray[np.intp] | NDArray[np.uint16]:
        """Index of each key among ``self.keys``; of an unknown one, that of some other key."""
        if self.slots is None:
            return np.minimum(np.searchsorted(self.keys, keys), self.keys.size - 1)
        index: NDArray[np.uint16] = self.slots[(keys * self.factor) >> self.shift]
        return index


class KeyIndex:
    """Numbers the keys of a log as they turn up; may be used from several threads at once."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._table = _table_of(np.zeros(1, np.uint64))
        self._buses: list[str] = []

    def group(self, table: FrameTable) -> FrameGroups:
        """Sort the data frames of a block by key.

        Parameters
        ----------
        table : FrameTable
            Block of frames, in the order of the log.

        Returns
        -------
        FrameGroups
            Copies; nothing of ``table`` is referred to.
        """
        carries_data = None
        if table.is_remote.any() or table.is_error.any():
            carries_data = ~(table.is_remote | table.is_error)
        keys = self._keys(table)
        if carries_data is not None:
            keys = keys[carries_data]
        found, index = self._index(keys)
        is_few = found.keys.size <= 256
        order = np.argsort(index.astype(np.uint8) if is_few else index, kind="stable")
        count = np.bincount(index, minlength=found.keys.size)
        ends = np.cumsum(count)
        present = np.flatnonzero(count)
        rows = order if carries_data is None else np.flatnonzero(carries_data)[order]
        spans = tuple(
            (self._frame_key(int(found.keys[i])), int(ends[i] - count[i]), int(ends[i])) for i in present.tolist()
        )
        return FrameGroups(
            spans=spans,
            time_ns=table.time_ns[rows],
            length=table.length[rows],
            payload=_take_rows(table.payload, rows),
            other_count=len(table) - keys.size,
        )

    def _keys(self, table: FrameTable) -> Keys:
        keys = table.can_id.astype(np.uint64)
        if table.is_extended.any():
            keys |= table.is_extended.astype(np.uint64) << np.uint64(_EXTENDED_BIT)
        numbers = np.array([self._bus_number(bus) for bus in table.buses] or [0], np.uint64)
        if numbers.size > 1 or numbers[0]:
            keys |= numbers[table.bus] << np.uint64(_BUS_SHIFT)
        return keys

    def _bus_number(self, bus: str) -> int:
        with self._lock:
            if bus not in self._buses:
                self._buses.append(bus)
            return self._buses.index(bus)

    def _frame_key(self, key: int) -> FrameKey:
        bus = key >> _BUS_SHIFT
        name = self._buses[bus] if bus < len(self._buses) else ""
        return FrameKey(name, key & ((1 << _EXTENDED_BIT) - 1), bool(key >> _EXTENDED_BIT & 1))

    def _index(self, keys: Keys) -> tuple[_Table, NDArray[np.intp] | NDArray[np.uint16]]:
        table = self._table
        index = table.lookup(keys)
        unknown = table.keys[index] != keys
        if unknown.any():
            with self._lock:
                known = self._table.keys
                new = np.setdiff1d(np.unique(keys[unknown]), known)
                if new.size:
                    self._table = _table_of(np.concatenate([known, new]))
                table = self._table
            index = table.lookup(keys)
        return table, index


def _take_rows(payload: NDArray[np.uint8], rows: IntArray) -> NDArray[np.uint8]:
    if payload.shape[1] == 8 and payload.flags.c_contiguous:
        return payload.view(np.uint64).reshape(-1)[rows].view(np.uint8).reshape(-1, 8)
    return payload[rows]


def _table_of(keys: Keys) -> _Table:
    """Multiply-shift hash without collisions, found by trying; the table doubles until one is."""
    keys = np.sort(keys)
    zero = np.uint64(0)
    if keys.size > _MAX_HASHED_KEYS:
        return _Table(keys, zero, zero, None)
    rng = np.random.default_rng(keys.size)
    bits = max(4, int(keys.size - 1).bit_length() + 2)
    while True:
        shift = np.uint64(64 - bits)
        for _ in range(_MAX_ATTEMPTS):
            factor = np.uint64(int(rng.integers(1, 1 << 62)) * 2 + 1)
            places = (keys * factor) >> shift
            slots = np.zeros(1 << bits, np.uint16)
            slots[places] = np.arange(keys.size, dtype=np.uint16)
            if np.array_equal(slots[places], np.arange(keys.size)):
                return _Table(keys, factor, shift, slots)
        bits += 1

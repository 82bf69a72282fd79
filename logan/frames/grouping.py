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
_ROW_BITS: Final = 20


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
    error_time_ns : ndarray of int64, shape (m,)
        When error frames came. [ns]
    """

    spans: tuple[tuple[FrameKey, int, int], ...]
    time_ns: IntArray
    length: NDArray[np.uint8]
    payload: NDArray[np.uint8]
    other_count: int
    error_time_ns: IntArray


@dataclass(frozen=True, slots=True)
class _Table:
    """Known keys, rising; those too many for a perfect hash are found by bisection."""

    keys: Keys
    hash: PerfectHash | None

    @classmethod
    def of(cls, keys: Keys) -> _Table:
        return cls(keys, PerfectHash.of(keys) if keys.size <= MAX_KEYS else None)

    def lookup(self, keys: Keys) -> tuple[NDArray[np.uint32], bool]:
        """Index of each key among ``self.keys``, and whether all of them are known."""
        if self.hash is None:
            index = np.minimum(np.searchsorted(self.keys, keys), self.keys.size - 1)
            return index.astype(np.uint32), bool(np.array_equal(self.keys[index], keys))
        slots, is_known = self.hash.slots(keys)
        return np.take(self.hash.index_of_slot, slots, mode="clip"), bool(is_known.all())


class KeyIndex:
    """Numbers the keys of a log as they turn up; may be used from several threads at once."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._table = _Table.of(np.zeros(1, np.uint64))
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
        keys = self._keys(table)
        carrying: IntArray | None = None
        error_time_ns = table.time_ns[table.is_error] if table.is_error.any() else np.empty(0, np.int64)
        if table.is_remote.any() or error_time_ns.size:
            carrying = np.flatnonzero(~(table.is_remote | table.is_error))
            keys = keys[carrying]
        known, index = self._index(keys)
        rows, ends = _sorted_rows(index, known.size)
        if carrying is not None:
            rows = carrying[rows]
        starts = np.concatenate([[0], ends[:-1]])
        present = np.flatnonzero(ends > starts).tolist()
        return FrameGroups(
            spans=tuple((self._frame_key(int(known[i])), int(starts[i]), int(ends[i])) for i in present),
            time_ns=table.time_ns[rows],
            length=table.length[rows],
            payload=_take_rows(table.payload, rows),
            other_count=len(table) - keys.size,
            error_time_ns=error_time_ns,
        )

    def _keys(self, table: FrameTable) -> Keys:
        keys = table.can_id.astype(np.uint64)
        if table.is_extended.any():
            keys |= (table.is_extended.astype(np.uint32) << np.uint32(_EXTENDED_BIT)).astype(np.uint64)
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

    def _index(self, keys: Keys) -> tuple[Keys, NDArray[np.uint32]]:
        table = self._table
        index, is_complete = table.lookup(keys)
        if not is_complete:
            with self._lock:
                known = np.union1d(self._table.keys, keys)
                if known.size > self._table.keys.size:
                    self._table = _Table.of(known)
                table = self._table
            index, _ = table.lookup(keys)
        return table.keys, index


def _sorted_rows(index: NDArray[np.uint32], key_count: int) -> tuple[IntArray, IntArray]:
    """Rows in the order of their key, then of the log; and for each key the end of its rows."""
    if index.size > 1 << _ROW_BITS or key_count >= 1 << (32 - _ROW_BITS):
        ends = np.cumsum(np.bincount(index, minlength=key_count))
        return np.argsort(index, kind="stable"), ends
    # Sorting key and row as one number is twice as fast as a stable argsort, and as stable.
    packed = index << np.uint32(_ROW_BITS)
    packed |= np.arange(index.size, dtype=np.uint32)
    packed.sort()
    bounds = np.arange(1, key_count + 1, dtype=np.uint32) << np.uint32(_ROW_BITS)
    packed_ends = np.searchsorted(packed, bounds)
    return (packed & np.uint32((1 << _ROW_BITS) - 1)).astype(np.int64), packed_ends


def _take_rows(payload: NDArray[np.uint8], rows: IntArray) -> NDArray[np.uint8]:
    if payload.shape[1] == 8 and payload.flags.c_contiguous:
        # One word a row is gathered much faster than eight bytes.
        return payload.view(np.uint64).reshape(-1)[rows].view(np.uint8).reshape(-1, 8)
    return payload[rows]


MAX_KEYS: Final = 2048
"""More keys than this find no table without collisions in reasonable time."""

_MAX_ATTEMPTS: Final = 64

Keys: TypeAlias = NDArray[np.uint64]


@dataclass(frozen=True, slots=True)
class PerfectHash:
    """A slot of its own for each of a few keys; slots that no key has lead to the first.

    Parameters
    ----------
    keys : ndarray of uint64, shape (n,)
        The keys, each once; at most ``MAX_KEYS``.
    factor, shift : uint64
        ``key * factor >> shift`` is the slot.
    index_of_slot : ndarray of uint32, shape (m,)
        Which key has the slot.
    key_of_slot : ndarray of uint64, shape (m,)
        That key.
    """

    keys: Keys
    factor: np.uint64
    shift: np.uint64
    index_of_slot: NDArray[np.uint32]
    key_of_slot: Keys

    @classmethod
    def of(cls, keys: Keys) -> PerfectHash:
        """Find factor and shift by trying; the table doubles until there is one."""
        rng = np.random.default_rng(keys.size)
        bits = max(4, int(keys.size - 1).bit_length() + 2)
        while True:
            shift = np.uint64(64 - bits)
            for _ in range(_MAX_ATTEMPTS):
                factor = np.uint64(int(rng.integers(1, 1 << 62)) * 2 + 1)
                index_of_slot = np.zeros(1 << bits, np.uint32)
                slots = (keys * factor) >> shift
                index_of_slot[slots] = np.arange(keys.size, dtype=np.uint32)
                if np.array_equal(index_of_slot[slots], np.arange(keys.size)):
                    return cls(keys, factor, shift, index_of_slot, keys[index_of_slot])
            bits += 1

    def slots(self, keys: Keys) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
        """Slot of each key, shape (n,), and whether the key is known."""
        slots = ((keys * self.factor) >> self.shift).view(np.int64)
        return slots, np.take(self.key_of_slot, slots, mode="clip") == keys

"""Numbers found among few others at once: multiply, shift, look; no collisions, so that one look is enough."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, TypeAlias

import numpy as np
from numpy.typing import NDArray

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

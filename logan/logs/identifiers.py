"""Identifiers as they are written, each worked out once: a log holds few of them, again and again."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, TypeAlias

import numpy as np
from numpy.typing import NDArray

from logan.frames.perfect_hash import PerfectHash
from logan.logs.packed_text import Words
from logan.units import BoolArray

_MAX_KNOWN: Final = 1024


@dataclass(frozen=True, slots=True)
class Identifiers:
    """What words of characters say.

    Parameters
    ----------
    can_id : ndarray of uint32, shape (n,)
        Any number where there is no identifier.
    is_extended : ndarray of bool, shape (n,)
    width : ndarray of uint8, shape (n,)
        Digits.
    is_wrong : ndarray of bool, shape (n,)
        There is no identifier, or one out of range.
    """

    can_id: NDArray[np.uint32]
    is_extended: BoolArray
    width: NDArray[np.uint8]
    is_wrong: BoolArray

    def take(self, slots: NDArray[np.int64]) -> Identifiers:
        """Those of some words."""
        return Identifiers(
            *(np.take(getattr(self, name), slots, mode="clip") for name in Identifiers.__slots__),
        )


Read: TypeAlias = Callable[[Words], Identifiers]


class KnownIdentifiers:
    """Reads words of characters by looking them up among those that came before; for any number of threads.

    Parameters
    ----------
    read : callable
        Works out words that are new.
    """

    def __init__(self, read: Read) -> None:
        self._read = read
        self._lock = threading.Lock()
        self._known: tuple[PerfectHash, Identifiers] | None = None
        self._is_full = False

    def __call__(self, words: Words) -> Identifiers:
        """What each word says."""
        if self._is_full or not words.size:
            return self._read(words)
        for _ in range(2):
            if self._known is not None:
                table, of_slots = self._known
                slots, is_known = table.slots(words)
                if is_known.all():
                    return of_slots.take(slots)
                self._learn(words[~is_known])
            else:
                self._learn(words)
        return self._read(words)

    def _learn(self, words: Words) -> None:
        with self._lock:
            known = words if self._known is None else np.concatenate((self._known[0].keys, words))
            keys = np.unique(known)
            if keys.size > _MAX_KNOWN:
                self._is_full = True
                return
            table = PerfectHash.of(keys)
            self._known = table, self._read(keys).take(table.index_of_slot.astype(np.int64))

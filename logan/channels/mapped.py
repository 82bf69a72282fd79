"""Channels in SI with the time of the log, before its clock is repaired."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from logan.results import DataFlag, read_only
from logan.units import FloatArray, IntArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MappedChannel:
    """One channel in SI, with time as the log has it (never repaired here).

    Parameters
    ----------
    name : str
        Canonical name.
    time_ns : ndarray of int64, shape (n,)
        In the order of the log. [ns]
    value : ndarray, shape (n,)
        In the SI unit of its kind; NaN for a not-available code.
    source : str
        Address of the signal it came from.
    is_averaged : bool
        True when the logger averages.
    """

    name: str
    time_ns: IntArray
    value: FloatArray
    source: str = ""
    is_averaged: bool = False

    def __post_init__(self) -> None:
        if self.time_ns.shape != self.value.shape or self.time_ns.ndim != 1:
            raise ValueError("time_ns and value must have one shape (n,)")
        object.__setattr__(self, "time_ns", read_only(np.asarray(self.time_ns, dtype=np.int64)))
        object.__setattr__(self, "value", read_only(np.asarray(self.value, dtype=np.float64)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """Something the map did to a channel's numbers, for the drive's history."""

    action: str
    detail: str
    reason: str
    channels: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MappedChannels:
    """What a log gives under a channel map.

    Parameters
    ----------
    channels : mapping of str to MappedChannel
        By canonical name.
    flags : tuple of DataFlag
        Values that contradict their unit, codes that look like "not available", and the like.
    start_ns : int or None
        First sample since 1970 UTC; None where the log's time is not absolute. [ns]
    steps : tuple of Change
        Overrides of sign, scale, signedness, byte order, codes and delay that were applied.
    """

    channels: Mapping[str, MappedChannel]
    flags: tuple[DataFlag, ...] = ()
    start_ns: int | None = None
    steps: tuple[Change, ...] = field(default=())

"""Frames of an MF4 file, read with asammdf in blocks of records, in the process that ``logan.logs.mf4`` starts.

Frames of several channel groups (one for each bus, or for data, error and remote frames) are merged by time;
within a group the order of the records is kept, also where time steps back. The start time is taken as UTC
where the file does not tell its zone.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final, TypeAlias

import numpy as np
from numpy.typing import NDArray

from logan.frames.table import FrameTable
from logan.logs.log_format import ReadReport
from logan.logs.text_lines import CLASSIC_BYTES, FD_BYTES, MAX_BUSES, MAX_EXTENDED_ID, MAX_STANDARD_ID
from logan.units import BoolArray, IntArray

_MOST_GROWTH, _MOST_GROWTH_BESIDES = 100, 64_000_000
"""Records that are packed may take so many times the file's size, and so much besides. [bytes]"""
_BLOCK_RECORDS: Final = 200_000
_LARGEST_RECORD: Final = 1024
"""A frame of 64 bytes with all that is said of it takes less; what claims more would fill the memory. [bytes]"""

_FRAME_CHANNELS: Final = ("CAN_DataFrame", "CAN_ErrorFrame", "CAN_RemoteFrame")
_Part: TypeAlias = dict[str, NDArray[Any]]
"""Columns of a group's frames as a ``FrameTable`` names them, but for seconds and the channel's number."""

_EXTENDED_FLAG: Final = np.uint32(0x80000000)


def read_frames(path: Path) -> Iterator[FrameTable | tuple[int, int]]:
    """Blocks of frames, at last the number of groups and of frames left out; raises whatever asammdf does."""
    from asammdf import MDF

    report = ReadReport(path)
    with MDF(path) as file:
        groups = [group for index in range(len(file.groups)) if (group := _Group.of(file, index, report))]
        yield from _merged(groups, _start_ns(file.header.start_time))
    yield len(groups), report.skipped_count


def _start_ns(moment: datetime) -> int:
    aware = moment if moment.tzinfo else moment.replace(tzinfo=UTC)
    return int(aware.replace(microsecond=0).timestamp()) * 1_000_000_000 + moment.microsecond * 1000


@dataclass(slots=True)
class _Group:
    """One channel group with frames, read from its front."""

    file: Any
    index: int
    name: str
    record_count: int
    report: ReadReport
    next_record: int = 0

    @classmethod
    def of(cls, file: Any, index: int, report: ReadReport) -> _Group | None:
        """The group, if it holds frames of a CAN bus."""
        group = file.groups[index]
        names = {channel.name for channel in group.channels}
        name = next((name for name in _FRAME_CHANNELS if name in names), None)
        count, size = int(group.channel_group.cycles_nr), int(group.channel_group.samples_byte_nr)
        ends = [one.byte_offset + (one.bit_offset + one.bit_count + 7) // 8 for one in group.channels]
        if name and not max(ends) <= size <= _LARGEST_RECORD:
            # asammdf's compiled part would read behind its buffer, or fill the memory.
            raise ValueError(f"records of {size} bytes, of which {max(ends)} are used")
        if name and count * size > _MOST_GROWTH * Path(file.name).stat().st_size + _MOST_GROWTH_BESIDES:
            raise ValueError(f"{count} records of {size} bytes, more than the file can hold")
        return cls(file, index, name, count, report) if name and count else None

    @property
    def is_exhausted(self) -> bool:
        """No records are left to be read."""
        return self.next_record >= self.record_count

    def read(self) -> _Part:
        """Read the next block of records."""
        count = min(_BLOCK_RECORDS, self.record_count - self.next_record)
        signal = self.file.get(self.name, self.index, record_offset=self.next_record, record_count=count, raw=False)
        self.next_record += count
        part = _part(self.name, signal.samples, signal.timestamps)
        largest = np.where(part["is_extended"], np.uint32(MAX_EXTENDED_ID), np.uint32(MAX_STANDARD_ID))
        odd = (part["can_id"] > largest) & ~part["is_error"]
        if not odd.any():
            return part
        self.report.skip("impossible", count=int(np.count_nonzero(odd)))
        return _cut(part, ~odd)


def _cut(part: _Part, rows: slice | BoolArray) -> _Part:
    return {name: column[rows] for name, column in part.items()}


def _part(name: str, samples: NDArray[Any], seconds: NDArray[np.float64]) -> _Part:
    count = len(samples)
    fields = samples.dtype.names or ()
    if not np.isfinite(seconds).all():
        raise ValueError("a time is no number")

    def column(field: str, default: int) -> NDArray[Any]:
        key = f"{name}.{field}"
        return samples[key] if key in fields else np.broadcast_to(np.uint8(default), (count,))

    no_bytes = np.empty((count, 0), np.uint8)
    can_id = column("ID", 0).astype(np.uint32)
    is_extended = column("IDE", 0).astype(bool) if f"{name}.IDE" in fields else can_id > MAX_STANDARD_ID
    payload = _data_bytes(samples[f"{name}.DataBytes"]) if f"{name}.DataBytes" in fields else no_bytes
    length = np.minimum(column("DataLength", 0), min(payload.shape[1], FD_BYTES)).astype(np.uint8)
    is_remote = column("RTR", name == "CAN_RemoteFrame").astype(bool)
    return {
        "seconds": np.asarray(seconds, np.float64),
        "can_id": can_id & ~_EXTENDED_FLAG,
        "is_extended": is_extended | (can_id >= _EXTENDED_FLAG),
        "is_fd": column("EDL", 0).astype(bool),
        "is_remote": is_remote,
        "is_error": np.broadcast_to(np.bool_(name == "CAN_ErrorFrame"), (count,)),
        "channel": column("BusChannel", 0).astype(np.uint16),
        "length": np.where(is_remote, np.uint8(0), length) if is_remote.any() else length,
        "payload": _payload(payload, length),
    }


def _data_bytes(stored: NDArray[Any]) -> NDArray[np.uint8]:
    """Data bytes as they are in the records, a row a frame; a frame of one byte may come as a plain number."""
    if stored.dtype != np.uint8:
        raise ValueError("data bytes stored in a way that is not known here")
    return stored if stored.ndim == 2 else stored.reshape(-1, 1)


def _payload(raw: NDArray[Any], length: NDArray[np.uint8]) -> NDArray[np.uint8]:
    width = CLASSIC_BYTES if int(length.max(initial=0)) <= CLASSIC_BYTES else FD_BYTES
    payload = np.zeros((len(raw), width), np.uint8)
    used = min(width, raw.shape[1])
    payload[:, :used] = raw[:, :used]
    if (length < used).any():
        payload[np.arange(width, dtype=np.uint8) >= length[:, np.newaxis]] = 0
    return payload


def _merged(groups: list[_Group], start_ns: int) -> Iterator[FrameTable]:
    """Blocks of all groups in the order of time."""
    if len(groups) == 1:
        while not groups[0].is_exhausted:
            yield _table([groups[0].read()], start_ns)
        return
    waiting: list[_Part | None] = [None] * len(groups)
    while True:
        for number, group in enumerate(groups):
            if waiting[number] is None and not group.is_exhausted:
                waiting[number] = group.read()
        # What lies behind the end of a block that goes on must wait for the rest of that group.
        unfinished = [part for part, group in zip(waiting, groups, strict=True) if part and not group.is_exhausted]
        ends = [float(part["seconds"].max(initial=-np.inf)) for part in unfinished]
        ready = []
        for number, part in enumerate(waiting):
            if part is not None:
                seconds = np.maximum.accumulate(part["seconds"])
                count = int(np.searchsorted(seconds, min(ends), side="right")) if ends else seconds.size
                ready.append(_cut(part, slice(0, count)))
                waiting[number] = _cut(part, slice(count, None)) if count < seconds.size else None
        if not ready:
            return
        yield _table(ready, start_ns)


def _table(parts: list[_Part], start_ns: int) -> FrameTable:
    part = parts[0] if len(parts) == 1 else _joined(parts)
    numbers, bus = np.unique(part.pop("channel"), return_inverse=True)
    return FrameTable(
        time_ns=np.rint(part.pop("seconds") * 1e9).astype(np.int64) + start_ns,
        bus=np.minimum(bus, MAX_BUSES).astype(np.uint8),
        buses=tuple(str(number) for number in numbers.tolist()[: MAX_BUSES + 1]),
        **part,
    )


def _joined(parts: list[_Part]) -> _Part:
    times = np.concatenate([np.maximum.accumulate(part["seconds"]) for part in parts])
    order: IntArray = np.argsort(times, kind="stable")
    width = max(part["payload"].shape[1] for part in parts)
    for part in parts:
        part["payload"] = np.pad(part["payload"], ((0, 0), (0, width - part["payload"].shape[1])))
    return {name: np.concatenate([part[name] for part in parts])[order] for name in parts[0]}

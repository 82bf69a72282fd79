"""Frames of an MF4 file, read with asammdf in blocks of records, in the process that ``logan.logs.mf4`` starts.

Frames of several channel groups (one for each bus, or for data, error and remote frames) are merged by time;
within a group the order of the records is kept, also where time steps back. The start time is taken as UTC
where the file does not tell its zone.
"""

from __future__ import annotations

from collections.abc import Iterator
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
        names = {index: name for index in range(len(file.groups)) if (name := _frames_in(file, index))}
        groups = [_parts(file, index, name, report) for index, name in names.items()]
        yield from _merged(groups, _start_ns(file.header.start_time))
    yield len(groups), report.skipped_count


def _start_ns(moment: datetime) -> int:
    aware = moment if moment.tzinfo else moment.replace(tzinfo=UTC)
    return int(aware.replace(microsecond=0).timestamp()) * 1_000_000_000 + moment.microsecond * 1000


def _frames_in(file: Any, index: int) -> str:
    """What a channel group calls the frames of a CAN bus in it; empty where it holds none."""
    group = file.groups[index]
    names = {channel.name for channel in group.channels}
    name = next((name for name in _FRAME_CHANNELS if name in names), "")
    count, size = int(group.channel_group.cycles_nr), int(group.channel_group.samples_byte_nr)
    ends = [one.byte_offset + (one.bit_offset + one.bit_count + 7) // 8 for one in group.channels]
    if name and not max(ends) <= size <= _LARGEST_RECORD:
        # asammdf's compiled part would read behind its buffer, or fill the memory.
        raise ValueError(f"records of {size} bytes, of which {max(ends)} are used")
    if name and count * size > _MOST_GROWTH * Path(file.name).stat().st_size + _MOST_GROWTH_BESIDES:
        raise ValueError(f"{count} records of {size} bytes, more than the file can hold")
    return name if count else ""


def _parts(file: Any, index: int, name: str, report: ReadReport) -> Iterator[_Part]:
    """Frames of one group in blocks of records, in their order."""
    whole = int(file.groups[index].channel_group.cycles_nr)
    for start in range(0, whole, _BLOCK_RECORDS):
        count = min(_BLOCK_RECORDS, whole - start)
        signal = file.get(name, index, record_offset=start, record_count=count, raw=False)
        part = _part(name, signal.samples, signal.timestamps)
        largest = np.where(part["is_extended"], np.uint32(MAX_EXTENDED_ID), np.uint32(MAX_STANDARD_ID))
        odd = (part["can_id"] > largest) & ~part["is_error"]
        if odd.any():
            report.skip("impossible", count=int(np.count_nonzero(odd)))
        yield _cut(part, ~odd) if odd.any() else part


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


def _merged(groups: list[Iterator[_Part]], start_ns: int) -> Iterator[FrameTable]:
    """Blocks of all groups in the order of time."""
    waiting: list[_Part | None] = [None] * len(groups)
    while True:
        waiting = [next(group, None) if part is None else part for part, group in zip(waiting, groups, strict=True)]
        known = {number: np.maximum.accumulate(part["seconds"]) for number, part in enumerate(waiting) if part}
        if not known:
            return
        # What lies behind the end of a block must wait for what follows that block in its group.
        until_s = min(float(seconds.max(initial=-np.inf)) for seconds in known.values())
        ready = []
        for number, seconds in known.items():
            part, count = waiting[number] or {}, int(np.searchsorted(seconds, until_s, side="right"))
            ready.append(_cut(part, slice(0, count)))
            waiting[number] = _cut(part, slice(count, None)) if count < seconds.size else None
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

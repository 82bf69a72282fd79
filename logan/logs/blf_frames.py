"""Frames in the objects of a BLF log; the layouts are those that ``logan.logs.blf_objects`` names its sources for."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, TypeAlias

import numpy as np
from numpy.typing import NDArray

from logan.frames.table import FrameTable
from logan.logs.blf_objects import (
    CAN_ERROR,
    CAN_ERROR_EXT,
    CAN_FD_ERROR_64,
    CAN_FD_MESSAGE,
    CAN_FD_MESSAGE_64,
    CAN_MESSAGE,
    CAN_MESSAGE2,
    LEAST_BODY_BYTES,
    Objects,
    is_any_of,
)
from logan.logs.gathering import KEEP_FIRST, Words, gather, gather_rows
from logan.logs.text_lines import CLASSIC_BYTES, FD_BYTES, MAX_BUSES, MAX_EXTENDED_ID, MAX_STANDARD_ID
from logan.units import BoolArray, IntArray

_U = np.uint64
_EXTENDED_FLAG: Final = np.uint32(0x80000000)
_TEN_MICROSECONDS: Final = 1
_MAX_TIME_NS: Final = _U(1 << 62)


@dataclass(slots=True)
class _Columns:
    """Columns of the frames among some objects, in their order."""

    time_ns: IntArray
    can_id: NDArray[np.uint32]
    channel: NDArray[np.uint16]
    length: NDArray[np.uint8]
    payload: NDArray[np.uint8]
    is_fd: BoolArray
    is_remote: BoolArray
    is_error: BoolArray
    is_broken: BoolArray


def frames_of(data: NDArray[np.uint8], objects: Objects, start_ns: int) -> tuple[FrameTable, IntArray]:
    """Frames of the objects that are frames, and where those lie that should be but cannot be read.

    Parameters
    ----------
    data : ndarray of uint8
        As for ``find_objects``.
    objects : Objects
        Result of ``find_objects`` on it.
    start_ns : int
        Time of the log's start, that its times count from. [ns]
    """
    if objects.classic is not None and (frames := _plain_frames(objects.classic, start_ns)) is not None:
        return frames, np.empty(0, np.int64)
    kind = (objects.header[1] >> _U(32)).astype(np.uint32)
    readers = {number: reader for number, reader in _READERS.items() if (kind == number).any()}
    is_frame = is_any_of(kind, readers)
    at, header = objects.at, objects.header
    if not is_frame.all():
        at, header, kind = at[is_frame], header[:, is_frame], kind[is_frame]
    columns = _columns(header, at.size, start_ns, wide=any(number in readers for number in _WIDE))
    version = header[0] >> _U(48)
    header_bytes = np.where(version == 2, 40, 32)
    columns.is_broken |= ((header[0] >> _U(32)) & _U(0xFFFF)).view(np.int64) != header_bytes
    columns.is_broken |= (version < 1) | (version > 2)
    bodies = _Bodies(data, at + header_bytes, (header[1] & _U(0xFFFFFFFF)).view(np.int64) - header_bytes, header_bytes)
    for number, reader in readers.items():
        rows = slice(None) if len(readers) == 1 else np.flatnonzero(kind == number)
        columns.is_broken[rows] |= bodies.size[rows] < LEAST_BODY_BYTES[number]
        reader(bodies.of(rows), columns, rows)
    return _table(columns), at[columns.is_broken]


def _plain_frames(classic: Words, start_ns: int) -> FrameTable | None:
    """Frames of classic objects, if all are data frames of eight bytes with times in ns, which most logs hold alone."""
    ticks, word = classic[:, 3].copy(), classic[:, 4].copy()
    parts = word.view(np.uint8).reshape(-1, 8)
    is_plain = ((classic[:, 2] & _U(0xFFFFFFFF)) != _TEN_MICROSECONDS).all() and int(ticks.max()) < _MAX_TIME_NS
    if not is_plain or int(parts[:, 2].max()) >= 0x80 or int(parts[:, 3].min()) < CLASSIC_BYTES:
        return None
    channel = word.astype(np.uint16)
    can_id = (word >> _U(32)).astype(np.uint32)
    if (channel != channel[0]).any() or _is_impossible(can_id).any():
        return None
    no, count = np.broadcast_to(np.False_, channel.shape), channel.size
    return FrameTable(
        time_ns=ticks.view(np.int64) + start_ns,
        can_id=can_id & np.uint32(MAX_EXTENDED_ID),
        is_extended=can_id >= _EXTENDED_FLAG,
        is_fd=no,
        is_remote=no,
        is_error=no,
        bus=np.broadcast_to(np.uint8(0), channel.shape),
        length=np.broadcast_to(np.uint8(CLASSIC_BYTES), channel.shape),
        payload=classic[:, 5].copy().view(np.uint8).reshape(count, CLASSIC_BYTES),
        buses=(str(int(channel[0])),),
    )


def _columns(header: Words, count: int, start_ns: int, *, wide: bool) -> _Columns:
    ticks = header[3]
    in_ten_microseconds = (header[2] & _U(0xFFFFFFFF)) == _TEN_MICROSECONDS
    is_broken = ticks >= _MAX_TIME_NS
    if in_ten_microseconds.any():
        is_broken |= in_ten_microseconds & (ticks >= _MAX_TIME_NS // _U(10_000))
        ticks = np.where(in_ten_microseconds, ticks * _U(10_000), ticks)
    return _Columns(
        time_ns=ticks.view(np.int64) + start_ns,
        can_id=np.zeros(count, np.uint32),
        channel=np.zeros(count, np.uint16),
        length=np.zeros(count, np.uint8),
        payload=np.zeros((count, FD_BYTES if wide else CLASSIC_BYTES), np.uint8),
        is_fd=np.zeros(count, np.bool_),
        is_remote=np.zeros(count, np.bool_),
        is_error=np.zeros(count, np.bool_),
        is_broken=is_broken,
    )


Rows: TypeAlias = slice | IntArray


@dataclass(frozen=True, slots=True)
class _Bodies:
    """What follows the header of each frame object: where, and how many bytes."""

    data: NDArray[np.uint8]
    at: IntArray
    size: IntArray
    header_bytes: IntArray

    def of(self, rows: Rows) -> _Bodies:
        return _Bodies(self.data, self.at[rows], self.size[rows], self.header_bytes[rows])


def _read_classic(body: _Bodies, columns: _Columns, rows: Rows) -> None:
    """Channel u16, flags u8, DLC u8, identifier u32, data 8."""
    words = gather(body.data, body.at, 2)
    _channel_flags_dlc(words[0], columns, rows)
    # A DLC above 8 means eight bytes on a classic bus.
    length = np.minimum(columns.length[rows], CLASSIC_BYTES)
    columns.length[rows] = length
    columns.is_broken[rows] |= body.size < 8 + length.astype(np.int64)
    columns.payload[rows, :CLASSIC_BYTES] = words[1].view(np.uint8).reshape(-1, 8)


def _channel_flags_dlc(word: Words, columns: _Columns, rows: Rows) -> None:
    columns.channel[rows] = word.astype(np.uint16)
    columns.can_id[rows] = word >> _U(32)
    parts = word.view(np.uint8)
    columns.is_remote[rows] = parts[2::8] >= 0x80
    columns.length[rows] = parts[3::8]


def _read_fd(body: _Bodies, columns: _Columns, rows: Rows) -> None:
    """As a classic frame, then frame length u32, bit count u8, FD flags u8, valid bytes u8, 5 spare, data 64."""
    words = gather(body.data, body.at, 2)
    _channel_flags_dlc(words[0], columns, rows)
    parts = words[1].view(np.uint8)
    columns.is_fd[rows] = (parts[5::8] & 1) != 0
    length = parts[6::8]
    columns.length[rows] = length
    columns.is_broken[rows] |= (length > FD_BYTES) | (body.size < 20 + length.astype(np.int64))
    columns.payload[rows] = gather_rows(body.data, body.at + 20, FD_BYTES)


def _read_fd_64(body: _Bodies, columns: _Columns, rows: Rows) -> None:
    """Channel u8, DLC u8, valid bytes u8, count u8, identifier u32, ... flags u32 at 12, ... extra data offset at 35.

    Fewer data bytes may be stored than are valid; the missing ones are zero.
    """
    words = gather(body.data, body.at, 5)
    columns.channel[rows] = words[0] & _U(0xFF)
    columns.can_id[rows] = words[0] >> _U(32)
    length = words[0].view(np.uint8)[2::8]
    flags = words[1] >> _U(32)
    columns.is_fd[rows] = (flags & _U(0x1000)) != 0
    columns.is_remote[rows] = (flags & _U(0x10)) != 0
    extra = words[4].view(np.uint8)[3::8].astype(np.int64)
    stored = np.where(extra > 0, extra - body.header_bytes, body.size) - 40
    columns.length[rows] = length
    columns.is_broken[rows] |= length > FD_BYTES
    payload = gather_rows(body.data, body.at + 40, FD_BYTES)
    payload[np.arange(FD_BYTES) >= stored[:, np.newaxis]] = 0
    columns.payload[rows] = payload


def _read_error_ext(body: _Bodies, columns: _Columns, rows: Rows) -> None:
    """Channel u16, ... DLC u8 at 10, identifier u32 at 16, data 8 at 24."""
    words = gather(body.data, body.at, 4)
    columns.channel[rows] = words[0].astype(np.uint16)
    columns.length[rows] = np.minimum(words[1].view(np.uint8)[2::8], CLASSIC_BYTES)
    columns.can_id[rows] = words[2] & _U(0xFFFFFFFF)
    columns.is_error[rows] = True
    columns.payload[rows, :CLASSIC_BYTES] = words[3].view(np.uint8).reshape(-1, 8)


def _read_error(body: _Bodies, columns: _Columns, rows: Rows) -> None:
    """Channel u16."""
    columns.channel[rows] = gather(body.data, body.at).astype(np.uint16)
    columns.is_error[rows] = True


def _read_fd_error_64(body: _Bodies, columns: _Columns, rows: Rows) -> None:
    """Channel u8, ... identifier u32 at 12."""
    words = gather(body.data, body.at, 2)
    columns.channel[rows] = words[0] & _U(0xFF)
    columns.can_id[rows] = words[1] >> _U(32)
    columns.is_error[rows] = True


_WIDE: Final = (CAN_FD_MESSAGE, CAN_FD_MESSAGE_64)
_READERS: Final[dict[int, Callable[[_Bodies, _Columns, Rows], None]]] = {
    CAN_MESSAGE: _read_classic,
    CAN_MESSAGE2: _read_classic,
    CAN_ERROR: _read_error,
    CAN_ERROR_EXT: _read_error_ext,
    CAN_FD_MESSAGE: _read_fd,
    CAN_FD_MESSAGE_64: _read_fd_64,
    CAN_FD_ERROR_64: _read_fd_error_64,
}


def _table(columns: _Columns) -> FrameTable:
    length = columns.length
    if columns.is_remote.any():
        length = np.where(columns.is_remote, np.uint8(0), length)
    words = columns.payload.view(_U)
    if (length != columns.payload.shape[1]).any():
        for word in range(words.shape[1]):
            words[:, word] &= KEEP_FIRST[np.clip(length.astype(np.int64) - 8 * word, 0, 8)]
    buses, bus = _buses(columns)
    is_extended = columns.can_id >= _EXTENDED_FLAG
    can_id = columns.can_id & np.uint32(MAX_EXTENDED_ID)
    columns.is_broken |= _is_impossible(columns.can_id) & ~columns.is_error
    keep = slice(None) if not columns.is_broken.any() else ~columns.is_broken
    return FrameTable(
        time_ns=columns.time_ns[keep],
        can_id=can_id[keep],
        is_extended=is_extended[keep],
        is_fd=columns.is_fd[keep],
        is_remote=columns.is_remote[keep],
        is_error=columns.is_error[keep],
        bus=bus[keep],
        length=length[keep],
        payload=columns.payload[keep],
        buses=buses,
    )


def _is_impossible(can_id: NDArray[np.uint32]) -> BoolArray:
    """Identifiers of more than 11 bits, with the extended flag of more than 29: only damage makes them."""
    largest = np.where(can_id < _EXTENDED_FLAG, np.uint32(MAX_STANDARD_ID), np.uint32(MAX_EXTENDED_ID))
    return np.asarray((can_id & ~_EXTENDED_FLAG) > largest)


def _buses(columns: _Columns) -> tuple[tuple[str, ...], NDArray[np.uint8]]:
    channel = columns.channel
    if not channel.size:
        return (), np.zeros(0, np.uint8)
    if (channel == channel[0]).all():
        return (str(int(channel[0])),), np.zeros(channel.size, np.uint8)
    numbers = np.flatnonzero(np.bincount(channel))
    if numbers.size > MAX_BUSES:
        columns.is_broken |= np.searchsorted(numbers, channel) >= MAX_BUSES
        numbers = numbers[:MAX_BUSES]
    index_of = np.zeros(1 << 16, np.uint8)
    index_of[numbers] = np.arange(numbers.size)
    return tuple(str(number) for number in numbers.tolist()), index_of[channel]

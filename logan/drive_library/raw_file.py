"""Everything the logs of one drive said, as raw columns in one file: any signal can be decoded from it later.

The file holds arrays as they lie in memory, each at a multiple of eight bytes, then an index in JSON,
the index's CRC-32 and length, and a mark. It is mapped, not read: decoding one signal touches the blocks
of its message only. A drive whose logs have several clocks has one part for each.

A block of frames is its payloads, times and lengths. Times are 32-bit counts of a step from the first one
where that loses nothing, else 64-bit nanoseconds; one length that all frames share is in the index alone.
Columns of tables are packed: they are few, and read whole.
"""

from __future__ import annotations

import contextlib
import json
import zlib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from logan.errors import DriveLibraryError, in_our_words
from logan.frames.grouping import FrameKey
from logan.frames.raw_columns import MessageColumns
from logan.frames.table import SignalColumn, SignalTable, SkippedPart
from logan.results import json_content
from logan.units import IntArray

_MARK: Final = b"logan-frames/1\n\n"
_FOOTER_BYTES: Final = 12 + len(_MARK)
_ALIGN_BYTES: Final = 8
_VALUE_TYPES: Final = ("<f8", "<i8", "<u8")
_TABLE_FIELDS: Final = ("log_format", "frame_count", "skipped_count", "is_truncated", "error_count")
_COLUMN_FIELDS: Final = ("name", "message", "bus", "unit", "comment", "minimum", "maximum")
_ROWS_AT: Final = 3
"""In what the index has for a block or a packed array: behind its place."""

_PACKING: Final = "zstd"
_SAMPLE_ROWS: Final = 64

_REMEDY: Final = "Import the log again to keep its frames, or delete this file to do without"


@dataclass(frozen=True, slots=True)
class _Place:
    """Where an array lies in the file."""

    offset: int
    size_bytes: int
    crc32: int

    def bytes_of(self, content: NDArray[np.uint8]) -> NDArray[np.uint8]:
        return content[self.offset : self.offset + self.size_bytes]


@dataclass(frozen=True, slots=True)
class _Block:
    """Frames of one message; ``step_ns`` of 0 stands for 64-bit times, ``length`` of -1 for one a frame."""

    place: _Place
    rows: int
    width: int
    first_ns: int
    step_ns: int
    length: int

    def columns(self, content: NDArray[np.uint8]) -> MessageColumns:
        stored = self.place.bytes_of(content)
        data_end = self.rows * self.width
        times_end = data_end + self.rows * (4 if self.step_ns else 8)
        time_ns: IntArray
        if self.step_ns:
            time_ns = stored[data_end:times_end].view("<u4").astype(np.int64)
            time_ns *= self.step_ns
            time_ns += self.first_ns
        else:
            time_ns = stored[data_end:times_end].view("<i8")
        length = stored[times_end:] if self.length < 0 else np.broadcast_to(np.uint8(self.length), (self.rows,))
        return MessageColumns(time_ns=time_ns, payload=stored[:data_end].reshape(self.rows, self.width), length=length)

    @property
    def size_bytes(self) -> int:
        return self.rows * ((4 if self.step_ns else 8) + self.width + (self.length < 0))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RawPart:
    """What the logs of one clock held.

    Parameters
    ----------
    table : SignalTable
        Columns of tables, all of them; and what was noted while the logs were read.
    log_count : int
        How many logs.
    """

    table: SignalTable
    log_count: int
    _file: RawFile
    _blocks: Mapping[FrameKey, list[list[int]]]

    @property
    def counts(self) -> dict[FrameKey, int]:
        """Frames by bus and identifier, in the order in which they turned up."""
        return {key: sum(numbers[_ROWS_AT] for numbers in blocks) for key, blocks in self._blocks.items()}

    def blocks(self, key: FrameKey) -> Iterator[MessageColumns]:
        """Frames of a key, block by block, in the order of the log; mostly views into the file."""
        return (self._file.columns(numbers) for numbers in self._blocks[key])


class RawFile:
    """The raw columns of a drive, mapped from its file.

    Parameters
    ----------
    path : Path
        As ``RawFileWriter`` wrote it.

    Raises
    ------
    DriveLibraryError
        If it is no such file, or its index is damaged.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        try:
            self._content: NDArray[np.uint8] = np.asarray(np.memmap(path, np.uint8, "r"))
            index = _read_index(self._content)
            self._index_start = self._content.size - _FOOTER_BYTES - len(index)
            self._index: list[dict[str, Any]] = json_content(index)["parts"]
            self.parts: tuple[RawPart, ...] = tuple(self._part(entry) for entry in self._index)
        except (OSError, ValueError, LookupError, TypeError, AttributeError) as error:
            raise self._damaged() from error

    def verify(self) -> None:
        """Read every byte.

        Raises
        ------
        DriveLibraryError
            If any of them is not what was written.
        """
        if any(zlib.crc32(place.bytes_of(self._content).data) != place.crc32 for place in self._places()):
            raise self._damaged()

    def columns(self, numbers: Sequence[int]) -> MessageColumns:
        """Frames of a block, from the numbers that the index has for it."""
        try:
            return self._block(*numbers).columns(self._content)
        except (ValueError, TypeError) as error:
            raise self._damaged() from error

    def _places(self) -> Iterator[_Place]:
        for entry in self._index:
            yield self._place(*entry["error_time_ns"])
            for column in entry["columns"]:
                yield from (self._place(*column[name][:_ROWS_AT]) for name in ("time_ns", "value"))
            for *_, blocks in entry["messages"]:
                yield from (self._place(*numbers[:_ROWS_AT]) for numbers in blocks)

    def _damaged(self) -> DriveLibraryError:
        return DriveLibraryError("the frames of a drive are damaged", _REMEDY, self.path)

    def _part(self, entry: Mapping[str, Any]) -> RawPart:
        blocks = {
            FrameKey(str(bus), int(can_id), bool(is_extended)): places
            for bus, can_id, is_extended, places in entry["messages"]
        }
        table = SignalTable(
            columns=tuple(self._column(column) for column in entry["columns"]),
            **{name: entry[name] for name in _TABLE_FIELDS},
            lost_count=entry.get("lost_count", 0),
            skipped=tuple(SkippedPart(str(place), str(reason)) for place, reason in entry["skipped"]),
            error_time_ns=self._array(entry["error_time_ns"], "<i8"),
            clashes=tuple(entry["clashes"]),
        )
        return RawPart(table=table, log_count=int(entry["log_count"]), _file=self, _blocks=blocks)

    def _place(self, offset: Any, size_bytes: Any, crc32: Any) -> _Place:
        place = _Place(int(offset), int(size_bytes), int(crc32))
        is_inside = place.offset >= 0 and place.size_bytes >= 0 and place.offset + place.size_bytes <= self._index_start
        if not is_inside or place.offset % _ALIGN_BYTES:
            raise ValueError("an array lies outside the file")
        return place

    def _block(self, offset: Any, size_bytes: Any, crc32: Any, *numbers: Any) -> _Block:
        block = _Block(self._place(offset, size_bytes, crc32), *(int(number) for number in numbers))
        if block.width not in (8, 64) or block.rows < 1 or block.length > block.width:
            raise ValueError("a block has an impossible shape")
        if block.step_ns < 0 or block.size_bytes != block.place.size_bytes:
            raise ValueError("a block does not have the size it should")
        return block

    def _array(self, place: Iterable[Any], dtype: str) -> NDArray[Any]:
        return self._place(*place).bytes_of(self._content).view(dtype)

    def _packed(self, place: Sequence[Any], dtype: str) -> NDArray[Any]:
        import pyarrow as pa

        stored = self._place(*place[:_ROWS_AT]).bytes_of(self._content)
        content = pa.decompress(stored, decompressed_size=int(place[_ROWS_AT]), codec=_PACKING, asbytes=True)
        return np.frombuffer(content, dtype)

    def _column(self, entry: Mapping[str, Any]) -> SignalColumn:
        if entry["dtype"] not in _VALUE_TYPES:
            raise ValueError("a column is of an unknown type")
        time_ns, value = self._packed(entry["time_ns"], "<i8"), self._packed(entry["value"], entry["dtype"])
        if time_ns.size != value.size:
            raise ValueError("a column has more values than times")
        return SignalColumn(
            **{name: entry[name] for name in _COLUMN_FIELDS},
            choices={int(value): str(text) for value, text in entry["choices"]},
            time_ns=time_ns,
            value=value,
        )


def _read_index(content: NDArray[np.uint8]) -> bytes:
    """The index, checked.

    Raises
    ------
    ValueError
        If it is damaged.
    """
    footer = content[-_FOOTER_BYTES:].tobytes()
    if footer[12:] != _MARK:
        raise ValueError("no mark at the end")
    end = content.size - _FOOTER_BYTES
    start = end - int.from_bytes(footer[4:12], "little")
    index = content[max(start, 0) : end].tobytes()
    if start < 0 or zlib.crc32(index) != int.from_bytes(footer[:4], "little"):
        raise ValueError("the index is damaged")
    return index


class RawFileWriter:
    """Writes the raw columns of a drive in flat memory, part by part; ``finish`` makes the file whole.

    Parameters
    ----------
    path : Path
        New file; the caller gives it its name in the library, or deletes it.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._offset = 0
        self._parts: list[dict[str, Any]] = []
        self._messages: dict[FrameKey, list[list[int]]] = {}
        self._file = path.open("xb")

    def __enter__(self) -> RawFileWriter:
        return self

    def __exit__(self, *_: object) -> None:
        # What is not finished is thrown away: that its last bytes find no room is nobody's error any more.
        with contextlib.suppress(OSError):
            self._file.close()

    @property
    def size_bytes(self) -> int:
        """Written so far; nothing before the first frame or column. [bytes]"""
        return self._offset

    def append(self, key: FrameKey, columns: MessageColumns) -> None:
        """Write a block of frames of one message; nothing of it is kept."""
        rows, width = columns.payload.shape
        if not rows:
            return
        first_ns, step_ns, times = _compact_times(columns.time_ns)
        length = int(columns.length[0])
        arrays: list[NDArray[Any]] = [columns.payload, times]
        if (columns.length != length).any():
            length = -1
            arrays.append(columns.length)
        place = self._write(arrays)
        self._messages.setdefault(key, []).append([*place, rows, width, first_ns, step_ns, length])

    def end_part(self, table: SignalTable, log_count: int = 1) -> None:
        """Close what the logs of one clock held, with the columns of tables and what was noted while reading."""
        messages, self._messages = self._messages, {}
        self._parts.append(
            {
                **{name: getattr(table, name) for name in _TABLE_FIELDS},
                "lost_count": table.lost_count,
                "log_count": log_count,
                "messages": [[key.bus, key.can_id, key.is_extended, blocks] for key, blocks in messages.items()],
                "columns": self._columns(table.columns),
                "skipped": [[part.place, part.reason] for part in table.skipped],
                "error_time_ns": self._write([table.error_time_ns.astype("<i8")]),
                "clashes": list(table.clashes),
            }
        )

    def _columns(self, columns: Sequence[SignalColumn]) -> list[dict[str, Any]]:
        """Write columns; those that share their times share them in the file too."""
        times: dict[int, list[int]] = {}
        entries = []
        for column in columns:
            if id(column.time_ns) not in times:
                times[id(column.time_ns)] = self._write_packed(column.time_ns.astype("<i8"))
            value = column.value.astype(column.value.dtype.newbyteorder("<"))
            entries.append(
                {
                    **{name: getattr(column, name) for name in _COLUMN_FIELDS},
                    "choices": list(column.choices.items()),
                    "time_ns": times[id(column.time_ns)],
                    "value": self._write_packed(value),
                    "dtype": value.dtype.str,
                }
            )
        return entries

    def finish(self) -> None:
        """Write the index and close the file."""
        index = json.dumps({"parts": self._parts}, separators=(",", ":")).encode()
        footer = zlib.crc32(index).to_bytes(4, "little") + len(index).to_bytes(8, "little") + _MARK
        self._put(np.frombuffer(index + footer, np.uint8))
        self._file.close()

    def _write(self, arrays: Iterable[NDArray[Any]]) -> list[int]:
        """Write arrays one behind the other; offset, size and CRC-32 of all of them."""
        start, crc32 = self._offset, 0
        for array in arrays:
            content = np.ascontiguousarray(array).reshape(-1).view(np.uint8)
            crc32 = zlib.crc32(content.data, crc32)
            self._put(content)
        size_bytes = self._offset - start
        self._put(np.zeros(-size_bytes % _ALIGN_BYTES, np.uint8))
        return [start, size_bytes, crc32]

    def _write_packed(self, array: NDArray[Any]) -> list[int]:
        """Write an array packed; offset, size and CRC-32 of what is written, and the size unpacked."""
        import pyarrow as pa

        packed = pa.compress(np.ascontiguousarray(array).data, codec=_PACKING, asbytes=True)
        return [*self._write([np.frombuffer(packed, np.uint8)]), array.nbytes]

    def _put(self, content: NDArray[np.uint8]) -> None:
        remedy = "Make room, or choose another folder; nothing was stored"
        with in_our_words(DriveLibraryError, "the frames could not be stored ({})", remedy, self.path.parent):
            self._file.write(content.data)
        self._offset += content.size


def _compact_times(time_ns: IntArray) -> tuple[int, int, NDArray[Any]]:
    """First time, step and 32-bit counts of steps; a step of 0 and the times themselves where that loses something."""
    first_ns = int(time_ns.min())
    offsets = time_ns - first_ns
    # The step of a few rows is nearly always that of all, which a division shows faster than all their divisors.
    step_ns = int(np.gcd.reduce(offsets[:_SAMPLE_ROWS])) or 1
    counts = offsets // step_ns
    if step_ns == 1 or (counts * step_ns != offsets).any():
        step_ns = int(np.gcd.reduce(offsets)) or 1
        counts = offsets // step_ns
    if int(counts.view(np.uint64).max()) < 2**32:
        return first_ns, step_ns, counts.astype("<u4")
    return 0, 0, time_ns.astype("<i8")

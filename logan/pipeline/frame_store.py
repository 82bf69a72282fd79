"""The frames of a drive in one file of raw columns, from which any signal is decoded without the log.

The file holds blocks of one identifier each (times, payloads, lengths, as they lie in memory),
then an index in JSON, its length and a mark. It is mapped, not read: decoding one signal touches
the blocks of its message only.
"""

from __future__ import annotations

import contextlib
import json
import os
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, BinaryIO, Final

import numpy as np
from numpy.typing import NDArray

from logan.errors import LogReadError
from logan.frames.decode import MessageDecoder
from logan.frames.grouping import FrameKey
from logan.frames.raw_columns import MessageColumns, RawColumnsBuilder
from logan.frames.table import SignalColumn, SignalTable
from logan.logs.log_format import ReadOptions
from logan.pipeline.bus_layouts import BusLayouts
from logan.pipeline.ingest import check_dbc, decoding_order, wanted_filter
from logan.pipeline.logs_reader import LogsReader, Progress
from logan.settings import ChannelSource

SUFFIX: Final = ".frames"

_MARK: Final = b"logan-frames/1\n\n"
_FOOTER_BYTES: Final = 8 + len(_MARK)
_ALIGN_BYTES: Final = 8


def store_frames(
    paths: Sequence[Path],
    target: Path,
    *,
    format_name: str | None = None,
    column_layout: str = "",
    threads: int = 2,
    progress: Progress | None = None,
    is_cancelled: Callable[[], bool] | None = None,
) -> int:
    """Store the data frames of the logs of one drive, in flat memory; no DBC is needed.

    Parameters
    ----------
    paths : sequence of Path
        As in ``read_logs``; tables of channels are passed over.
    target : Path
        File to write; it appears when it is complete, and not at all if anything goes wrong.
    format_name, column_layout, threads, progress, is_cancelled
        As in ``read_logs``.

    Returns
    -------
    int
        Frames stored.

    Raises
    ------
    LogReadError
        If a log cannot be read, or was cancelled.
    """
    options = ReadOptions(column_layout=column_layout, threads=threads, is_hashed=len(paths) > 1)
    reader = LogsReader(paths, options, format_name=format_name, progress=progress, is_cancelled=is_cancelled)
    part = target.with_name(f".{target.name}.part-{os.getpid()}")
    try:
        with part.open("wb") as file:
            writer = _Writer(file)
            builder = RawColumnsBuilder(lambda key: True, writer.append)
            for _ in reader.read(builder):
                pass
            reader.check_not_empty(builder, ())
            writer.finish()
        part.replace(target)
    finally:
        with contextlib.suppress(OSError):
            part.unlink()
    return sum(builder.counts.values())


class FrameStore:
    """Frames of a drive, mapped from its file.

    Parameters
    ----------
    path : Path
        As ``store_frames`` wrote it.

    Raises
    ------
    LogReadError
        If it is no such file, or damaged.
    """

    def __init__(self, path: Path) -> None:
        try:
            self._bytes: NDArray[np.uint8] = np.memmap(path, np.uint8, "r")
            self._blocks = _read_index(self._bytes)
        except (OSError, ValueError, KeyError, TypeError) as error:
            detail = f" ({error.strerror})" if isinstance(error, OSError) else ""
            raise LogReadError(
                f"this is no file of stored frames, or it is damaged{detail}", "Import the log again", path
            ) from error
        self.path = path

    @property
    def counts(self) -> dict[FrameKey, int]:
        """Frames by bus and identifier."""
        return {key: sum(rows for _, rows, _ in blocks) for key, blocks in self._blocks.items()}

    def blocks(self, key: FrameKey) -> Iterator[MessageColumns]:
        """Frames of a key, block by block, in the order of the log; views into the file."""
        for offset, rows, width in self._blocks[key]:
            payload = offset + 8 * rows
            length = payload + width * rows
            yield MessageColumns(
                time_ns=self._bytes[offset:payload].view("<i8"),
                payload=self._bytes[payload:length].reshape(rows, width),
                length=self._bytes[length : length + rows],
            )

    def decode(
        self,
        *,
        dbcs: Sequence[Path] = (),
        dbc_by_bus: Mapping[str, Sequence[Path]] | None = None,
        wanted: Collection[str] | None = None,
        overrides: Iterable[ChannelSource] = (),
    ) -> SignalTable:
        """Signals of the stored frames; the arguments and the result are those of ``read_signals``."""
        return self.decode_with(BusLayouts(dbcs, dbc_by_bus or {}, overrides), wanted)

    def decode_with(self, layouts: BusLayouts, wanted: Collection[str] | None = None) -> SignalTable:
        """Signals of the stored frames, by layouts that are loaded already."""
        counts = self.counts
        unknown = {key: count for key, count in counts.items() if layouts.find(key) is None}
        check_dbc(layouts, counts, unknown)
        want = None if wanted is None else frozenset(wanted)
        columns: list[SignalColumn] = []
        for key, message in decoding_order(counts, layouts):
            layout = layouts.find(key)
            assert layout is not None  # decoding_order leaves out the others
            keep = wanted_filter(want, key.bus, layout.name)
            if keep is None or any(keep(signal) for signal in layout.signals):
                decoder = MessageDecoder(layout, bus=key.bus, message=message, wanted=keep)
                done = 0
                for block in self.blocks(key):
                    done += len(block)
                    decoder.append(block, counts[key] / done)
                columns += decoder.columns()
        return SignalTable(
            columns=tuple(columns),
            log_format="stored frames",
            frame_count=sum(counts.values()),
            unknown_ids={f"{key.bus}/{key.id_text}" if key.bus else key.id_text: unknown[key] for key in unknown},
        )


class _Writer:
    """Appends blocks to a file of stored frames."""

    def __init__(self, file: BinaryIO) -> None:
        self._file = file
        self._offset = 0
        self._blocks: dict[FrameKey, list[list[int]]] = {}

    def append(self, key: FrameKey, columns: MessageColumns) -> None:
        rows, width = columns.payload.shape
        self._blocks.setdefault(key, []).append([self._offset, rows, width])
        for array in (columns.time_ns, columns.payload, columns.length):
            self._offset += self._file.write(np.ascontiguousarray(array).data)
        self._offset += self._file.write(b"\x00" * (-self._offset % _ALIGN_BYTES))

    def finish(self) -> None:
        index = [[key.bus, key.can_id, key.is_extended, blocks] for key, blocks in self._blocks.items()]
        body = json.dumps(index, separators=(",", ":")).encode()
        self._file.write(body + len(body).to_bytes(8, "little") + _MARK)


def _read_index(content: NDArray[np.uint8]) -> dict[FrameKey, list[tuple[int, int, int]]]:
    """Blocks by key; everything in the file is checked before it is used.

    Raises
    ------
    ValueError, KeyError, TypeError
        If the file is damaged.
    """
    footer = content[-_FOOTER_BYTES:].tobytes()
    if footer[8:] != _MARK:
        raise ValueError("no mark at the end")
    end = content.size - _FOOTER_BYTES
    start = end - int.from_bytes(footer[:8], "little")
    if start < 0:
        raise ValueError("the index is longer than the file")
    blocks: dict[FrameKey, list[tuple[int, int, int]]] = {}
    for bus, can_id, is_extended, places in json.loads(content[start:end].tobytes()):
        key = FrameKey(str(bus), int(can_id), bool(is_extended))
        blocks[key] = [_checked(place, start) for place in places]
    return blocks


def _checked(place: Any, end: int) -> tuple[int, int, int]:
    offset, rows, width = (int(number) for number in place)
    is_inside = offset >= 0 and rows > 0 and offset + rows * (8 + width + 1) <= end
    if not is_inside or width not in (8, 64) or offset % _ALIGN_BYTES:
        raise ValueError("a block lies outside the file")
    return offset, rows, width

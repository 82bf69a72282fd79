"""Write every signal of a log, at its native rate, to a folder of Parquet files, in flat memory."""

from __future__ import annotations

import os
import re
import shutil
from collections.abc import Callable, Mapping, Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from logan.errors import UsageError
from logan.frames.decode import GroupTable, MessageDecoder
from logan.frames.grouping import FrameKey
from logan.frames.raw_columns import MessageColumns, RawColumnsBuilder
from logan.logs.log_format import ReadOptions
from logan.pipeline.dbc_files import BusLayouts
from logan.pipeline.ingest import check_dbc, no_dbc
from logan.pipeline.logs_reader import LogsReader, Progress

_COMPRESSION: Final = ("zstd", 1)


def export_parquet(
    paths: Sequence[Path],
    folder: Path,
    *,
    dbcs: Sequence[Path],
    dbc_by_bus: Mapping[str, Sequence[Path]] | None = None,
    format_name: str | None = None,
    column_layout: str = "",
    bus_of: Mapping[Path, str] | None = None,
    threads: int = 2,
    progress: Progress | None = None,
    is_cancelled: Callable[[], bool] | None = None,
) -> tuple[Path, ...]:
    """Write the signals of the frames of one drive, one file for the signals that come in the same frames.

    Parameters
    ----------
    paths, dbcs, dbc_by_bus, format_name, column_layout, bus_of, threads, progress, is_cancelled
        As in ``read_logs``; tables of channels are passed over.
    folder : Path
        Appears when it is complete, and not at all if anything goes wrong; must not be there before.

    Returns
    -------
    tuple of Path
        The files: ``time_ns`` and one column a signal, null where the frame was too short for it.
        Units are in the fields' metadata.

    Raises
    ------
    UsageError
        If the folder is there already.
    LogReadError, DbcError
        As ``read_logs``.
    """
    if folder.exists():
        raise UsageError(f"{folder} is there already", "Give a folder that does not exist yet")
    layouts = BusLayouts(dbcs, dbc_by_bus or {})
    options = ReadOptions(column_layout=column_layout, threads=threads, is_hashed=len(paths) > 1)
    reader = LogsReader(
        paths, options, format_name=format_name, progress=progress, is_cancelled=is_cancelled, bus_of=bus_of
    )
    if not layouts:
        raise no_dbc(paths[0])
    part = folder.with_name(f".{folder.name}.part-{os.getpid()}")
    part.mkdir(parents=True)
    try:
        with ExitStack() as stack:
            export = _Export(part, layouts, stack)
            builder = RawColumnsBuilder(lambda key: layouts.find(key) is not None, export.append)
            for _ in reader.read(builder):
                pass
            reader.check_not_empty(builder, ())
        check_dbc(layouts, builder.counts, {key: n for key, n in builder.counts.items() if layouts.find(key) is None})
        part.rename(folder)
    finally:
        shutil.rmtree(part, ignore_errors=True)
    return tuple(sorted(folder.iterdir()))


class _Export:
    """Files that are being written."""

    def __init__(self, folder: Path, layouts: BusLayouts, stack: ExitStack) -> None:
        self._folder, self._layouts, self._stack = folder, layouts, stack
        self._decoders: dict[FrameKey, MessageDecoder] = {}
        self._writers: dict[tuple[FrameKey, int], Any] = {}

    def append(self, key: FrameKey, columns: MessageColumns) -> None:
        if key not in self._decoders:
            layout = self._layouts.find(key)
            assert layout is not None  # the builder keeps no others
            self._decoders[key] = MessageDecoder(layout, bus=key.bus)
        decoder = self._decoders[key]
        decoder.clear()
        decoder.append(columns)
        for number, table in enumerate(decoder.tables()):
            if table.time_ns.size:
                self._write(key, number, table)

    def _write(self, key: FrameKey, number: int, table: GroupTable) -> None:
        import pyarrow as pa

        writer = self._writers.get((key, number))
        if writer is None:
            writer = self._writers[key, number] = self._stack.enter_context(self._open(key, table))
        arrays = [pa.array(table.time_ns)]
        for value, absent in zip(table.values, table.absent, strict=True):
            arrays.append(pa.array(value, mask=_mask(absent, value.size)))
        writer.write_table(pa.Table.from_arrays(arrays, schema=writer.schema))

    def _open(self, key: FrameKey, table: GroupTable) -> Any:
        import pyarrow as pa
        import pyarrow.parquet as pq

        layout = self._layouts.find(key)
        name = "_".join(part for part in (key.bus, layout.name if layout else "", key.id_text) if part)
        fields = [pa.field("time_ns", pa.int64())]
        for signal, value in zip(table.signals, table.values, strict=True):
            fields.append(pa.field(signal.name, pa.from_numpy_dtype(value.dtype), metadata={"unit": signal.unit}))
        floats = [field.name for field in fields if pa.types.is_floating(field.type)]
        return pq.ParquetWriter(
            self._free_path(_file_name(name)),
            pa.schema(fields),
            compression=_COMPRESSION[0],
            compression_level=_COMPRESSION[1],
            use_dictionary=False,
            use_byte_stream_split=floats,
            column_encoding={field.name: "DELTA_BINARY_PACKED" for field in fields if field.name not in floats},
            write_statistics=False,
        )

    def _free_path(self, stem: str) -> Path:
        path, number = self._folder / f"{stem}.parquet", 0
        while path.exists():
            number += 1
            path = self._folder / f"{stem}_{number}.parquet"
        return path


def _mask(absent: NDArray[np.int64] | None, count: int) -> NDArray[np.bool_] | None:
    if absent is None:
        return None
    mask = np.zeros(count, bool)
    mask[absent] = True
    return mask


def _file_name(name: str) -> str:
    """A name without anything that a file system could take for something else."""
    return re.sub(r"[^A-Za-z0-9_.-]", "-", name).lstrip(".") or "message"

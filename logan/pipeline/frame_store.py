"""Signals out of what logs said: of a stored drive again, or of a log into a folder of Parquet files."""

from __future__ import annotations

import os
import re
import shutil
from collections.abc import Collection, Iterable, Sequence
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from logan.drive_library.raw_file import RawFile, RawPart
from logan.drive_library.records import DriveRecord
from logan.drive_library.repository import DriveLibrary
from logan.drive_library.tables import safe_cell
from logan.errors import DriveLibraryError, UsageError
from logan.frames.decode import GroupTable, MessageDecoder
from logan.frames.grouping import FrameKey
from logan.frames.raw_columns import MessageColumns, RawColumnsBuilder
from logan.frames.table import SignalColumn, SignalTable
from logan.pipeline.builds import BuildFolder
from logan.pipeline.dbc_files import BusLayouts
from logan.pipeline.export import written_whole
from logan.pipeline.importing import ImportedDrive, assemble, notes_of
from logan.pipeline.ingest import Ingested, asked_for, check_dbc, decoding_order, no_dbc, wanted_filter
from logan.pipeline.logs_reader import PLAINLY, LogsReader, Reading, in_time_order
from logan.pipeline.stored import store_analysed
from logan.results import Told, silent
from logan.settings import AnalysisSettings, BuildSettings, ChannelMap

if TYPE_CHECKING:
    import pyarrow as pa


def kept_raw(library: DriveLibrary, drive: int | str) -> RawFile:
    """What the logs of a stored drive said.

    Raises
    ------
    DriveLibraryError
        If it was not kept, or is damaged.
    """
    raw = library.raw(drive)
    if raw is None:
        raise DriveLibraryError(
            f"of drive {library.record(drive).number} only the channels are kept, not what its logs said besides",
            "Import its logs again: logan import LOG --again",
            library.path(drive),
        )
    raw.verify()
    return raw


def decode_part(part: RawPart, layouts: BusLayouts, wanted: Collection[str] | None = None) -> SignalTable:
    """Signals of stored frames and tables, as ``read_logs`` gave them from the logs.

    Parameters
    ----------
    part : RawPart
        What the logs of one clock said.
    layouts : BusLayouts
        The messages, with the user's overrides.
    wanted : collection of str, optional
        As in ``read_logs``; only the blocks of their messages are touched.

    Returns
    -------
    SignalTable
        A new one; the columns of tables are views into the file.

    Raises
    ------
    DbcError
        If the DBC does not belong to the frames.
    """
    counts = part.counts
    unknown_ids = check_dbc(layouts, counts)
    want = None if wanted is None else frozenset(wanted)
    columns: list[SignalColumn] = []
    for key, message in decoding_order(counts, layouts):
        layout = layouts.find(key)
        assert layout is not None  # decoding_order leaves out the others
        keep = wanted_filter(want, key.bus, layout.name)
        if keep is None or any(keep(signal) for signal in layout.signals):
            decoder = MessageDecoder(layout, bus=key.bus, message=message, wanted=keep)
            done = 0
            for block in part.blocks(key):
                done += len(block)
                decoder.append(block, counts[key] / done)
            columns += decoder.columns()
    return replace(
        part.table,
        columns=(*in_time_order(columns, part.log_count), *asked_for(part.table.columns, want)),
        unknown_ids=unknown_ids,
    )


def export_signals(
    library: DriveLibrary,
    drive: int | str,
    path: Path,
    *,
    signals: Collection[str] | None = None,
    reading: Reading = PLAINLY,
) -> Path:
    """Decode signals of a stored drive, and write a row for each value: time, signal, value, unit, text of its code.

    Parameters
    ----------
    library : DriveLibrary
        Where the drive is.
    drive : int or str
        Number or id.
    path : Path
        .csv or .parquet; an older file is replaced whole.
    signals : collection of str, optional
        ``bus/message.signal``, ``message.signal`` or the name; all by default.
    reading : Reading
        With which DBCs.

    Raises
    ------
    UsageError
        If the suffix is neither, or a signal is not in the drive.
    DriveLibraryError
        If what the logs said was not kept, or the file cannot be written.
    """
    suffix = path.suffix.lower()
    if suffix not in (".csv", ".parquet"):
        raise UsageError(f"'{path.suffix or path.name}' is no format that can be written", "Use .csv or .parquet", path)
    layouts = reading.layouts()
    tables = [decode_part(part, layouts, signals) for part in kept_raw(library, drive).parts]
    missing = [name for name in signals or () if not any(table.find(name) for table in tables)]
    columns = [column for table in tables for column in table]
    if missing or not columns:
        names = f" {', '.join(missing)}" if missing else ""
        raise UsageError(f"the drive has no signal{names}", f"See what it has: logan look --drive {drive}")
    with written_whole(path) as temporary:
        _write(temporary, columns, is_csv=suffix == ".csv")
    return path


def _write(path: Path, columns: Iterable[SignalColumn], *, is_csv: bool) -> None:
    """Write one signal after the other, so that no more than one of them is held as rows."""
    import pyarrow as pa
    import pyarrow.csv as pa_csv
    import pyarrow.parquet as pq

    schema = pa.schema(
        [
            ("time_ns", pa.int64()),
            ("signal", pa.string()),
            ("value", pa.float64()),
            ("unit", pa.string()),
            ("text", pa.string()),
        ]
    )
    with pa_csv.CSVWriter(path, schema) if is_csv else pq.ParquetWriter(path, schema, compression="zstd") as writer:
        for column in columns:
            writer.write_table(_rows(column, schema))


def _rows(column: SignalColumn, schema: pa.Schema) -> pa.Table:
    import pyarrow as pa

    count = column.value.size
    texts = [None if text is None else safe_cell(text) for text in column.texts()] if column.choices else None
    return pa.table(
        [
            pa.array(column.time_ns),
            pa.repeat(pa.scalar(safe_cell(column.key)), count),
            pa.array(column.value.astype(float)),
            pa.repeat(pa.scalar(safe_cell(column.unit)), count),
            pa.nulls(count, pa.string()) if texts is None else pa.array(texts, pa.string()),
        ],
        schema=schema,
    )


def decode_again(
    folder: BuildFolder,
    drives: Sequence[str] = (),
    *,
    reading: Reading = PLAINLY,
    analysis: AnalysisSettings | None = None,
    told: Told = silent,
) -> tuple[ImportedDrive, ...]:
    """Make drives anew by today's channel map and DBCs; their logs are not needed.

    Parameters
    ----------
    folder : BuildFolder
        The build.
    drives : sequence of str
        Numbers or ids; by default every drive whose logs' content was kept.
    reading : Reading
        Its DBCs are used in place of those that the build names.
    analysis : AnalysisSettings, optional
        Which corrections may be made.
    told : callable, optional
        Called with a few words before each drive.

    Returns
    -------
    tuple of ImportedDrive
        With the numbers and notes that the drives had.

    Raises
    ------
    LoganError
        At the first drive that cannot be decoded; it, and those behind it, stay as they were.
    """
    build, channel_map = folder.settings(), folder.channel_map()
    layouts = reading.with_dbcs_of(build).layouts(channel_map.sources)
    with DriveLibrary.open(folder.library) as library:
        records = [library.record(drive) for drive in drives] or [r for r in library.drives() if r.has_raw]
        made = []
        for record in records:
            told(f"drive {record.number}")
            made.append(_decode(library, record, build, channel_map, layouts, analysis))
    return tuple(made)


def _decode(
    library: DriveLibrary,
    record: DriveRecord,
    build: BuildSettings,
    channel_map: ChannelMap,
    layouts: BusLayouts,
    analysis: AnalysisSettings | None,
) -> ImportedDrive:
    raw = kept_raw(library, record.number)
    wanted = {source.signal for source in channel_map.sources}
    ingested = [
        Ingested(
            signals=decode_part(part, layouts, wanted),
            sources=record.sources,
            dbcs=layouts.sources if part.counts else (),
        )
        for part in raw.parts
    ]
    drive = assemble(ingested, build, channel_map, record.conditions, analysis)
    record = store_analysed(library, drive, build, analysis=analysis, replace=True)
    return ImportedDrive(record=record, was_there=False, notes=(*layouts.faults, *notes_of(ingested)))


_COMPRESSION: Final = ("zstd", 1)


def export_parquet(paths: Sequence[Path], folder: Path, reading: Reading) -> tuple[Path, ...]:
    """Write the signals of the frames of one drive, one file for the signals that come in the same frames.

    Parameters
    ----------
    paths, reading
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
    layouts = reading.layouts()
    reader = LogsReader(paths, reading, is_hashed=len(paths) > 1)
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
        check_dbc(layouts, builder.counts)
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

"""The frames of a log in one Parquet file, a row group per bus and identifier.

Columns: ``bus``, ``can_id``, ``is_extended``, ``time_ns``, ``length`` and the data bytes as
little-endian ``payload_0`` to ``payload_7``, of which a classic frame fills the first alone.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from logan.errors import DriveLibraryError
from logan.frames.grouping import FrameKey
from logan.frames.raw_columns import MessageColumns, RawColumns

if TYPE_CHECKING:
    import pyarrow as pa

FORMAT_KEY: Final = b"logan.frames"
FORMAT_VERSION: Final = b"1"
_WORDS: Final = tuple(f"payload_{word}" for word in range(8))
_REMEDY: Final = "Import the log again to keep its frames, or delete this file to do without"


def write_raw_file(path: Path, raw: RawColumns) -> None:
    """Write the frames of a log; the caller makes it atomic."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    schema = pa.schema(
        [
            ("bus", pa.string()),
            ("can_id", pa.uint32()),
            ("is_extended", pa.bool_()),
            ("time_ns", pa.int64()),
            ("length", pa.uint8()),
            *((name, pa.uint64()) for name in _WORDS),
        ],
        metadata={FORMAT_KEY: FORMAT_VERSION},
    )
    encoding = {"time_ns": "DELTA_BINARY_PACKED"} | dict.fromkeys(_WORDS, "BYTE_STREAM_SPLIT")
    with pq.ParquetWriter(
        path,
        schema,
        compression="zstd",
        compression_level=1,
        use_dictionary=["bus", "can_id", "length"],
        write_statistics=["bus", "can_id", "is_extended"],
        column_encoding=encoding,
        write_page_checksum=True,
    ) as writer:
        for key, columns in raw.messages.items():
            if len(columns):
                writer.write_table(_table(key, columns, schema), row_group_size=len(columns))


def read_raw_file(path: Path, keys: Iterable[FrameKey] | None = None) -> RawColumns:
    """Read frames back, of every identifier or only of some.

    Raises
    ------
    DriveLibraryError
        If the file is damaged or a newer logan wrote it.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    wanted = None if keys is None else set(keys)
    try:
        with pq.ParquetFile(path, page_checksum_verification=True) as parquet:
            version = (parquet.schema_arrow.metadata or {}).get(FORMAT_KEY)
            if version != FORMAT_VERSION:
                raise DriveLibraryError("these frames are of a version unknown here", "Install a newer logan", path)
            messages = {}
            for row_group in range(parquet.num_row_groups):
                key = _key(parquet, row_group)
                if wanted is None or key in wanted:
                    messages[key] = _columns(parquet.read_row_group(row_group, columns=["time_ns", "length", *_WORDS]))
    except (pa.ArrowException, OSError, ValueError, IndexError) as error:
        if isinstance(error, DriveLibraryError):
            raise
        raise DriveLibraryError("the frames of a drive are damaged", _REMEDY, path) from error
    return RawColumns(messages=messages)


def _table(key: FrameKey, columns: MessageColumns, schema: pa.Schema) -> pa.Table:
    import pyarrow as pa

    rows = len(columns)
    words = np.ascontiguousarray(columns.payload).view("<u8")
    return pa.Table.from_arrays(
        [
            pa.repeat(pa.scalar(key.bus, pa.string()), rows),
            pa.repeat(pa.scalar(key.can_id, pa.uint32()), rows),
            pa.repeat(pa.scalar(key.is_extended, pa.bool_()), rows),
            pa.array(columns.time_ns),
            pa.array(np.ascontiguousarray(columns.length)),
            *(
                pa.array(np.ascontiguousarray(words[:, word])) if word < words.shape[1] else pa.nulls(rows, pa.uint64())
                for word in range(len(_WORDS))
            ),
        ],
        schema=schema,
    )


def _key(parquet: Any, row_group: int) -> FrameKey:
    """Bus and identifier, from the statistics of the row group: every row has the same."""
    group = parquet.metadata.row_group(row_group)
    bus, can_id, is_extended = (group.column(column).statistics.min for column in range(3))
    return FrameKey(str(bus), int(can_id), bool(is_extended))


def _columns(table: pa.Table) -> MessageColumns:
    words = [table.column(name) for name in _WORDS if table.column(name).null_count == 0]
    payload = np.stack([word.to_numpy() for word in words], axis=1).astype("<u8", copy=False).view(np.uint8)
    return MessageColumns(
        time_ns=table.column("time_ns").to_numpy(), length=table.column("length").to_numpy(), payload=payload
    )

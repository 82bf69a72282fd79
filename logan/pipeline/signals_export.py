"""Signals of stored drives as the DBC has them, whether they are mapped to a channel or not."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from logan.drive_library.csv_text import safe_cell
from logan.drive_library.repository import DriveLibrary
from logan.errors import UsageError
from logan.frames.table import SignalColumn
from logan.pipeline.bus_layouts import BusLayouts
from logan.pipeline.export import write_in_one_step
from logan.pipeline.frame_store import decode_part, kept_raw

if TYPE_CHECKING:
    import pyarrow as pa


def export_signals(
    library: DriveLibrary,
    drive: int | str,
    path: Path,
    *,
    signals: Collection[str] | None = None,
    dbcs: Sequence[Path] = (),
    dbc_by_bus: Mapping[str, Sequence[Path]] | None = None,
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
    dbcs, dbc_by_bus
        As in ``read_logs``.

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
    layouts = BusLayouts(dbcs, dbc_by_bus or {})
    tables = [decode_part(part, layouts, signals) for part in kept_raw(library, drive).parts]
    missing = [name for name in signals or () if not any(table.find(name) for table in tables)]
    columns = [column for table in tables for column in table]
    if missing or not columns:
        names = f" {', '.join(missing)}" if missing else ""
        raise UsageError(f"the drive has no signal{names}", f"See what it has: logan look --drive {drive}")
    write_in_one_step(path, lambda temporary: _write(temporary, columns, is_csv=suffix == ".csv"))
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

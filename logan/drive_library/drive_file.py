"""One drive in one Parquet file that any Parquet reader opens.

The table has a column ``time_ns`` (int64, from the start of the drive) and one column per
channel (float64, SI). Channels sampled at the same instants share a row group, in which
the other channels are null: native rates, no resampling, and no time stored twice. NaN is
a sample that was masked. A column ``time_s`` exists only where some time is not a whole
nanosecond. The footer's ``logan.drive`` is the header; ``logan.sha256`` is the hash of the
header and of every sample, and right before the footer stands the SHA-256 of all other
bytes, so that a file proves itself.
"""

from __future__ import annotations

import contextlib
import hashlib
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO, Final

import numpy as np

from logan.drive.drive import Channel, Drive
from logan.drive_library.header import OF_DRIVE, ChannelHeader, DriveHeader
from logan.drive_library.records import DriveSummary
from logan.errors import DriveLibraryError
from logan.units import FloatArray, IntArray

if TYPE_CHECKING:
    import pyarrow as pa
    import pyarrow.parquet as pq

HEADER_KEY: Final = b"logan.drive"
HASH_KEY: Final = b"logan.sha256"
SEAL_KEY: Final = b"logan.footer"
ZSTD_LEVEL: Final = 3
_DTYPES: Final = {"double": "<f8", "int64": "<i8"}
REMEDY: Final = "Import its log again, or take the drive out with: logan library remove"


def write_drive_file(
    target: Path | BinaryIO, drive: Drive, *, drive_id: str, summary: DriveSummary | None = None
) -> DriveHeader:
    """Write a drive; the caller makes it atomic.

    Parameters
    ----------
    target : Path or binary file
        Where to.
    drive : Drive
        The drive.
    drive_id : str
        Its id.
    summary : DriveSummary, optional
        What was worked out for it.

    Returns
    -------
    DriveHeader
        What was written into the footer.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    axes, placed = _group_by_axis(drive)
    header = DriveHeader.of(drive, drive_id=drive_id, summary=summary or DriveSummary(), channels=tuple(placed))
    exact = [_whole_nanoseconds(axis) for axis in axes]
    needs_seconds = any(nanoseconds is None for nanoseconds in exact)
    schema = _schema(header, drive, needs_seconds)
    encoding = dict.fromkeys(schema.names, "BYTE_STREAM_SPLIT") | {"time_ns": "DELTA_BINARY_PACKED"}
    with pq.ParquetWriter(
        target,
        schema,
        compression="zstd",
        compression_level=ZSTD_LEVEL,
        use_dictionary=False,
        write_statistics=False,
        column_encoding=encoding,
        write_page_checksum=True,
    ) as writer:
        for row_group, axis in enumerate(axes):
            columns = _columns(schema, drive, header, row_group, axis, exact[row_group])
            writer.write_table(pa.Table.from_arrays(columns, schema=schema), row_group_size=axis.size)
    with target.open("r+b") if isinstance(target, Path) else contextlib.nullcontext(target) as stream:
        before, footer = _halves(stream)
        stream.seek(len(before))
        stream.write(hashlib.sha256(before + footer).digest() + footer)
    return header


def read_header(source: Path | BinaryIO) -> DriveHeader:
    """Read the header of a drive file, and not a sample.

    Raises
    ------
    DriveLibraryError
        If the file is damaged, is no drive, or a newer logan wrote it.
    """
    with _opened(source) as parquet:
        return _header_of(parquet, source)


def read_drive(source: Path | BinaryIO, channels: Iterable[str] | None = None) -> Drive:
    """Read a drive, whole or only some of its channels; names that it does not have are passed over.

    Raises
    ------
    DriveLibraryError
        If the file is damaged, is no drive, or a newer logan wrote it.
    """
    wanted = None if channels is None else set(channels)
    with _opened(source) as parquet:
        header = _header_of(parquet, source)
        chosen = [entry for entry in header.channels if wanted is None or entry.name in wanted]
        try:
            samples = _read_samples(parquet, chosen)
        except (OSError, ValueError, KeyError, IndexError) as error:
            raise _damaged(source, "its samples cannot be read") from error
    return Drive(channels=samples, **{name: getattr(header, name) for name in OF_DRIVE})


def verify_drive_file(source: Path | BinaryIO) -> DriveHeader:
    """Read a file from end to end and compare it with its own hash.

    Raises
    ------
    DriveLibraryError
        If anything in it is not what was written.
    """
    drive = read_drive(source)
    with _opened(source) as parquet:
        header, footer = _header_of(parquet, source), parquet.schema_arrow.metadata
    # The header's bytes are hashed as they stand: an older version's would not be written the same way today.
    if _digest(footer[HEADER_KEY], header, drive).encode() != footer.get(HASH_KEY):
        raise _damaged(source, "its content does not have the hash it was written with")
    with source.open("rb") if isinstance(source, Path) else contextlib.nullcontext(source) as stream:
        before, end = _halves(stream)
    if not before.startswith(b"PAR1"):
        raise _damaged(source, "it does not begin as a Parquet file does")
    # Only a file of an older logan has no hash of its bytes: one flipped bit cannot change both lists of keys.
    size = hashlib.sha256().digest_size
    is_sealed = SEAL_KEY in footer or SEAL_KEY in parquet.metadata.metadata
    if is_sealed and hashlib.sha256(before[:-size] + end).digest() != before[-size:]:
        raise _damaged(source, "its bytes do not have the hash that they were written with")
    return header


def _halves(stream: BinaryIO) -> tuple[bytes, bytes]:
    """What stands before the footer of a Parquet file, and the footer with its length and mark."""
    stream.seek(0)
    content = stream.read()
    at = max(len(content) - 8 - int.from_bytes(content[-8:-4], "little"), 0)
    return content[:at], content[at:]


def _group_by_axis(drive: Drive) -> tuple[list[FloatArray], list[ChannelHeader]]:
    axes: list[FloatArray] = []
    row_group_of: dict[bytes, int] = {}
    placed = []
    for name, channel in drive.channels.items():
        row_group = -1
        if channel.time_s.size:
            key = hashlib.blake2b(np.ascontiguousarray(channel.time_s).data, digest_size=16).digest()
            row_group = row_group_of.setdefault(key, len(axes))
            if row_group == len(axes):
                axes.append(channel.time_s)
        placed.append(
            ChannelHeader(
                name=name,
                unit=channel.unit,
                source=channel.source,
                row_group=row_group,
                count=int(channel.time_s.size),
                is_derived=channel.is_derived,
                sigma=channel.sigma,
            )
        )
    return axes, placed


def _whole_nanoseconds(time_s: FloatArray) -> IntArray | None:
    """Times as int64, or None where that would change one of them."""
    if not np.all(np.abs(time_s) < 9e9):
        return None
    time_ns = np.rint(time_s * 1e9).astype(np.int64)
    return time_ns if np.array_equal(time_ns / 1e9, time_s) else None


def _schema(header: DriveHeader, drive: Drive, needs_seconds: bool) -> pa.Schema:
    import pyarrow as pa

    text = header.to_json().encode()

    own = [pa.field("time_ns", pa.int64(), metadata={"unit": "ns"})]
    if needs_seconds:
        own.append(pa.field("time_s", pa.float64(), metadata={"unit": "s"}))
    own += [
        pa.field(entry.name, pa.float64(), metadata={"unit": entry.unit, "source": entry.source})
        for entry in header.channels
        if entry.row_group >= 0
    ]
    return pa.schema(
        own, metadata={HEADER_KEY: text, HASH_KEY: _digest(text, header, drive).encode(), SEAL_KEY: b"sha256"}
    )


def _columns(
    schema: pa.Schema, drive: Drive, header: DriveHeader, row_group: int, axis: FloatArray, exact: IntArray | None
) -> list[pa.Array]:
    import pyarrow as pa

    def array(value: FloatArray | IntArray) -> pa.Array:  # pa.array would load pandas, which takes 0.3 s
        kind = pa.int64() if value.dtype == np.int64 else pa.float64()
        return pa.Array.from_buffers(
            kind, value.size, [None, pa.py_buffer(np.ascontiguousarray(value, kind.to_pandas_dtype()))]
        )

    present = {entry.name for entry in header.channels if entry.row_group == row_group}
    columns = [array(np.rint(axis * 1e9).astype(np.int64) if exact is None else exact)]
    for name in schema.names[1:]:
        if name == "time_s":
            columns.append(array(axis) if exact is None else pa.nulls(axis.size, pa.float64()))
        elif name in present:
            # NaN is a masked sample, null is a channel of another row group.
            columns.append(array(drive[name].value))
        else:
            columns.append(pa.nulls(axis.size, pa.float64()))
    return columns


def _digest(header_text: bytes, header: DriveHeader, drive: Drive) -> str:
    digest = hashlib.sha256(header_text)
    for entry in header.channels:
        channel = drive[entry.name]
        digest.update(np.ascontiguousarray(channel.time_s).data)
        digest.update(np.ascontiguousarray(channel.value).data)
    return digest.hexdigest()


def _opened(source: Path | BinaryIO) -> pq.ParquetFile:
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        return pq.ParquetFile(source, page_checksum_verification=True)
    except FileNotFoundError:
        raise DriveLibraryError("the file is not there", REMEDY, _path(source)) from None
    except (pa.ArrowException, OSError, ValueError) as error:
        raise _damaged(source, "it is no whole Parquet file") from error


def _header_of(parquet: pq.ParquetFile, source: Path | BinaryIO) -> DriveHeader:
    try:
        return DriveHeader.from_json(parquet.schema_arrow.metadata[HEADER_KEY].decode(), _path(source))
    except (TypeError, KeyError, ValueError, AttributeError) as error:
        raise _damaged(source, "its header cannot be read") from error


def _read_samples(parquet: pq.ParquetFile, chosen: list[ChannelHeader]) -> dict[str, Channel]:
    by_group: dict[int, list[str]] = {}
    for entry in chosen:
        by_group.setdefault(entry.row_group, []).append(entry.name)
    times: dict[int, FloatArray] = {-1: np.empty(0)}
    values: dict[str, FloatArray] = dict.fromkeys(by_group.pop(-1, []), np.empty(0))
    time_columns = [name for name in ("time_ns", "time_s") if name in parquet.schema_arrow.names]
    for row_group, names in by_group.items():
        table = parquet.read_row_group(row_group, columns=[*time_columns, *names])
        times[row_group] = _time_s(table)
        values |= {name: column_values(table.column(name)) for name in names}
    return {
        entry.name: Channel(
            name=entry.name,
            time_s=times[entry.row_group],
            value=values[entry.name],
            source=entry.source,
            is_derived=entry.is_derived,
            sigma=entry.sigma,
        )
        for entry in chosen
    }


def _time_s(table: pa.Table) -> FloatArray:
    if "time_s" in table.column_names and table.column("time_s").null_count < table.num_rows:
        return column_values(table.column("time_s"))
    return column_values(table.column("time_ns")) / 1e9


def column_values(column: Any) -> FloatArray:
    """Values of a column of floats or whole numbers, absent ones as NaN.

    Read from where Arrow's columnar format has them: its own ``to_numpy`` would load pandas, which takes a third
    of a second.
    """
    dtype = _DTYPES.get(str(column.type))
    if dtype is None:
        return np.asarray(column.to_numpy(), dtype=np.float64)
    return np.concatenate([_values(chunk, dtype) for chunk in column.chunks] or [np.empty(0)])


def _values(chunk: Any, dtype: str) -> FloatArray:
    valid, data = chunk.buffers()
    rows = slice(chunk.offset, chunk.offset + len(chunk))
    value = np.frombuffer(data, dtype)[rows].astype(np.float64)
    if chunk.null_count:
        value[~np.unpackbits(np.frombuffer(valid, np.uint8), bitorder="little")[rows].astype(np.bool_)] = np.nan
    return value


def _path(source: Path | BinaryIO) -> Path | None:
    return source if isinstance(source, Path) else None


def _damaged(source: Path | BinaryIO, problem: str) -> DriveLibraryError:
    return DriveLibraryError(f"the drive is damaged: {problem}", REMEDY, _path(source))

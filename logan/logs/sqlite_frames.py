"""SQLite databases of frames, laid out as python-can writes them.

A database from a stranger is a program of sorts: only a plain table is read, nothing is written beside it, and no
value may be longer than a frame needs.
"""

import contextlib
import sqlite3
from collections.abc import Iterator, Sequence
from itertools import islice
from pathlib import Path
from typing import Any, BinaryIO, Final

import numpy as np

from logan.errors import LogReadError
from logan.frames.table import FrameTable
from logan.logs.log_format import Block, LogFormat, ReadOptions, ReadReport
from logan.logs.text_lines import CLASSIC_BYTES, FD_BYTES, LATEST_NS, MAX_EXTENDED_ID, MAX_STANDARD_ID

_BLOCK_FRAMES: Final = 65_536
_LONGEST_VALUE_BYTES: Final = 65_536
_HEADER_BYTES: Final = 100
"""Page size at 16 and number of pages at 28, as SQLite's file format has them."""

_SQLITE_MARK: Final = b"SQLite format 3\x00"
_IS_PLAIN_TABLE: Final = (
    "SELECT count(*) FROM sqlite_master WHERE name = 'messages' AND type = 'table' AND sql LIKE 'CREATE TABLE%'"
)
_FRAMES: Final = "SELECT ts, arbitration_id, extended, remote, error, data FROM messages"


def read_sqlite(stream: BinaryIO, path: Path, options: ReadOptions, report: ReadReport) -> Iterator[Block]:
    """Frames of a database; rows that no bus could carry are counted and left out.

    Raises
    ------
    LogReadError
        If the database is damaged, or has no table of messages.
    """
    try:
        with contextlib.closing(_opened(Path(stream.name), report)) as database:
            database.text_factory = lambda text: str(text, "latin-1")
            database.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, _LONGEST_VALUE_BYTES)
            if database.execute(_IS_PLAIN_TABLE).fetchone() != (1,):
                raise _unreadable("the database holds no table of frames", path)
            stored = _rows(database, report)
            while rows := list(islice(stored, _BLOCK_FRAMES)):
                whole = [row for row in rows if _is_possible(row)]
                if len(whole) < len(rows):
                    report.skip("a row holds a frame that cannot be", count=len(rows) - len(whole))
                yield _table(whole, options.bus)
    except (sqlite3.Error, UnicodeDecodeError) as error:  # the latter from a message that quotes the damage
        raise _unreadable("the database is damaged, and cannot be read as a log of frames", path) from error


def _opened(path: Path, report: ReadReport) -> sqlite3.Connection:
    """The database, never written to; of one that is cut off, the whole pages, in memory."""
    with path.open("rb") as file:
        head = file.read(_HEADER_BYTES)
        page_bytes = int.from_bytes(head[16:18], "big") or 1
        page_bytes = 65_536 if page_bytes == 1 else page_bytes
        page_count = path.stat().st_size // page_bytes
        if len(head) < _HEADER_BYTES or page_count >= int.from_bytes(head[28:32], "big"):
            return sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro&immutable=1", uri=True)
        report.is_truncated = True
        file.seek(0)
        content = bytearray(file.read(page_count * page_bytes))
    content[28:32] = page_count.to_bytes(4, "big")
    database = sqlite3.connect(":memory:")
    database.deserialize(bytes(content))
    return database


def _rows(database: sqlite3.Connection, report: ReadReport) -> Iterator[Sequence[Any]]:
    """Rows in the order they were written, up to where a database that is cut off ends."""
    try:
        yield from database.execute(_FRAMES)
    except sqlite3.DatabaseError:
        if not report.is_truncated:
            raise


def _unreadable(problem: str, path: Path) -> LogReadError:
    return LogReadError(problem, "Give a database that python-can wrote, or export it as candump or ASC", path)


def _is_possible(row: Sequence[Any]) -> bool:
    time_s, can_id, is_extended, _, _, data = row
    return (
        isinstance(time_s, int | float)
        and abs(time_s) < LATEST_NS / 1e9
        and isinstance(can_id, int)
        and 0 <= can_id <= (MAX_EXTENDED_ID if is_extended else MAX_STANDARD_ID)
        and isinstance(data, bytes | None)
        and len(data or b"") <= FD_BYTES
    )


def _table(rows: Sequence[Sequence[Any]], bus: str) -> FrameTable:
    time_s, can_id, is_extended, is_remote, is_error, stored = zip(*rows, strict=True) if rows else ((),) * 6
    remote = np.array([bool(flag) for flag in is_remote], bool)
    data = [b"" if flag else bytes(each or b"") for flag, each in zip(remote.tolist(), stored, strict=True)]
    length = np.array([len(each) for each in data], np.uint8)
    width = FD_BYTES if (length > CLASSIC_BYTES).any() else CLASSIC_BYTES
    return FrameTable(
        # Microseconds are all that a float holds of a time since 1970.
        time_ns=np.array([round(second * 1e6) * 1000 for second in time_s], np.int64),
        can_id=np.array(can_id, np.uint32),
        is_extended=np.array([bool(flag) for flag in is_extended], bool),
        is_fd=length > CLASSIC_BYTES,
        is_remote=remote,
        is_error=np.array([bool(flag) for flag in is_error], bool),
        bus=np.zeros(len(rows), np.uint8),
        length=length,
        payload=np.frombuffer(b"".join(each.ljust(width, b"\x00") for each in data), np.uint8).reshape(-1, width),
        buses=(bus,),
    )


FORMAT: Final = LogFormat(
    name="sqlite",
    description="SQLite database of frames, as python-can writes it",
    looks_like=lambda head: head.startswith(_SQLITE_MARK),
    read=read_sqlite,
    needs_file=True,
    suffixes=(".db",),
)

"""Formats without a reader of their own, read through python-can: at present its SQLite database.

Frame by frame, so about twenty times slower than the bulk readers.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator
from itertools import islice
from pathlib import Path
from typing import Any, BinaryIO, Final

import numpy as np

from logan.errors import LogReadError
from logan.frames.table import FrameTable
from logan.logs.log_format import Block, LogFormat, ReadOptions, ReadReport

_BLOCK_FRAMES: Final = 65_536
_SQLITE_MARK: Final = b"SQLite format 3\x00"


def frame_table(messages: Iterable[Any], bus: str = "") -> FrameTable:
    """Columns of python-can messages.

    Parameters
    ----------
    messages : iterable of can.Message
        Frames in the order of the log.
    bus : str
        Bus of frames that do not name one.
    """
    rows = list(messages)
    data = [bytes(message.data or b"") for message in rows]
    width = 64 if any(len(each) > 8 for each in data) else 8
    names = [bus if message.channel is None else str(message.channel) for message in rows]
    buses = tuple(dict.fromkeys(names))
    number_of = {name: number for number, name in enumerate(buses)}
    return FrameTable(
        # Microseconds are all that a float holds of a time since 1970.
        time_ns=np.array([round(message.timestamp * 1e6) * 1000 for message in rows], np.int64),
        can_id=np.array([message.arbitration_id for message in rows], np.uint32),
        is_extended=np.array([message.is_extended_id for message in rows], bool),
        is_fd=np.array([message.is_fd for message in rows], bool),
        is_remote=np.array([message.is_remote_frame for message in rows], bool),
        is_error=np.array([message.is_error_frame for message in rows], bool),
        bus=np.array([number_of[name] for name in names], np.uint8),
        length=np.array([len(each) for each in data], np.uint8),
        payload=np.frombuffer(b"".join(each.ljust(width, b"\x00") for each in data), np.uint8).reshape(-1, width),
        buses=buses,
    )


def read_sqlite(stream: BinaryIO, path: Path, options: ReadOptions, report: ReadReport) -> Iterator[Block]:
    """Frames of a database that python-can's ``SqliteWriter`` made.

    Raises
    ------
    LogReadError
        If the database is damaged, or has no table of messages.
    """
    import can

    try:
        with can.SqliteReader(stream.name) as reader:
            messages = iter(reader)
            while block := list(islice(messages, _BLOCK_FRAMES)):
                yield frame_table(block, options.bus)
    except (sqlite3.Error, ValueError, TypeError, OverflowError) as error:
        raise LogReadError(
            f"the database cannot be read as a log of frames ({error})",
            "Give a database that python-can wrote, or export it as candump or ASC",
            path,
        ) from error


FORMAT: Final = LogFormat(
    name="sqlite",
    description="SQLite database of frames, as python-can writes it",
    looks_like=lambda head: head.startswith(_SQLITE_MARK),
    read=read_sqlite,
    needs_file=True,
    suffixes=(".db",),
)

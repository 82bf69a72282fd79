"""The index: one SQLite file that answers at once what the drive files answer slowly, and can be made again."""

import contextlib
import json
import sqlite3
import threading
from collections.abc import Iterable, Iterator
from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from typing import Any, Final

from logan.drive_library.database import DatabaseKind, open_database, remove_database
from logan.drive_library.folder import StoredFile
from logan.drive_library.header import StoredFigures
from logan.drive_library.records import DriveRecord
from logan.errors import DriveLibraryError
from logan.results import json_content, json_ready, result_from_json

INDEX_VERSION: Final = 3
"""Moves with the tables below; an index of another version is thrown away and made again from the files."""

_TABLES: Final = """
CREATE TABLE drive (
    id TEXT PRIMARY KEY, number INTEGER NOT NULL UNIQUE, stamp TEXT NOT NULL, record TEXT NOT NULL,
    figures TEXT NOT NULL
) WITHOUT ROWID;
CREATE TABLE missing (id TEXT PRIMARY KEY, number INTEGER NOT NULL) WITHOUT ROWID;
"""
# Not fully synchronous: the index need not survive a power cut, the files must, and do.
_KIND: Final = DatabaseKind(version=INDEX_VERSION, tables=_TABLES, synchronous="NORMAL", timeout_s=30.0)


class DriveIndex:
    """Rows of drives; safe to use from several threads and processes.

    Parameters
    ----------
    path : Path
        The SQLite file.
    is_writable : bool
        False on a read-only medium, where a copy in memory is brought up to the files.
    """

    def __init__(self, path: Path, *, is_writable: bool = True) -> None:
        self.path = path
        self._is_writable = is_writable
        self._lock = threading.RLock()
        self._connection = self._connect()

    def close(self) -> None:
        """Close the file."""
        with self._lock:
            self._connection.close()

    def _connect(self) -> sqlite3.Connection:
        return open_database(self.path, _KIND, is_writable=self._is_writable)

    def mend(self) -> None:
        """Make a ruined file anew, empty; the caller holds the publish lock."""
        with self._lock:
            try:
                if self._connection.execute("PRAGMA integrity_check(1)").fetchone() == ("ok",):
                    return
            except sqlite3.Error:
                self._roll_back()
            self._connection.close()
            with contextlib.suppress(OSError):
                remove_database(self.path)
            self._connection = self._connect()

    @contextlib.contextmanager
    def transaction(self) -> Iterator[sqlite3.Connection]:
        """Changes that are made together or not at all; part of the one that is under way in this thread, if any.

        Raises
        ------
        DriveLibraryError
            If the disk is full or the index cannot be written.
        """
        with self._lock:
            if self._connection.in_transaction:
                yield self._connection
                return
            try:
                self._connection.execute("BEGIN IMMEDIATE")
                yield self._connection
                self._connection.execute("COMMIT")
            except (sqlite3.Error, UnicodeDecodeError) as error:
                self._roll_back()
                raise DriveLibraryError(
                    "the index cannot be written",
                    "Make room on the disk, or run: logan library rebuild",
                    self.path,
                ) from error
            except BaseException:
                self._roll_back()
                raise

    def _roll_back(self) -> None:
        with contextlib.suppress(sqlite3.Error):
            if self._connection.in_transaction:
                self._connection.execute("ROLLBACK")

    def rows(self, query: str, values: Iterable[Any] = ()) -> list[tuple[Any, ...]]:
        """Rows of a query."""
        with self._lock:
            try:
                return self._connection.execute(query, tuple(values)).fetchall()
            except (sqlite3.Error, UnicodeDecodeError) as error:
                raise DriveLibraryError("the index cannot be read", "Run: logan library rebuild", self.path) from error

    def stamps(self) -> dict[str, tuple[int, str]]:
        """Number and file stamp of every drive, by id: what the folder is compared with."""
        return {
            drive_id: (number, stamp) for drive_id, number, stamp in self.rows("SELECT id, number, stamp FROM drive")
        }

    def missing(self) -> dict[str, int]:
        """Numbers of drives whose files went away without being taken out of the library, by id."""
        return dict(self.rows("SELECT id, number FROM missing ORDER BY number"))

    def records(self, where: str = "", values: Iterable[Any] = (), *, most: int = -1) -> tuple[DriveRecord, ...]:
        """Records by number, the first ``most`` of them or all."""
        rows = self.rows(f"SELECT record, figures FROM drive {where} ORDER BY number LIMIT {most}", values)
        try:
            return tuple(_record(record, figures) for record, figures in rows)
        except (ValueError, TypeError, KeyError, AttributeError) as error:
            raise DriveLibraryError("the index is damaged", "Run: logan library rebuild", self.path) from error


def put(connection: sqlite3.Connection, record: DriveRecord, stored: StoredFile) -> None:
    """Insert a drive, or replace its row."""
    forget(connection, record.id)
    connection.execute("DELETE FROM missing WHERE id = ?", (record.id,))
    texts = (_text(_bare(record)), _text(record.summary.metrics))
    connection.execute("INSERT INTO drive VALUES (?, ?, ?, ?, ?)", (record.id, record.number, stored.stamp, *texts))


def note_damage(connection: sqlite3.Connection, record: DriveRecord, problem: str) -> None:
    """Remember what reading a drive's samples found wrong, until its file changes."""
    text = _text(_bare(replace(record, damage=problem)))
    connection.execute("UPDATE drive SET record = ? WHERE id = ?", (text, record.id))


def _bare(record: DriveRecord) -> DriveRecord:
    return replace(record, summary=replace(record.summary, metrics={}))


def _text(content: object) -> str:
    return json.dumps(json_ready(content), separators=(",", ":"))


def forget(connection: sqlite3.Connection, drive_id: str) -> None:
    """Take a drive's row out."""
    connection.execute("DELETE FROM drive WHERE id = ?", (drive_id,))


@lru_cache(maxsize=2048)
def _record(text: str, figures: str) -> DriveRecord:
    """One row as a record; a list of drives asks for the same rows several times, and again at the next request."""
    record = result_from_json(DriveRecord, json_content(text))
    return replace(record, summary=replace(record.summary, metrics=StoredFigures(figures)))

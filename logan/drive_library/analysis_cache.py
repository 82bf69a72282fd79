"""Analyses that took time, kept until the drive or the settings they rest on change.

The whole file may be deleted at any time: it only costs the time to work them out again.
"""

from __future__ import annotations

import io
import json
import sqlite3
import threading
import zipfile
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import numpy as np

from logan.results import JsonValue

CACHE_VERSION: Final = 1


@dataclass(frozen=True, slots=True, eq=False)
class CachedAnalysis:
    """A stored analysis: a JSON part and named arrays."""

    content: JsonValue = None
    arrays: Mapping[str, np.ndarray[Any, Any]] = field(default_factory=dict)


class AnalysisCache:
    """Analyses by drive and key; a failure to read or write one is a miss, never an error."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._lock = threading.RLock()
        self._connection = self._connect()

    def close(self) -> None:
        """Close the file."""
        with self._lock:
            self._connection.close()

    def get(self, drive_id: str, key: str, fingerprint: str) -> CachedAnalysis | None:
        """The analysis, if it was made with these settings."""
        with self._lock:
            try:
                row = self._connection.execute(
                    "SELECT content, arrays FROM analysis WHERE drive_id = ? AND key = ? AND fingerprint = ?",
                    (drive_id, key, fingerprint),
                ).fetchone()
                return None if row is None else CachedAnalysis(json.loads(row[0]), _arrays_from(row[1]))
            except (sqlite3.Error, ValueError, OSError, zipfile.BadZipFile):
                return None

    def put(self, drive_id: str, key: str, fingerprint: str, analysis: CachedAnalysis) -> None:
        """Keep an analysis in place of an older one of the same key."""
        row = (drive_id, key, fingerprint, json.dumps(analysis.content), _arrays_to(analysis.arrays))
        with self._lock:
            try:
                self._connection.execute("INSERT OR REPLACE INTO analysis VALUES (?, ?, ?, ?, ?)", row)
            except sqlite3.Error:
                return

    def forget(self, drive_id: str) -> None:
        """Drop what is kept for a drive."""
        with self._lock:
            try:
                self._connection.execute("DELETE FROM analysis WHERE drive_id = ?", (drive_id,))
            except sqlite3.Error:
                return

    def _connect(self) -> sqlite3.Connection:
        try:
            return _ready(str(self._path))
        except sqlite3.OperationalError:
            return _ready(":memory:")
        except sqlite3.DatabaseError:
            self._path.unlink(missing_ok=True)
            return _ready(str(self._path))


def _ready(name: str) -> sqlite3.Connection:
    connection = sqlite3.connect(name, timeout=5.0, isolation_level=None, check_same_thread=False)
    try:
        connection.execute("PRAGMA synchronous = OFF")
        if connection.execute("PRAGMA user_version").fetchone()[0] != CACHE_VERSION:
            connection.execute("BEGIN EXCLUSIVE")
            connection.execute("DROP TABLE IF EXISTS analysis")
            connection.execute(
                "CREATE TABLE analysis (drive_id TEXT, key TEXT, fingerprint TEXT NOT NULL,"
                " content TEXT NOT NULL, arrays BLOB NOT NULL, PRIMARY KEY (drive_id, key))"
            )
            connection.execute(f"PRAGMA user_version = {CACHE_VERSION}")
            connection.execute("COMMIT")
    except sqlite3.Error:
        connection.close()
        raise
    return connection


def _arrays_to(arrays: Mapping[str, np.ndarray[Any, Any]]) -> bytes:
    if not arrays:
        return b""
    buffer = io.BytesIO()
    np.savez(buffer, allow_pickle=False, **dict(arrays))
    return buffer.getvalue()


def _arrays_from(content: bytes) -> dict[str, np.ndarray[Any, Any]]:
    if not content:
        return {}
    with np.load(io.BytesIO(content), allow_pickle=False) as stored:
        return {name: stored[name] for name in stored.files}

"""Analyses that took time, kept until the drive or the settings they rest on change, which are named by content.

The whole file may be deleted at any time: it only costs the time to work them out again.
"""

import hashlib
import json
import sqlite3
import threading
from pathlib import Path
from typing import Final

from logan.drive_library.database import DatabaseKind, open_database
from logan.results import JsonValue, json_ready


def settings_fingerprint(*settings: object) -> str:
    """Hash of settings by value, 16 hexadecimal digits; equal settings give equal fingerprints.

    Parameters
    ----------
    *settings : object
        Frozen settings, or a version string of the code that uses them.
    """
    text = json.dumps(json_ready(settings), sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()[:16]


CACHE_VERSION: Final = 2
_TABLES: Final = """
CREATE TABLE analysis (
    drive_id TEXT, key TEXT, fingerprint TEXT NOT NULL, content TEXT NOT NULL, PRIMARY KEY (drive_id, key)
)
"""
_KIND: Final = DatabaseKind(version=CACHE_VERSION, tables=_TABLES, synchronous="OFF", timeout_s=5.0)


class AnalysisCache:
    """Analyses by drive and key; a failure to read or write one is a miss, never an error."""

    def __init__(self, path: Path, *, is_writable: bool = True) -> None:
        self._lock = threading.RLock()
        self._connection = open_database(path, _KIND, is_writable=is_writable)

    def close(self) -> None:
        """Close the file."""
        with self._lock:
            self._connection.close()

    def get(self, drive_id: str, key: str, fingerprint: str) -> JsonValue:
        """The analysis, if it was made with these settings; else None."""
        with self._lock:
            try:
                row = self._connection.execute(
                    "SELECT content FROM analysis WHERE drive_id = ? AND key = ? AND fingerprint = ?",
                    (drive_id, key, fingerprint),
                ).fetchone()
                content: JsonValue = None if row is None else json.loads(row[0])
            except (sqlite3.Error, ValueError):
                return None
        return content

    def put(self, drive_id: str, key: str, fingerprint: str, content: JsonValue) -> None:
        """Keep an analysis in place of an older one of the same key."""
        row = (drive_id, key, fingerprint, json.dumps(content, separators=(",", ":")))
        with self._lock:
            try:
                self._connection.execute("INSERT OR REPLACE INTO analysis VALUES (?, ?, ?, ?)", row)
            except (sqlite3.Error, UnicodeDecodeError):
                return

    def is_up_to_date_with(self, stamp: str) -> bool:
        """True when every summary was said to rest on these settings, and no drive came or changed since."""
        return self.get("", "up to date with", stamp) is not None

    def set_up_to_date_with(self, stamp: str) -> None:
        """Say that every summary rests on these settings."""
        self.put("", "up to date with", stamp, True)

    def set_out_of_date(self) -> None:
        """Say that a drive came or changed."""
        self.forget("")

    def forget(self, drive_id: str) -> None:
        """Drop what is kept for a drive."""
        with self._lock:
            try:
                self._connection.execute("DELETE FROM analysis WHERE drive_id = ?", (drive_id,))
            except (sqlite3.Error, UnicodeDecodeError):
                return

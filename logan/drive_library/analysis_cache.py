"""Analyses that took time, kept until the drive or the settings they rest on change, which are named by content.

The whole file may be deleted at any time: it only costs the time to work them out again.
"""

import hashlib
import json
import sqlite3
import threading
from pathlib import Path
from typing import Any, Final

from logan.drive_library.database import DatabaseKind, open_database
from logan.results import JsonValue, json_content, json_ready


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
EVERY_DRIVE: Final = ""
"""In place of a drive: for what rests on all of them."""
UP_TO_DATE: Final = "up to date with"
"""Kept of every drive while all summaries rest on the settings of its stamp: till a drive or its notes change."""
_TABLES: Final = """
CREATE TABLE analysis (
    drive_id TEXT, key TEXT, fingerprint TEXT NOT NULL, content TEXT NOT NULL, PRIMARY KEY (drive_id, key)
)
"""
_KIND: Final = DatabaseKind(version=CACHE_VERSION, tables=_TABLES, synchronous="OFF", timeout_s=30.0)


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
        query = "SELECT content FROM analysis WHERE drive_id = ? AND key = ? AND fingerprint = ?"
        try:
            ((text,),) = self._done(query, drive_id, key, fingerprint)
            content: JsonValue = json_content(text)
        except ValueError:
            return None
        return content

    def put(self, drive_id: str, key: str, fingerprint: str, content: JsonValue) -> None:
        """Keep an analysis in place of an older one of the same key."""
        text = json.dumps(content, separators=(",", ":"))
        self._done("INSERT OR REPLACE INTO analysis VALUES (?, ?, ?, ?)", drive_id, key, fingerprint, text)

    def forget(self, *drive_ids: str) -> None:
        """Drop what is kept for drives that came, changed or went, and all that rests on every drive."""
        for drive_id in (EVERY_DRIVE, *drive_ids):
            self._done("DELETE FROM analysis WHERE drive_id = ?", drive_id)

    def forget_up_to_date(self) -> None:
        """Drop the mark alone, where notes changed: all else of every drive is named by what it rests on of them."""
        self._done("DELETE FROM analysis WHERE drive_id = ? AND key = ?", EVERY_DRIVE, UP_TO_DATE)

    def _done(self, statement: str, *values: str) -> list[Any]:
        """Rows of a statement; none where it fails."""
        with self._lock:
            try:
                return self._connection.execute(statement, values).fetchall()
            except (sqlite3.Error, UnicodeDecodeError):
                return []

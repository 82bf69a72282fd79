"""What is written about a drive after it was stored: conditions and a newer summary, in a small file of their own.

They lie beside the drive so that editing a note never touches a measurement, and so that
an index made again from the files knows them.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from logan.drive.provenance import DriveConditions
from logan.drive_library.durable import write_durably
from logan.drive_library.header import conditions_from, summary_from, upgraded
from logan.drive_library.records import DriveSummary
from logan.errors import DriveLibraryError, plain_words
from logan.results import json_ready

NOTES_FORMAT: Final = "logan-drive-notes"
NOTES_VERSION: Final = 1
MAX_NOTES_BYTES: Final = 8 * 2**20


@dataclass(frozen=True, slots=True, kw_only=True)
class Notes:
    """What takes the place of the header's conditions and summary; None leaves the header's."""

    conditions: DriveConditions | None = None
    summary: DriveSummary | None = None


def write_notes(path: Path, notes: Notes, staging: Path) -> None:
    """Store notes in one step."""
    content = {
        "format": NOTES_FORMAT,
        "version": NOTES_VERSION,
        "conditions": json_ready(notes.conditions),
        "summary": json_ready(notes.summary),
    }
    write_durably(path, (json.dumps(content, indent=1) + "\n").encode(), staging)


def read_notes(path: Path) -> Notes:
    """Notes of a drive; empty where there are none.

    Raises
    ------
    DriveLibraryError
        If the file is damaged or a newer logan wrote it.
    """
    try:
        if path.stat().st_size > MAX_NOTES_BYTES:
            raise ValueError("too large")
        content = path.read_bytes()
    except FileNotFoundError:
        return Notes()
    except (ValueError, OSError) as error:
        raise _unreadable(error, path) from error
    return notes_from(content, path)


def notes_from(content: bytes, path: Path | None = None) -> Notes:
    """Notes from the bytes of their file.

    Raises
    ------
    DriveLibraryError
        If they are damaged or a newer logan wrote them.
    """
    try:
        known = upgraded(json.loads(content), NOTES_FORMAT, NOTES_VERSION, {})
        conditions, summary = known["conditions"], known["summary"]
        return Notes(
            conditions=None if conditions is None else conditions_from(conditions),
            summary=None if summary is None else summary_from(summary),
        )
    except DriveLibraryError as error:
        raise DriveLibraryError(error.problem, error.remedy, path) from error
    except (ValueError, TypeError, KeyError, AttributeError) as error:
        raise _unreadable(error, path) from error


def _unreadable(error: Exception, path: Path | None) -> DriveLibraryError:
    return DriveLibraryError(
        f"the notes of a drive cannot be read ({plain_words(error)})",
        "Mend the JSON, or delete the file to go back to the conditions noted at import",
        path,
    )

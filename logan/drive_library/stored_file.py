"""Names in a library's folder: which file is which drive, and whether it changed."""

from __future__ import annotations

import hashlib
import os
import re
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Final

DRIVE_NAME: Final = re.compile(r"^(?P<number>[0-9]{4,9})-(?P<id>[0-9a-f]{16})\.parquet$")
NOTES_NAME: Final = re.compile(r"^(?P<id>[0-9a-f]{16})\.json$")


def drive_id_of(sha256s: Iterable[str], part: int = 0) -> str:
    """Name of a drive by the hashes of its logs, whatever their order; 16 hexadecimal digits."""
    text = "\n".join([*sorted(set(sha256s)), f"part {part}"])
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def drive_file_name(number: int, drive_id: str) -> str:
    """File name of a drive, such as ``0012-3fa9c1d2e4b5a677.parquet``."""
    return f"{number:04d}-{drive_id}.parquet"


@dataclass(frozen=True, slots=True)
class StoredFile:
    """A drive file as the folder shows it.

    Parameters
    ----------
    number : int
        From its name.
    id : str
        From its name.
    path : Path
        Where it is.
    size_bytes : int
        Its size.
    stamp : str
        Changes when the file or its notes are written again.
    """

    number: int
    id: str
    path: Path
    size_bytes: int
    stamp: str


def list_drive_files(folder: Path, notes_folder: Path) -> list[StoredFile]:
    """Every drive file in a folder, by number."""
    notes = {}
    if notes_folder.is_dir():
        with os.scandir(notes_folder) as entries:
            for entry in entries:
                if match := NOTES_NAME.match(entry.name):
                    notes[match["id"]] = entry.stat().st_mtime_ns
    with os.scandir(folder) as entries:
        found = [
            _stored(match, Path(entry.path), entry.stat(), notes.get(match["id"], 0))
            for entry in entries
            if (match := DRIVE_NAME.match(entry.name))
        ]
    return sorted(found, key=lambda stored: (stored.number, stored.id))


def look_at(path: Path, notes: Path) -> StoredFile:
    """One drive file that is known to be there."""
    match = DRIVE_NAME.match(path.name)
    if match is None:
        raise ValueError(f"{path.name} is no name of a drive file")
    return _stored(match, path, path.stat(), notes.stat().st_mtime_ns if notes.exists() else 0)


def _stored(match: re.Match[str], path: Path, status: os.stat_result, notes_ns: int) -> StoredFile:
    stamp = f"{status.st_size}.{status.st_mtime_ns}.{notes_ns}"
    return StoredFile(int(match["number"]), match["id"], path, status.st_size, stamp)

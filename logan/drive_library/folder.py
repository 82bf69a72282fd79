"""The folder of a library: what lies where, and in which version."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from logan.drive_library.durable import locked, synced, write_durably
from logan.drive_library.header import upgraded
from logan.errors import DriveLibraryError, plain_words
from logan.results import json_content

LIBRARY_FORMAT: Final = "logan-drive-library"
LIBRARY_VERSION: Final = 1
RAW_SUFFIX: Final = ".frames"
_LOG_NAME: Final = re.compile(r"^(?P<sha256>[0-9a-f]{64})(?P<suffix>(\.[A-Za-z0-9]{1,8}){0,2})$")


class LibraryFolder:
    """Paths of one library.

    Parameters
    ----------
    root : Path
        The folder, ``drives/`` of a build.
    """

    def __init__(self, root: Path) -> None:
        self.root = root
        self.index = root / "index.sqlite"  # may be deleted, as may the cache
        self.cache = root / "cache.sqlite"  # analyses that are kept
        self.marker = root / "library.json"  # says that this is a library, and of which version
        self.notes = root / "notes"  # one small file per drive that has any
        self.raw = root / "raw"  # everything the logs said, one file of raw columns per drive that keeps it
        self.logs = root / "logs"  # copies of logs by the hash of their content
        self.bin = root / ".bin"  # drives that were taken out and can come back
        self.incoming = root / ".incoming"  # files being written; nothing here belongs to the library yet
        self.publish_lock = root / ".lock"  # held while files get their names
        # Shared by everyone who has files in ``incoming``; free means that what lies there is left over.
        self.writers_lock = self.incoming / "lock"

    @property
    def is_writable(self) -> bool:
        """False on a read-only medium."""
        return os.access(self.root, os.W_OK)

    def drive_files(self) -> list[StoredFile]:
        """Every drive file, by number."""
        return list_drive_files(self.root, self.notes)

    def binned_files(self) -> list[StoredFile]:
        """Every drive file in the bin, by number."""
        return list_drive_files(self.bin, self.notes)

    def notes_of(self, drive_id: str) -> Path:
        """Notes of a drive."""
        return self.notes / f"{drive_id}.json"

    def raw_of(self, drive_id: str) -> Path:
        """Frames of a drive."""
        return self.raw / f"{drive_id}{RAW_SUFFIX}"

    def kept_logs(self) -> dict[str, Path]:
        """Kept copies by hash."""
        if not self.logs.is_dir():
            return {}
        return {match["sha256"]: path for path in self.logs.iterdir() if (match := _LOG_NAME.match(path.name))}

    def log_name(self, sha256: str, original: Path) -> Path:
        """Where a copy of a log goes; of its name only plain suffixes survive."""
        name = sha256 + "".join(original.suffixes[-2:])
        return self.logs / (name if _LOG_NAME.match(name) else sha256)

    def prepare(self, *, create: bool) -> None:
        """Check that this is a library of a known version; make one if asked.

        Raises
        ------
        DriveLibraryError
            If there is none and none is to be made, it cannot be made, or a newer logan wrote it.
        """
        try:
            text = self.marker.read_text(encoding="utf-8", errors="replace")
        except FileNotFoundError:
            self._begin(create=create)
            return
        except NotADirectoryError as error:
            raise DriveLibraryError(
                "a file lies where the library's folder belongs", "Move it away", self.root
            ) from error
        except OSError as error:
            raise DriveLibraryError(
                "the library cannot be read", f"Check its permissions ({plain_words(error)})", self.root
            ) from error
        try:
            upgraded(json_content(text), LIBRARY_FORMAT, LIBRARY_VERSION, {}, self.marker)
        except ValueError as error:
            raise DriveLibraryError(
                "this file does not say which library it marks",
                "If the folder is a logan library, delete this one file and run: logan library rebuild",
                self.marker,
            ) from error

    def _begin(self, *, create: bool) -> None:
        has_drives = self.root.is_dir() and any(DRIVE_NAME.match(path.name) for path in self.root.iterdir())
        if not create and not has_drives:
            raise DriveLibraryError("there is no drive library here", "Import a log first: logan import LOG", self.root)
        try:
            for part in (self.root, self.notes, self.raw, self.logs, self.incoming):
                part.mkdir(parents=True, exist_ok=True)
            content = {"format": LIBRARY_FORMAT, "version": LIBRARY_VERSION}
            with locked(self.writers_lock, shared=True):  # or who opens it too would sweep the draft away
                write_durably(self.marker, (json.dumps(content) + "\n").encode(), self.incoming)
            synced(self.root.parent)
        except OSError as error:
            if has_drives:
                return  # a copy on a read-only medium, without its marker, can still be read
            raise DriveLibraryError(
                f"the library cannot be made ({error.strerror})", "Choose a folder that can be written", self.root
            ) from error


DRIVE_NAME: Final = re.compile(r"^(?P<number>[0-9]{4,9})-(?P<id>[0-9a-f]{16})\.parquet$")
NOTES_NAME: Final = re.compile(r"^(?P<id>[0-9a-f]{16})\.json$")


def drive_id_of(sha256s: Iterable[str]) -> str:
    """Name of a drive by the hashes of its logs, whatever their order; 16 hexadecimal digits."""
    text = "\n".join([*sorted(set(sha256s)), "part 0"])
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
    notes = {match["id"]: status.st_mtime_ns for _, match, status in _named_files(notes_folder, NOTES_NAME)}
    found = [
        _stored(match, path, status, notes.get(match["id"], 0))
        for path, match, status in _named_files(folder, DRIVE_NAME)
    ]
    return sorted(found, key=lambda stored: (stored.number, stored.id))


def _named_files(folder: Path, name: re.Pattern[str]) -> Iterator[tuple[Path, re.Match[str], os.stat_result]]:
    """Files of such a name, none where there is no folder; one that is taken away while we look is not among them."""
    with contextlib.suppress(FileNotFoundError, NotADirectoryError), os.scandir(folder) as entries:
        for entry in entries:
            if match := name.match(entry.name):
                with contextlib.suppress(FileNotFoundError):
                    yield Path(entry.path), match, entry.stat()


def look_at(path: Path, notes: Path) -> StoredFile:
    """One drive file that is known to be there."""
    match = DRIVE_NAME.match(path.name)
    if match is None:
        raise ValueError(f"{path.name} is no name of a drive file")
    return _stored(match, path, path.stat(), notes.stat().st_mtime_ns if notes.exists() else 0)


def _stored(match: re.Match[str], path: Path, status: os.stat_result, notes_ns: int) -> StoredFile:
    stamp = f"{status.st_size}.{status.st_mtime_ns}.{notes_ns}"
    return StoredFile(int(match["number"]), match["id"], path, status.st_size, stamp)

"""How a drive gets into the library: written aside, then named in one step."""

import contextlib
import hashlib
import sqlite3
import uuid
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from logan.drive.drive import Drive
from logan.drive_library.drive_file import read_header, write_drive_file
from logan.drive_library.durable import locked, replace_durably, synced
from logan.drive_library.folder import RAW_SUFFIX, LibraryFolder, StoredFile, drive_file_name, look_at
from logan.drive_library.header import DriveHeader, Notes, read_notes
from logan.drive_library.index import DriveIndex, put
from logan.drive_library.raw_file import RawFileWriter
from logan.drive_library.records import DriveRecord, DriveSummary
from logan.errors import DriveLibraryError, in_our_words

_BLOCK_BYTES: Final = 2**20


@dataclass(slots=True)
class StagedDrive:
    """A drive written aside: finished files that have no name in the library yet."""

    drive: Path
    beside: dict[Path, Path] = field(default_factory=dict)  # temporary -> final, raw frames and logs

    def discard(self) -> None:
        """Delete what is still aside."""
        for path in (self.drive, *self.beside):
            path.unlink(missing_ok=True)


def record_of(stored: StoredFile, folder: LibraryFolder) -> DriveRecord:
    """Work out the record of a drive from its files alone; a damaged one says so and hides nothing else."""
    return record_from(
        stored,
        header=lambda: read_header(stored.path),
        notes=lambda: read_notes(folder.notes_of(stored.id)),
        has_raw=folder.raw_of(stored.id).exists(),
    )


def record_from(
    stored: StoredFile, *, header: Callable[[], DriveHeader], notes: Callable[[], Notes], has_raw: bool
) -> DriveRecord:
    """Work out the record of a drive from its header and notes, however they are read."""
    head, noted, damage = DriveHeader(id=stored.id, start_ns=None, duration_s=0.0), Notes(), ""
    try:
        head = header()
        if head.id != stored.id:
            damage = f"the file holds drive {head.id}"
    except DriveLibraryError as error:
        damage = error.problem
    try:
        noted = notes()
    except DriveLibraryError as error:
        damage = damage or error.problem
    return DriveRecord(
        number=stored.number,
        id=stored.id,
        start_ns=head.start_ns,
        duration_s=head.duration_s,
        channels=tuple(channel.name for channel in head.channels),
        sources=head.sources,
        summary=noted.summary or head.summary,
        conditions=noted.conditions or head.conditions,
        size_bytes=stored.size_bytes,
        has_raw=has_raw,
        damage=damage,
    )


@contextlib.contextmanager
def raw_aside(folder: LibraryFolder) -> Iterator[RawFileWriter]:
    """A file of raw columns that is filled while logs are read; deleted at the end unless a drive took it along.

    Raises
    ------
    DriveLibraryError
        If the folder cannot be written.
    """
    if not folder.is_writable:
        raise DriveLibraryError("the library cannot be written", "Check the permissions of its folder", folder.root)
    path = folder.incoming / f"{uuid.uuid4().hex}{RAW_SUFFIX}"
    # The lock keeps other processes from taking the file for what a dead writer left.
    with locked(folder.writers_lock, shared=True):
        try:
            with RawFileWriter(path) as writer:
                yield writer
        finally:
            path.unlink(missing_ok=True)


@contextlib.contextmanager
def staged(
    folder: LibraryFolder,
    drive: Drive,
    *,
    drive_id: str,
    summary: DriveSummary,
    raw: RawFileWriter | None,
    keep_logs: Sequence[Path],
) -> Iterator[StagedDrive]:
    """Write a drive aside; whatever is not published by the end of the block is deleted.

    Raises
    ------
    DriveLibraryError
        If the disk is full, the folder cannot be written, or a log changed since it was read.
    """
    remedy = "Make room, or choose another folder; nothing was stored and nothing else was touched"
    refused = in_our_words(DriveLibraryError, "the drive could not be stored ({})", remedy, folder.root)
    with locked(folder.writers_lock, shared=True), refused:
        files = StagedDrive(folder.incoming / f"{uuid.uuid4().hex}.parquet")
        try:
            for log in keep_logs:
                temporary = folder.incoming / f"{uuid.uuid4().hex}.log"
                files.beside[temporary] = Path()
                sha256 = _copy_hashing(log, temporary)
                if sha256 not in {source.sha256 for source in drive.sources}:
                    raise DriveLibraryError("the log changed while it was imported", "Import it again", log)
                files.beside[temporary] = folder.log_name(sha256, log)
            if raw is not None:
                raw.finish()
                files.beside[raw.path] = folder.raw_of(drive_id)
            write_drive_file(files.drive, drive, drive_id=drive_id, summary=summary)
            for path in (files.drive, *files.beside):
                synced(path)
            yield files
        finally:
            files.discard()


def publish(
    folder: LibraryFolder, index: DriveIndex, files: StagedDrive, drive_id: str, *, replace: bool
) -> DriveRecord:
    """Give a staged drive its number and its name; the caller holds the publish lock.

    The rename of the drive's own file is the instant at which the drive is in the library.
    Everything before it is swept up after a kill, everything after it is made good on opening.
    """
    present = folder.drive_files()
    own = next((stored for stored in present if stored.id == drive_id), None)
    if own is not None and not replace:
        return record_of(own, folder)
    number = own.number if own else 1 + max((stored.number for stored in (*present, *folder.binned_files())), default=0)
    final = own.path if own else folder.root / drive_file_name(number, drive_id)
    fresh = [target for target in files.beside.values() if not target.exists()]
    try:
        with index.transaction() as connection:
            for temporary, target in files.beside.items():
                replace_durably(temporary, target)
            replace_durably(files.drive, final)
            return _indexed(connection, folder, final)
    except BaseException:
        if own is None:
            for path in (final, *fresh):
                path.unlink(missing_ok=True)
        raise


def index_drive(folder: LibraryFolder, index: DriveIndex, path: Path) -> None:
    """Bring one drive's rows up to its files; the caller holds the publish lock."""
    with index.transaction() as connection:
        _indexed(connection, folder, path)


def _indexed(connection: sqlite3.Connection, folder: LibraryFolder, path: Path) -> DriveRecord:
    stored = look_at(path, folder.notes_of(path.stem.rpartition("-")[2]))
    record = record_of(stored, folder)
    put(connection, record, stored)
    return record


def _copy_hashing(source: Path, target: Path) -> str:
    digest = hashlib.sha256()
    with source.open("rb") as reader, target.open("wb") as writer:
        while block := reader.read(_BLOCK_BYTES):
            digest.update(block)
            writer.write(block)
    return digest.hexdigest()

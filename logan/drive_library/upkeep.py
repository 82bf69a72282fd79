"""Keeping the library whole: taking in what changed, sweeping up after a kill, checking every byte."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Final

from logan.drive_library.drive_file import verify_drive_file
from logan.drive_library.durable import locked
from logan.drive_library.folder import LibraryFolder
from logan.drive_library.index import DriveIndex, forget, put
from logan.drive_library.intake import record_of
from logan.drive_library.notes import read_notes
from logan.drive_library.raw_file import read_raw_file
from logan.drive_library.records import CheckReport, Damage
from logan.drive_library.stored_file import StoredFile, drive_file_name
from logan.errors import DriveLibraryError

_BLOCK_BYTES: Final = 2**20


def distinct_drives(folder: LibraryFolder) -> tuple[list[StoredFile], list[StoredFile]]:
    """Drives of a folder, one file each; and files that hold a drive for the second time."""
    seen: set[str] = set()
    first: list[StoredFile] = []
    again: list[StoredFile] = []
    for stored in folder.drive_files():
        (again if stored.id in seen else first).append(stored)
        seen.add(stored.id)
    return first, again


def take_in_changes(folder: LibraryFolder, index: DriveIndex) -> set[str]:
    """Bring the index up to what the folder holds; the caller holds the publish lock where there can be one.

    Returns
    -------
    set of str
        Drives whose files changed, came or went.
    """
    known = index.stamps()
    present = _with_own_numbers(folder, distinct_drives(folder)[0])
    changed = [stored for stored in present if known.get(stored.id) != (stored.number, stored.stamp)]
    gone = known.keys() - {stored.id for stored in present}
    if changed or gone:
        with index.transaction() as connection:
            for drive_id in [*gone, *(stored.id for stored in changed)]:
                forget(connection, drive_id)
            for stored in changed:
                put(connection, record_of(stored, folder), stored)
    return {stored.id for stored in changed} | gone


def is_up_to_date(folder: LibraryFolder, index: DriveIndex) -> bool:
    """True when the index says what the folder holds."""
    present = {stored.id: (stored.number, stored.stamp) for stored in distinct_drives(folder)[0]}
    return present == index.stamps()


def _with_own_numbers(folder: LibraryFolder, drives: list[StoredFile]) -> list[StoredFile]:
    """Files copied in from another library may carry a number that is taken: they get the next free one."""
    taken: set[int] = set()
    numbered = []
    highest = max((stored.number for stored in drives), default=0)
    for stored in drives:
        if stored.number in taken:
            highest += 1
            path = folder.root / drive_file_name(highest, stored.id)
            if folder.is_writable:
                stored.path.rename(path)
            else:
                path = stored.path
            numbered.append(StoredFile(highest, stored.id, path, stored.size_bytes, stored.stamp))
        else:
            numbered.append(stored)
        taken.add(numbered[-1].number)
    return numbered


def sweep(folder: LibraryFolder) -> int:
    """Delete what writers left behind that died; does nothing while any writer lives.

    Returns
    -------
    int
        Files deleted.
    """
    leftovers = [path for path in folder.incoming.iterdir() if path != folder.writers_lock]
    if not leftovers:
        return 0
    try:
        with locked(folder.writers_lock, wait_s=0.0), locked(folder.publish_lock):
            return _sweep_alone(folder)
    except DriveLibraryError:
        return 0


def _sweep_alone(folder: LibraryFolder) -> int:
    doomed = [path for path in folder.incoming.iterdir() if path != folder.writers_lock]
    records = [record_of(stored, folder) for stored in folder.drive_files()]
    # A writer names frames and logs before the drive: without the drive they belong to nobody.
    ids = {record.id for record in records}
    doomed += [path for path in folder.raw.glob("*.parquet") if path.stem not in ids]
    if not any(record.damage for record in records):
        doomed += unreferenced_logs(folder, {source.sha256 for record in records for source in record.sources})
    for path in doomed:
        path.unlink(missing_ok=True)
    return len(doomed)


def unreferenced_logs(folder: LibraryFolder, referenced: set[str]) -> list[Path]:
    """Kept logs that no drive came from."""
    return [path for sha256, path in folder.kept_logs().items() if sha256 not in referenced]


def check_folder(folder: LibraryFolder) -> CheckReport:
    """Read every file of a library from end to end."""
    drives, again = distinct_drives(folder)
    damage = [
        Damage(
            file=stored.path.name,
            problem="the library holds this drive twice",
            remedy="Delete one of the two files",
        )
        for stored in again
    ]
    whole = 0
    for stored in drives:
        found = [entry for entry in (_drive_damage(stored), _notes_damage(folder, stored)) if entry]
        damage += found
        whole += not found
    raws = sorted(folder.raw.glob("*.parquet")) if folder.raw.is_dir() else []
    raw_damage = [entry for path in raws if (entry := _raw_damage(path))]
    logs = folder.kept_logs()
    log_damage = [entry for sha256, path in logs.items() if (entry := _log_damage(sha256, path))]
    return CheckReport(
        drive_count=whole,
        log_count=len(logs) - len(log_damage),
        raw_count=len(raws) - len(raw_damage),
        damage=(*damage, *raw_damage, *log_damage),
    )


def _drive_damage(stored: StoredFile) -> Damage | None:
    try:
        header = verify_drive_file(stored.path)
    except DriveLibraryError as error:
        return Damage(file=stored.path.name, problem=error.problem, remedy=error.remedy)
    if header.id != stored.id:
        return Damage(
            file=stored.path.name,
            problem=f"the file holds drive {header.id}",
            remedy="Give the file its own id back",
        )
    return None


def _notes_damage(folder: LibraryFolder, stored: StoredFile) -> Damage | None:
    try:
        read_notes(folder.notes_of(stored.id))
    except DriveLibraryError as error:
        return Damage(file=f"notes/{stored.id}.json", problem=error.problem, remedy=error.remedy)
    return None


def _raw_damage(path: Path) -> Damage | None:
    try:
        read_raw_file(path)
    except DriveLibraryError as error:
        return Damage(file=f"raw/{path.name}", problem=error.problem, remedy=error.remedy)
    return None


def _log_damage(sha256: str, path: Path) -> Damage | None:
    digest = hashlib.sha256()
    try:
        with path.open("rb") as log:
            while block := log.read(_BLOCK_BYTES):
                digest.update(block)
    except OSError as error:
        return Damage(file=f"logs/{path.name}", problem=f"the log cannot be read ({error.strerror})", remedy="")
    if digest.hexdigest() == sha256:
        return None
    return Damage(
        file=f"logs/{path.name}",
        problem="the log is not what was imported",
        remedy="Put the original back, or delete the copy: the drive itself does not need it",
    )

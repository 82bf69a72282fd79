"""Reading every byte of a library, and saying what is damaged."""

import hashlib
from collections.abc import Sequence
from pathlib import Path
from typing import Final

from logan.drive_library.drive_file import verify_drive_file
from logan.drive_library.folder import RAW_SUFFIX, LibraryFolder, StoredFile, drive_file_name
from logan.drive_library.header import read_notes
from logan.drive_library.index import DriveIndex
from logan.drive_library.intake import record_of
from logan.drive_library.raw_file import RawFile
from logan.drive_library.records import CheckReport, Damage, DriveRecord
from logan.drive_library.upkeep import distinct_drives
from logan.errors import DriveLibraryError
from logan.results import json_ready

_BLOCK_BYTES: Final = 2**20


def missing_drives(folder: LibraryFolder, index: DriveIndex) -> list[Damage]:
    """Drives that went away by no command, and what lies there without its drive; the publish lock is held."""
    present = {stored.id for stored in folder.drive_files()}
    found = [
        Damage(
            file=drive_file_name(number, drive_id),
            problem="the file of this drive is gone",
            remedy="Put it back, or import its log again; if it was meant to go: logan library rebuild",
        )
        for drive_id, number in index.missing().items()
    ]
    for path in sorted([*folder.raw.glob(f"*{RAW_SUFFIX}"), *folder.notes.glob("*.json")]):
        if path.stem not in present:
            problem = "the drive that this belongs to is not in the library"
            remedy = "Put the drive's file back, or import its log again; else delete this file"
            found.append(Damage(file=f"{path.parent.name}/{path.name}", problem=problem, remedy=remedy))
    return found


def check_folder(folder: LibraryFolder, missing: list[Damage], records: Sequence[DriveRecord]) -> CheckReport:
    """Read every file of a library from end to end; what is missing and what the index says is known already."""
    drives, again = distinct_drives(folder)
    damage = [
        Damage(
            file=stored.path.name,
            problem="the library holds this drive twice",
            remedy="Delete one of the two files",
        )
        for stored in again
    ]
    said = {record.id: json_ready(record) for record in records}
    if any(said.get(stored.id) != json_ready(record_of(stored, folder)) for stored in drives):
        problem = "it does not say what the files of the drives say"
        damage.append(Damage(file=folder.index.name, problem=problem, remedy="Run: logan library rebuild"))
    whole = 0
    for stored in drives:
        found = [entry for entry in (_drive_damage(stored), _notes_damage(folder, stored)) if entry]
        damage += found
        whole += not found
    raws = sorted(folder.raw.glob(f"*{RAW_SUFFIX}")) if folder.raw.is_dir() else []
    raw_damage = [entry for path in raws if (entry := _raw_damage(path))]
    logs = folder.kept_logs()
    log_damage = [entry for sha256, path in logs.items() if (entry := _log_damage(sha256, path))]
    return CheckReport(
        drive_count=whole,
        log_count=len(logs) - len(log_damage),
        raw_count=len(raws) - len(raw_damage),
        damage=(*damage, *raw_damage, *log_damage, *missing),
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
        RawFile(path).verify()
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

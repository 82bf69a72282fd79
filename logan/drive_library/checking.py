"""Reading every byte of a library, and saying what is damaged."""

import hashlib
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

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
    said = {record.id: json_ready(replace(record, damage="")) for record in records}  # that is looked for below
    if any(said.get(stored.id) != json_ready(replace(record_of(stored, folder), damage="")) for stored in drives):
        problem = "it does not say what the files of the drives say"
        damage.append(Damage(file=folder.index.name, problem=problem, remedy="Run: logan library rebuild"))
    whole = 0
    for stored in drives:
        notes = folder.notes_of(stored.id)
        found = [*_damage(stored.path.name, _verify_drive, stored), *_damage(f"notes/{notes.name}", read_notes, notes)]
        damage += found
        whole += not found
    raws = sorted(folder.raw.glob(f"*{RAW_SUFFIX}")) if folder.raw.is_dir() else []
    raw_damage = [entry for path in raws for entry in _damage(f"raw/{path.name}", _verify_raw, path)]
    logs = folder.kept_logs()
    log_damage = [entry for one in logs.items() for entry in _damage(f"logs/{one[1].name}", _verify_log, *one)]
    return CheckReport(
        drive_count=whole,
        log_count=len(logs) - len(log_damage),
        raw_count=len(raws) - len(raw_damage),
        damage=(*damage, *raw_damage, *log_damage, *missing),
    )


def _damage(file: str, verify: Callable[..., object], *of: object) -> list[Damage]:
    """What a look at one file finds wrong with it."""
    try:
        verify(*of)
    except DriveLibraryError as error:
        return [Damage(file=file, problem=error.problem, remedy=error.remedy)]
    return []


def _verify_drive(stored: StoredFile) -> None:
    header = verify_drive_file(stored.path)
    if header.id != stored.id:
        raise DriveLibraryError(f"the file holds drive {header.id}", "Give the file its own id back")


def _verify_raw(path: Path) -> None:
    RawFile(path).verify()


def _verify_log(sha256: str, path: Path) -> None:
    try:
        with path.open("rb") as log:
            digest = hashlib.file_digest(log, "sha256")
    except OSError as error:
        raise DriveLibraryError(f"the log cannot be read ({error.strerror})", "") from error
    if digest.hexdigest() != sha256:
        remedy = "Put the original back, or delete the copy: the drive itself does not need it"
        raise DriveLibraryError("the log is not what was imported", remedy)

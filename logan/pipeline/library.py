"""The drive library as the faces use it: open, note, look after, analyse again what settings touch."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

from logan.drive.drive import Drive, DriveConditions
from logan.drive_library.records import CheckReport, DriveRecord, DriveSummary
from logan.drive_library.repository import DriveLibrary
from logan.errors import DriveLibraryError
from logan.pipeline.builds import BuildFolder, find_build


def library_folder(path: Path) -> Path:
    """Folder of the library at, in or above a path."""
    if (path / "library.json").is_file() or any(path.glob("[0-9]*-*.parquet")):
        return path
    if (path / "drives").is_dir():
        return path / "drives"
    return find_build(path).library


def open_library(path: Path, *, create: bool = False) -> DriveLibrary:
    """Open the library of a build, given its folder or the library's own.

    Raises
    ------
    DriveLibraryError
        If there is none and ``create`` is False.
    ConfigurationError
        If there is no build either.
    """
    return DriveLibrary.open(library_folder(path), create=create)


def open_build_library(build: BuildFolder, *, create: bool = False) -> DriveLibrary:
    """Open the library of a build that was found."""
    return DriveLibrary.open(build.library, create=create)


def note_conditions(library: DriveLibrary, drive: int | str, **changes: Any) -> DriveRecord:
    """Change some of a drive's conditions and leave the others as they are.

    Parameters
    ----------
    library : DriveLibrary
        Where the drive is.
    drive : int or str
        Number or id.
    **changes
        Fields of ``DriveConditions``; None takes a number out, an empty text a note.
    """
    conditions: DriveConditions = library.record(drive).conditions
    return library.set_conditions(drive, replace(conditions, **changes))


def stale_drives(library: DriveLibrary, fingerprint: str) -> tuple[DriveRecord, ...]:
    """Drives whose summary was worked out with other settings, or never."""
    return tuple(
        record for record in library.drives() if not record.damage and record.summary.fingerprint != fingerprint
    )


def analyse_again(
    library: DriveLibrary, fingerprint: str, summarise: Callable[[Drive], DriveSummary]
) -> Iterator[DriveRecord]:
    """Summarise anew the drives that a change of settings touches, one after the other.

    Parameters
    ----------
    library : DriveLibrary
        The drives.
    fingerprint : str
        Of the settings that the summary rests on; see ``settings_fingerprint``.
    summarise : callable
        Drive to summary.

    Yields
    ------
    DriveRecord
        Each drive as it now stands. One that turns out damaged is passed over.
    """
    for record in stale_drives(library, fingerprint):
        try:
            drive = library.load(record.number)
        except DriveLibraryError:
            continue
        yield library.set_summary(record.number, replace(summarise(drive), fingerprint=fingerprint))


def check_library(path: Path) -> CheckReport:
    """Read every file of a library from end to end."""
    with open_library(path) as library:
        return library.check()


def rebuild_library(path: Path) -> int:
    """Make the index again from the files; returns the number of drives."""
    with open_library(path) as library:
        return library.rebuild()


def remove_drive(path: Path, drive: str) -> DriveRecord:
    """Take a drive out for good; returns what it was."""
    with open_library(path) as library:
        record = library.record(drive)
        library.remove(record.number)
        return record

"""The drive library as the faces use it: open, look after, analyse again what settings touch."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from logan.drive_library.repository import DriveLibrary
from logan.pipeline.builds import BuildFolder, find_build

if TYPE_CHECKING:
    from logan.drive_library.records import CheckReport, DriveRecord
    from logan.settings import BuildSettings


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


def refresh_summaries(library: DriveLibrary, build: BuildSettings) -> tuple[int, ...]:
    """Analyse again the drives whose summary rests on other settings than the build's, and no others.

    Returns
    -------
    tuple of int
        Numbers of the drives that were analysed.
    """
    from logan.pipeline.stored import analyse_stored, analysis_fingerprint

    done = []
    for record in library.drives():
        if not record.damage and record.summary.fingerprint != analysis_fingerprint(build, record.conditions):
            analyse_stored(library, record, build)
            done.append(record.number)
    return tuple(done)


def drives_kept_raw(folder: BuildFolder) -> int:
    """How many stored drives can be decoded again without their logs."""
    if not folder.library.is_dir():
        return 0
    with DriveLibrary.open(folder.library) as library:
        return sum(record.has_raw for record in library.drives())


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

"""The drive library as the faces use it: open, look after, analyse again what settings touch."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache, partial
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING

from logan.drive_library.repository import DriveLibrary
from logan.pipeline.builds import BuildFolder, find_build
from logan.version import science_edition

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


def bring_up_to_date(
    library: DriveLibrary, folder: BuildFolder, *, told: Callable[[str], None] | None = None
) -> tuple[int, ...]:
    """Analyse again the drives whose figures rest on other settings than the build's, and no others.

    Where neither ``build.toml`` nor a drive changed since it was last asked, that is seen at once.

    Parameters
    ----------
    library : DriveLibrary
        The build's drives.
    folder : BuildFolder
        The build.
    told : callable, optional
        Told which drive is analysed.

    Returns
    -------
    tuple of int
        Numbers of the drives that were analysed; none where the library cannot be written.

    Raises
    ------
    ConfigurationError
        With every problem of the settings.
    """
    stamp = settings_stamp(folder)
    if not library.is_writable or _is_current(library, stamp):
        return ()
    from logan.pipeline.stored import analyse_stored

    build = folder.settings()
    stale = _stale_drives(library, build)
    for record in stale:
        if told is not None:
            told(f"analysing drive {record.number} with the settings as they are now")
        analyse_stored(library, record, build)
    library.set_up_to_date_with(stamp)
    return tuple(record.number for record in stale)


def stale_drives(library: DriveLibrary, folder: BuildFolder) -> tuple[DriveRecord, ...]:
    """Drives whose figures rest on other settings than the build's.

    Raises
    ------
    ConfigurationError
        With every problem of the settings.
    """
    return () if _is_current(library, settings_stamp(folder)) else _stale_drives(library, folder.settings())


def _is_current(library: DriveLibrary, stamp: str) -> bool:
    """Whether it can be seen at once that no figure rests on other settings."""
    return bool(stamp and library.is_up_to_date_with(stamp)) or not library.drives()


def _stale_drives(library: DriveLibrary, build: BuildSettings) -> tuple[DriveRecord, ...]:
    from logan.pipeline.instruments import calibrated
    from logan.pipeline.stored import analysis_fingerprint

    build = calibrated(library, build)
    # Once for equal conditions: naming all settings takes milliseconds, and most drives have none noted.
    fingerprint_of = cache(partial(analysis_fingerprint, build))
    return tuple(
        record
        for record in library.drives()
        if not record.damage and record.summary.fingerprint != fingerprint_of(record.conditions)
    )


def settings_stamp(folder: BuildFolder) -> str:
    """Hash of the settings as they are written; empty where they cannot be read."""
    try:
        content = folder.settings_file.read_bytes()
        if folder.measurements_file.is_file():
            content += folder.measurements_file.read_bytes()
    except OSError:
        return ""
    return sha256(science_edition().encode() + content).hexdigest()


def drives_kept_raw(folder: BuildFolder) -> int:
    """How many stored drives can be decoded again without their logs."""
    if not folder.library.is_dir():
        return 0
    with DriveLibrary.open(folder.library) as library:
        return sum(record.has_raw for record in library.drives())


def check_library(path: Path) -> CheckReport:
    """Read every file of a library from end to end, and look for drives that it holds twice."""
    from logan.pipeline.repeats import repeats_in

    with open_library(path) as library:
        return replace(library.check(), repeats=repeats_in(library))


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

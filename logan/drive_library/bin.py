"""The bin of a library: drives taken out, which come back as they were until it is emptied."""

from pathlib import Path

from logan.drive_library.durable import locked
from logan.drive_library.folder import LibraryFolder, drive_file_name
from logan.drive_library.repository import DriveLibrary
from logan.errors import UsageError


def put_into_bin(library: DriveLibrary, drive: int | str) -> str:
    """Take a drive out of the library, with its frames and notes, so that it can be brought back; return its id."""
    record, place = library.record(drive), LibraryFolder(library.folder)
    pairs = _pairs(place, drive_file_name(record.number, record.id), record.id)
    with locked(place.publish_lock):
        place.bin.mkdir(exist_ok=True)
        # The drive's own file goes last, as it comes first into the library: half-way it is still there.
        for own, binned in reversed(pairs):
            if own.exists():
                own.replace(binned)
    library.forget(record.id)
    return record.id


def bring_back(library: DriveLibrary, drive_id: str) -> int:
    """Bring a drive back out of the bin; return its number.

    Raises
    ------
    UsageError
        If it is not there.
    """
    place = LibraryFolder(library.folder)
    found = next((number for number, known in in_bin(library) if known == drive_id), None)
    if found is None:
        raise UsageError("this drive is not in the bin", "It may have been brought back, or the bin emptied")
    pairs = _pairs(place, drive_file_name(found, drive_id), drive_id)
    with locked(place.publish_lock):
        for own, binned in reversed(pairs):
            if binned.exists():
                binned.replace(own)
    library.refresh()
    return library.record(drive_id).number


def in_bin(library: DriveLibrary) -> tuple[tuple[int, str], ...]:
    """Number and id of every drive in the bin."""
    return tuple((stored.number, stored.id) for stored in LibraryFolder(library.folder).binned_files())


def empty_bin(library: DriveLibrary) -> int:
    """Delete what is in the bin for good; return how many drives it held."""
    place = LibraryFolder(library.folder)
    with locked(place.publish_lock):
        count = len(in_bin(library))
        for path in place.bin.glob("*"):
            path.unlink(missing_ok=True)
    return count


def _pairs(place: LibraryFolder, name: str, drive_id: str) -> list[tuple[Path, Path]]:
    """Where each file of a drive lies in the library and in the bin; the drive's own first."""
    own = (place.root / name, place.notes_of(drive_id), place.raw_of(drive_id))
    return [(path, place.bin / path.name) for path in own]

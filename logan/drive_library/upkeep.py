"""Keeping the library whole: taking in what changed, sweeping up after a kill."""

from pathlib import Path

from logan.drive_library.durable import locked
from logan.drive_library.folder import RAW_SUFFIX, LibraryFolder, StoredFile, drive_file_name
from logan.drive_library.index import DriveIndex, forget, put
from logan.errors import DriveLibraryError


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
        # Here, because it brings numpy and pyarrow along: a library that did not change is opened without.
        from logan.drive_library.intake import record_of

        with index.transaction() as connection:
            remembered = "INSERT OR REPLACE INTO missing SELECT id, number FROM drive WHERE id = ?"
            connection.executemany(remembered, [(drive_id,) for drive_id in gone])
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
        with locked(folder.writers_lock, wait_s=0.0), locked(folder.publish_lock, wait_s=0.0):
            return _sweep_alone(folder)
    except DriveLibraryError:
        return 0


def _sweep_alone(folder: LibraryFolder) -> int:
    from logan.drive_library.intake import record_of

    doomed = [path for path in folder.incoming.iterdir() if path != folder.writers_lock]
    records = [record_of(stored, folder) for stored in folder.drive_files()]
    # A writer names frames and logs before the drive: without the drive they belong to nobody.
    ids = {record.id for record in records}
    doomed += [path for path in folder.raw.glob(f"*{RAW_SUFFIX}") if path.stem not in ids]
    if not any(record.damage for record in records):
        doomed += unreferenced_logs(folder, {source.sha256 for record in records for source in record.sources})
    for path in doomed:
        path.unlink(missing_ok=True)
    return len(doomed)


def unreferenced_logs(folder: LibraryFolder, referenced: set[str]) -> list[Path]:
    """Kept logs that no drive came from."""
    return [path for sha256, path in folder.kept_logs().items() if sha256 not in referenced]

"""The drive library of one build: a folder of drive files, and an index that can be made again from them.

What reads or writes samples is imported where it is used, so that listing drives loads no numpy.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import replace as replace_fields
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from logan.drive_library.analysis_cache import EVERY_DRIVE as EVERY_DRIVE, UP_TO_DATE as UP_TO_DATE, AnalysisCache
from logan.drive_library.durable import LOCK_PATIENCE_S, READER_PATIENCE_S, locked
from logan.drive_library.folder import LibraryFolder, drive_file_name, drive_id_of
from logan.drive_library.header import Notes, read_notes, write_notes
from logan.drive_library.index import DriveIndex, note_damage
from logan.drive_library.records import CheckReport, DriveRecord, DriveSummary
from logan.drive_library.upkeep import is_up_to_date, sweep, take_in_changes, unreferenced_logs
from logan.errors import DriveLibraryBusyError, DriveLibraryError, UsageError, in_our_words
from logan.results import Figure, JsonValue, json_ready

if TYPE_CHECKING:
    import pandas as pd

    from logan.drive.drive import Drive
    from logan.drive.provenance import DriveConditions
    from logan.drive_library.raw_file import RawFile, RawFileWriter

Kept = TypeVar("Kept")


class DriveLibrary:
    """One folder of drives.

    The files are the truth; the index beside them is only there for speed. Several
    processes may read and add at the same time. Open one with ``DriveLibrary.open``.
    """

    def __init__(self, folder: LibraryFolder, index: DriveIndex, cache: AnalysisCache) -> None:
        self._folder = folder
        self._index = index
        self._cache = cache

    @classmethod
    def open(cls, folder: Path | str, *, create: bool = False) -> DriveLibrary:
        """Open a library, taking in what is new in the folder since it was last opened.

        Parameters
        ----------
        folder : Path or str
            The library's folder, ``drives/`` of a build.
        create : bool
            Make it where there is none.

        Raises
        ------
        DriveLibraryError
            If there is none and ``create`` is False, or a newer logan wrote it.
        """
        place = LibraryFolder(Path(folder).absolute())
        place.prepare(create=create)
        if place.is_writable:
            with in_our_words(
                DriveLibraryError, "the library cannot be opened ({})", "Look for its folder", place.root
            ):
                for part in (place.notes, place.raw, place.logs, place.incoming):
                    part.mkdir(exist_ok=True)
                sweep(place)
        # Under the lock, so that nobody makes the index's tables while somebody else does; SQLite's own must do else.
        with contextlib.ExitStack() as held:
            with contextlib.suppress(DriveLibraryBusyError):
                held.enter_context(_publishing(place, wait_s=READER_PATIENCE_S))
            index = DriveIndex(place.index, is_writable=place.is_writable)
            library = cls(place, index, AnalysisCache(place.cache, is_writable=place.is_writable))
        try:
            library.refresh()
        except BaseException:
            library.close()
            raise
        return library

    @property
    def folder(self) -> Path:
        """Where the library lies."""
        return self._folder.root

    @property
    def is_writable(self) -> bool:
        """False on a read-only medium, where drives can be listed and read but nothing noted."""
        return self._folder.is_writable

    def close(self) -> None:
        """Let the index go."""
        self._index.close()
        self._cache.close()

    def __enter__(self) -> DriveLibrary:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def refresh(self) -> None:
        """Take in what other processes, or a file manager, did to the folder."""
        if is_up_to_date(self._folder, self._index):
            return
        # A reader sees what was there before a writer began, but no list that lacks drives.
        is_complete = {stored.id for stored in self._folder.drive_files()} <= self._index.stamps().keys()
        try:
            with _publishing(self._folder, wait_s=READER_PATIENCE_S if is_complete else LOCK_PATIENCE_S):
                self._cache.forget(*take_in_changes(self._folder, self._index))
        except DriveLibraryBusyError:
            if not is_complete:
                raise

    def drives(self, *, most: int = -1) -> tuple[DriveRecord, ...]:
        """Every drive, or the first ``most`` of them, by number, without opening a drive file."""
        return self._index.records(most=most)

    @property
    def drive_count(self) -> int:
        """How many drives there are."""
        return len(self._index.stamps())

    def record(self, drive: int | str) -> DriveRecord:
        """One drive by number (``12`` or ``"12"``) or by the first digits of its id.

        Raises
        ------
        UsageError
            If no drive, or more than one, answers to it.
        """
        name = str(drive).strip().lower().removeprefix("#")
        if name.isdecimal() and len(name) < 10:
            found = self._index.records("WHERE number = ?", (int(name),))
            if found:
                return found[0]
        if len(name) >= 4 and all(digit in "0123456789abcdef" for digit in name):
            found = self._index.records("WHERE id >= ? AND id < ?", (name, name + "g"))
            if len(found) == 1:
                return found[0]
            if found:
                raise UsageError(f"{len(found)} drives have an id that begins with '{name}'", "Give more digits")
        raise UsageError(f"there is no drive '{drive}' in the library", "See: logan drives", self.folder)

    def find_by_source(self, sha256s: Iterable[str]) -> DriveRecord | None:
        """The drive that came from exactly these logs, or None."""
        found = self._index.records("WHERE id = ?", (drive_id_of(sha256s),))
        return found[0] if found else None

    def add(
        self,
        drive: Drive,
        *,
        summary: DriveSummary | None = None,
        raw: RawFileWriter | None = None,
        keep_logs: Sequence[Path] = (),
        replace: bool = False,
    ) -> DriveRecord:
        """Store a drive whole, or leave no trace of it.

        Parameters
        ----------
        drive : Drive
            Its ``sources`` say which logs it came from: the same logs are the same drive.
        summary : DriveSummary, optional
            What was worked out for it.
        raw : RawFileWriter, optional
            What the logs said, from ``raw_aside``; kept beside it.
        keep_logs : sequence of Path
            Logs whose bytes are copied into the library; others are referenced by their hash.
        replace : bool
            Store again a drive that is there already (after a change of DBC or channel map);
            number and notes stay.

        Returns
        -------
        DriveRecord
            The new drive, or the one that was there already.

        Raises
        ------
        DriveLibraryError
            If the disk is full, the folder cannot be written, or a log changed since it was read.
        UsageError
            If the drive says of no log that it came from it.
        """
        from logan.drive_library.intake import publish, staged

        if not drive.sources:
            raise UsageError("the drive does not say which log it came from", "Give it sources before storing it")
        hashes = [source.sha256 for source in drive.sources]
        known = self.find_by_source(hashes)
        if known is not None and not replace:
            return known
        drive_id = drive_id_of(hashes)
        with (
            staged(
                self._folder,
                drive,
                drive_id=drive_id,
                summary=summary or DriveSummary(),
                raw=raw,
                keep_logs=keep_logs,
            ) as files,
            locked(self._folder.publish_lock),
        ):
            take_in_changes(self._folder, self._index)
            if replace:
                self._forget_summary(drive_id)
            record = publish(self._folder, self._index, files, drive_id, replace=replace)
        self._cache.forget(drive_id)
        return self.record(record.id)

    def _forget_summary(self, drive_id: str) -> None:
        """Drop the summary noted for a drive before another takes its place; its own header still holds one."""
        path = self._folder.notes_of(drive_id)
        notes = read_notes(path)
        if notes.summary is not None:
            write_notes(path, Notes(conditions=notes.conditions), self._folder.incoming)
            take_in_changes(self._folder, self._index)

    def load(self, drive: int | str, channels: Iterable[str] | None = None) -> Drive:
        """Read a drive back, whole or only some of its channels.

        Parameters
        ----------
        drive : int or str
            Number or id.
        channels : iterable of str, optional
            Canonical names; those that the drive does not have are passed over.

        Raises
        ------
        DriveLibraryError
            If its file is damaged.
        """
        from logan.drive_library.drive_file import read_drive

        record = self.record(drive)
        try:
            return replace_fields(read_drive(self.path(record.id), channels), conditions=record.conditions)
        except DriveLibraryError as error:
            # So that the drive costs no other from here on; nothing hangs on its being noted.
            with contextlib.suppress(DriveLibraryError), self._index.transaction() as connection:
                note_damage(connection, record, error.problem)
            raise

    def table(self) -> pd.DataFrame:
        """Every drive and every metric, one row each; see ``drives_table``."""
        from logan.drive_library.tables import drives_table

        return drives_table(self.drives())

    def channels(
        self, drive: int | str, names: Iterable[str] | None = None, *, period_s: float | None = None
    ) -> pd.DataFrame:
        """Channels of one drive side by side, indexed by ``time_s``; see ``channels_table``."""
        from logan.drive_library.tables import channels_table

        wanted = None if names is None else list(names)
        return channels_table(self.load(drive, wanted), wanted, period_s=period_s)

    def path(self, drive: int | str) -> Path:
        """File of a drive."""
        record = self.record(drive)
        return self.folder / drive_file_name(record.number, record.id)

    def raw_aside(self) -> contextlib.AbstractContextManager[RawFileWriter]:
        """A file to fill while logs are read and to hand to ``add``; what is not handed on is deleted."""
        from logan.drive_library.intake import raw_aside

        return raw_aside(self._folder)

    def raw(self, drive: int | str) -> RawFile | None:
        """What the logs of a drive said; None where it was not kept.

        Raises
        ------
        DriveLibraryError
            If the file is damaged.
        """
        from logan.drive_library.raw_file import RawFile

        path = self._folder.raw_of(self.record(drive).id)
        return RawFile(path) if path.exists() else None

    def set_conditions(self, drive: int | str, conditions: DriveConditions) -> DriveRecord:
        """Note conditions, tags or a reason to leave the drive out of the fit."""
        self._cache.forget_up_to_date()
        return self._set_notes(drive, conditions=conditions)

    def set_summary(self, drive: int | str, summary: DriveSummary) -> DriveRecord:
        """Replace the summary after a new analysis."""
        return self._set_notes(drive, summary=summary)

    def _set_notes(
        self,
        drive: int | str,
        *,
        conditions: DriveConditions | None = None,
        summary: DriveSummary | None = None,
    ) -> DriveRecord:
        from logan.drive_library.intake import index_drive

        record = self.record(drive)
        path = self._folder.notes_of(record.id)
        refused = in_our_words(
            DriveLibraryError, "the note could not be stored ({})", "Make room; the notes are as they were", path
        )
        with refused, locked(self._folder.writers_lock, shared=True), locked(self._folder.publish_lock):
            before = read_notes(path)
            notes = Notes(conditions=conditions or before.conditions, summary=summary or before.summary)
            write_notes(path, notes, self._folder.incoming)
            index_drive(self._folder, self._index, self.path(record.number))
        return self.record(record.id)

    def metric(self, name: str) -> tuple[tuple[DriveRecord, Figure], ...]:
        """One metric over all drives that have it, by start time; drives without a clock come first."""
        drives = sorted(self.drives(), key=lambda one: (one.start_ns is not None, one.start_ns or 0, one.number))
        found = ((one, one.summary.metrics.get(name)) for one in drives)
        return tuple((one, figure) for one, figure in found if figure is not None)

    def metric_names(self) -> tuple[str, ...]:
        """Metrics that any drive has."""
        return tuple(sorted({name for one in self.drives() for name in one.summary.metrics}))

    def analysis(self, drive: int | str, key: str, fingerprint: str) -> JsonValue:
        """A stored analysis of a drive, or of ``EVERY_DRIVE``, if made with settings of this fingerprint; else None."""
        return self._cache.get(self._cached_as(drive), key, fingerprint)

    def set_analysis(self, drive: int | str, key: str, fingerprint: str, content: JsonValue) -> None:
        """Store an analysis in place of an older one of the same key.

        One of ``EVERY_DRIVE`` is dropped when a drive comes, goes or changes.
        """
        self._cache.put(self._cached_as(drive), key, fingerprint, content)

    def kept(
        self, drive: int | str, key: str, fingerprint: str, read: Callable[[Any], Kept], make: Callable[[], Kept]
    ) -> Kept:
        """An analysis as stored, or made and stored now; one that an older logan wrote may not be readable."""
        content = self.analysis(drive, key, fingerprint)
        if content is not None:
            with contextlib.suppress(ValueError, KeyError, TypeError):
                return read(content)
        made = make()
        self.set_analysis(drive, key, fingerprint, json_ready(made))
        return made

    def _cached_as(self, drive: int | str) -> str:
        return self.record(drive).id if drive != EVERY_DRIVE else ""

    def remove(self, drive: int | str) -> None:
        """Take a drive out of the library, with its frames, its notes and the logs that only it came from."""
        record = self.record(drive)
        self._require_writable()
        with locked(self._folder.publish_lock):
            self.path(record.number).unlink(missing_ok=True)
            self._folder.notes_of(record.id).unlink(missing_ok=True)
            self._folder.raw_of(record.id).unlink(missing_ok=True)
            take_in_changes(self._folder, self._index)
            kept = {source.sha256 for other in self.drives() for source in other.sources}
            own = {source.sha256 for source in record.sources}
            for path in unreferenced_logs(self._folder, kept):
                if path.name[:64] in own:
                    path.unlink(missing_ok=True)
        self.forget(record.id)

    def forget(self, drive_id: str) -> None:
        """Take in that a drive's files were moved away on purpose: it is not missed."""
        with locked(self._folder.publish_lock):
            take_in_changes(self._folder, self._index)
            with self._index.transaction() as connection:
                connection.execute("DELETE FROM missing WHERE id = ?", (drive_id,))
        self._cache.forget(drive_id)

    def rebuild(self) -> int:
        """Make the index again from the files alone.

        Returns
        -------
        int
            Drives found.

        Raises
        ------
        DriveLibraryError
            If the folder cannot be written.
        """
        self._require_writable()
        with _publishing(self._folder):
            self._index.mend()
            with self._index.transaction() as connection:  # as one change: others read the old rows until it is over
                connection.execute("DELETE FROM drive")
                connection.execute("DELETE FROM missing")
                take_in_changes(self._folder, self._index)
        return len(self.drives())

    def _require_writable(self) -> None:
        if not self.is_writable:
            raise DriveLibraryError("the library cannot be written", "Check its permissions", self.folder)

    def check(self) -> CheckReport:
        """Read every file from end to end and say what is damaged."""
        from logan.drive_library.checking import check_folder, missing_drives

        self.refresh()
        with _publishing(self._folder):
            missing = missing_drives(self._folder, self._index)
        return check_folder(self._folder, missing, self.drives())


@contextlib.contextmanager
def _publishing(folder: LibraryFolder, *, wait_s: float = LOCK_PATIENCE_S) -> Iterator[None]:
    """Hold the publish lock where there can be one."""
    if not folder.is_writable:
        yield
        return
    with locked(folder.publish_lock, wait_s=wait_s):
        yield

"""The drive library of one build: a folder of drive files, and an index that can be made again from them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any

import numpy as np

from logan.drive.drive import Drive, DriveConditions
from logan.drive_library.records import CheckReport, DriveRecord, DriveSummary, MetricPoint
from logan.results import JsonValue


@dataclass(frozen=True, slots=True, eq=False)
class CachedAnalysis:
    """A stored analysis: a JSON part and named arrays."""

    content: JsonValue
    arrays: Mapping[str, np.ndarray[Any, Any]]


class DriveLibrary:
    """One folder of drives.

    The files are the truth; the index beside them is only there for speed. Several
    processes may read and add at the same time.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    @classmethod
    def open(cls, folder: Path | str, *, create: bool = False) -> DriveLibrary:
        """Open a library, taking in what is new in the folder since it was last opened.

        Raises
        ------
        DriveLibraryError
            If there is none and ``create`` is False, or a newer logan wrote it.
        """
        raise NotImplementedError

    def close(self) -> None:
        """Let the index go."""

    def __enter__(self) -> DriveLibrary:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def drives(self) -> tuple[DriveRecord, ...]:
        """Every drive, by number, without opening a drive file."""
        raise NotImplementedError

    def record(self, drive: int | str) -> DriveRecord:
        """One drive by number (``12`` or ``"12"``) or by the first digits of its id."""
        raise NotImplementedError

    def find_by_source(self, sha256s: Iterable[str], *, part: int = 0) -> DriveRecord | None:
        """The drive that came from exactly these logs, or None."""
        raise NotImplementedError

    def add(
        self,
        drive: Drive,
        *,
        summary: DriveSummary | None = None,
        part: int = 0,
        raw: object | None = None,
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
        part : int
            Which of several drives in the same logs, from 0.
        raw : RawColumns, optional
            Frames of the log, kept beside it.
        keep_logs : sequence of Path
            Logs whose bytes are copied into the library; others are referenced by their hash.
        replace : bool
            Store again a drive that is there already (after a change of DBC or channel map);
            number and conditions stay.

        Returns
        -------
        DriveRecord
            The new drive, or the one that was there already.

        Raises
        ------
        DriveLibraryError
            If the disk is full or the folder cannot be written.
        """
        raise NotImplementedError

    def load(self, drive: int | str, channels: Iterable[str] | None = None) -> Drive:
        """Read a drive back, whole or only some of its channels.

        Raises
        ------
        DriveLibraryError
            If its file is damaged.
        """
        raise NotImplementedError

    def raw(self, drive: int | str) -> Any:
        """Frames of the log as ``RawColumns``; None where they were not kept."""
        raise NotImplementedError

    def set_conditions(self, drive: int | str, conditions: DriveConditions) -> DriveRecord:
        """Note conditions, tags or a reason to leave the drive out of the fit."""
        raise NotImplementedError

    def set_summary(self, drive: int | str, summary: DriveSummary) -> DriveRecord:
        """Replace the summary after a new analysis."""
        raise NotImplementedError

    def metric(self, name: str) -> tuple[MetricPoint, ...]:
        """One metric over all drives, by start time."""
        raise NotImplementedError

    def metric_names(self) -> tuple[str, ...]:
        """Metrics that any drive has."""
        raise NotImplementedError

    def analysis(self, drive: int | str, key: str, fingerprint: str) -> CachedAnalysis | None:
        """A stored analysis, if it was made with settings of this fingerprint; else None."""
        raise NotImplementedError

    def set_analysis(
        self,
        drive: int | str,
        key: str,
        fingerprint: str,
        content: JsonValue = None,
        arrays: Mapping[str, np.ndarray[Any, Any]] | None = None,
    ) -> None:
        """Store an analysis in place of an older one of the same key."""
        raise NotImplementedError

    def remove(self, drive: int | str) -> None:
        """Take a drive, its frames and its kept logs out of the library."""
        raise NotImplementedError

    def rebuild(self) -> int:
        """Make the index again from the files alone; returns the number of drives."""
        raise NotImplementedError

    def check(self) -> CheckReport:
        """Read every file from end to end and say what is damaged."""
        raise NotImplementedError

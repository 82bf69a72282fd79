"""Drives that the library holds twice: the same drive from another log, or two drives at one time."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import combinations
from typing import Final

from logan.drive.drive import Drive
from logan.drive_library.records import DriveRecord, DriveRepeat
from logan.drive_library.repository import DriveLibrary
from logan.errors import DriveLibraryError
from logan.quality.between_drives import DriveFingerprint, find_duplicates, fingerprint, is_same_drive
from logan.results import DataFlag, Severity

_SPEEDS: Final = ("speed", "gnss_speed", "wheel_speed")
_LEAST_OVERLAP_S: Final = 30.0
_LEAST_OVERLAP_RATIO: Final = 0.05
"""Of the shorter drive: clocks of two loggers differ, and one drive may begin before the last log is closed."""


def repeats_in(library: DriveLibrary) -> tuple[DriveRepeat, ...]:
    """Every pair of drives of a library that are one drive, or that were driven at one time."""
    records = [record for record in library.drives() if not record.damage]
    known: dict[int, DriveFingerprint | None] = {}

    def print_of(record: DriveRecord) -> DriveFingerprint | None:
        if record.number not in known:
            known[record.number] = _print_of(library, record)
        return known[record.number]

    repeats = []
    for first, second in combinations(records, 2):
        overlap_s = _overlap_s(first.start_ns, first.duration_s, second)
        one, other = (print_of(first), print_of(second)) if _may_be_same(first.duration_s, second) else (None, None)
        is_same = one is not None and other is not None and is_same_drive(one, other)
        if is_same or overlap_s:
            repeats.append(DriveRepeat(first=first.number, second=second.number, is_same=is_same, overlap_s=overlap_s))
    return tuple(repeats)


def repeat_flags(drive: Drive, library: DriveLibrary, *, own_id: str = "") -> tuple[DataFlag, ...]:
    """What a drive that is about to be stored repeats of those that are there.

    Parameters
    ----------
    drive : Drive
        The new drive.
    library : DriveLibrary
        The drives that are there.
    own_id : str
        Id of the drive that the new one replaces, which it naturally repeats.
    """
    others = [record for record in library.drives() if not record.damage and record.id != own_id]
    own = fingerprint(drive)
    same = () if own is None else find_duplicates(own, _prints(library, others, own.duration_s))
    if same:
        return same
    return tuple(
        DataFlag(
            code="overlapping_drive",
            severity=Severity.AMBER,
            channels=(),
            title="Another drive was recorded at the same time",
            evidence=f"{overlap_s:.0f} s of it lie within drive {other.number}, by the clocks of both logs",
            remedy="If both are parts of one drive, import them together with --one-drive; if a clock is wrong, "
            "leave it at that",
        )
        for other in others
        if (overlap_s := _overlap_s(drive.start_ns, drive.duration_s, other))
    )


def _prints(
    library: DriveLibrary, records: Sequence[DriveRecord], duration_s: float
) -> Iterator[tuple[str, DriveFingerprint]]:
    for record in records:
        if _may_be_same(duration_s, record) and (found := _print_of(library, record)) is not None:
            yield str(record.number), found


def _print_of(library: DriveLibrary, record: DriveRecord) -> DriveFingerprint | None:
    try:
        return fingerprint(library.load(record.number, _SPEEDS))
    except DriveLibraryError:
        return None  # damaged within: check says so


def _may_be_same(duration_s: float, other: DriveRecord) -> bool:
    """False where the lengths alone tell two drives apart; other channels than speed may lengthen one a little."""
    return abs(duration_s - other.duration_s) <= max(10.0, 0.02 * duration_s)


def _overlap_s(start_ns: int | None, duration_s: float, other: DriveRecord) -> float:
    """How long both were driven at once; zero where it is little, or a clock is missing."""
    if start_ns is None or other.start_ns is None:
        return 0.0
    between_s = (other.start_ns - start_ns) / 1e9
    overlap_s = min(duration_s, between_s + other.duration_s) - max(0.0, between_s)
    least_s = max(_LEAST_OVERLAP_S, _LEAST_OVERLAP_RATIO * min(duration_s, other.duration_s))
    return overlap_s if overlap_s >= least_s else 0.0

"""Is this drive already there? By its content, so that a renamed or re-exported log is found too."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

import numpy as np

from logan.drive.drive import Drive
from logan.drive.motion import road_speed
from logan.flags import DataFlag, Severity
from logan.results import read_only, result
from logan.units import FloatArray

_STEP_S: Final = 2.0
_LONGEST: Final = 3600


@result("drive-fingerprint/1")
class DriveFingerprint:
    """What tells one drive from another, small enough to keep for every drive.

    Parameters
    ----------
    duration_s : float
        [s]
    start_ns : int or None
        Since 1970 UTC, where known. [ns]
    speed_m_per_s : ndarray, shape (n,)
        Road speed every two seconds, of the first two hours. [m/s]
    """

    duration_s: float
    start_ns: int | None
    speed_m_per_s: FloatArray

    def __post_init__(self) -> None:
        object.__setattr__(self, "speed_m_per_s", read_only(np.asarray(self.speed_m_per_s, dtype=np.float64)))


def fingerprint(drive: Drive) -> DriveFingerprint | None:
    """Fingerprint of a drive; None where it has no speed."""
    speed = road_speed(drive)
    if speed is None or speed.time_s.size < 10:
        return None
    count = min(int((speed.time_s[-1] - speed.time_s[0]) / _STEP_S), _LONGEST)
    at_s = speed.time_s[0] + _STEP_S * np.arange(max(count, 1))
    return DriveFingerprint(
        duration_s=float(speed.time_s[-1] - speed.time_s[0]),
        start_ns=drive.start_ns,
        speed_m_per_s=np.nan_to_num(np.interp(at_s, speed.time_s, np.nan_to_num(speed.value))),
    )


def is_same_drive(first: DriveFingerprint, second: DriveFingerprint) -> bool:
    """True when two fingerprints are of one drive: same speeds at the same moments, resampled or not."""
    size = min(first.speed_m_per_s.size, second.speed_m_per_s.size)
    if size < 30 or abs(first.duration_s - second.duration_s) > max(4.0, 0.01 * first.duration_s):
        return False
    one = first.speed_m_per_s
    if np.std(one) < 0.5:
        return False  # standing or at one speed throughout: too little to tell by
    for shift in (0, -1, 1):
        other = np.roll(second.speed_m_per_s, shift)[1 : size - 1]
        difference = float(np.sqrt(np.mean((one[1 : size - 1] - other) ** 2)))
        if difference < 0.05 * float(np.std(one)) + 0.1:
            return True
    return False


def find_duplicates(candidate: DriveFingerprint, known: Iterable[tuple[str, DriveFingerprint]]) -> tuple[DataFlag, ...]:
    """Flags for every known drive that the candidate repeats.

    Parameters
    ----------
    candidate : DriveFingerprint
        Of the drive that is new.
    known : iterable of (str, DriveFingerprint)
        Names and fingerprints of the drives that are there.
    """
    return tuple(
        DataFlag(
            code="duplicate_drive",
            severity=Severity.AMBER,
            channels=("speed",),
            title="This drive is already in the library",
            evidence=f"speed follows that of drive {name} for all of {candidate.duration_s:.0f} s",
            remedy="Keep one of the two: the fit counts the same evidence twice otherwise",
            refuses=("fit",),
        )
        for name, other in known
        if is_same_drive(candidate, other)
    )

"""What the library says about a drive without opening its file."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime

from logan.admission.admission import Admission, KeptOut
from logan.drive.provenance import DriveConditions, LogSource
from logan.results import Estimate, Figure, result


@result("drive-summary/1")
class DriveSummary:
    """The results of a drive, small enough to list a thousand of them at once.

    Parameters
    ----------
    distance_m : float or None
        Distance driven; None where it is not known.
    grade : str
        Quality of the data as one letter; empty before analysis.
    flag_counts : mapping of str to int
        Flags by severity: note, amber, red.
    metrics : mapping of str to Estimate or Refusal
        By a name with its unit, such as ``net_wh_per_km``; a refused figure keeps its reason.
    fingerprint : str
        Of the settings it was worked out with; see ``settings_fingerprint``.
    duration_s : float or None
        Of what counts as the drive, without what was cut from it; None before analysis. [s]
    admission : Admission
        What the drive may be used for.
    """

    distance_m: float | None = None
    grade: str = ""
    flag_counts: Mapping[str, int] = field(default_factory=dict)
    metrics: Mapping[str, Figure] = field(default_factory=dict)
    fingerprint: str = ""
    duration_s: float | None = None
    admission: Admission = field(default_factory=Admission)

    @property
    def flag_count(self) -> int:
        """Flags of every severity."""
        return sum(self.flag_counts.values())

    def value(self, metric: str) -> float | None:
        """Value of a metric; None where it was refused or never worked out."""
        figure = self.metrics.get(metric)
        return figure.value if isinstance(figure, Estimate) else None


@result("drive-record/1")
class DriveRecord:
    """One line of the library: everything that ``logan drives`` shows.

    Parameters
    ----------
    number : int
        The user's handle, from 1; never given twice.
    id : str
        First 16 hexadecimal digits of the hash of what was imported: same logs, same id.
    start_ns : int or None
        Time of the first sample since 1970 UTC; None where the log has no absolute time. [ns]
    duration_s : float
        First sample to last. [s]
    channels : tuple of str
        Canonical names of the channels stored.
    sources : tuple of LogSource
        Logs that the drive came from.
    summary : DriveSummary
        As last analysed.
    conditions : DriveConditions
        What the driver noted, as last edited.
    size_bytes : int
        Of the drive's file.
    has_raw : bool
        True when the frames of the log are kept beside the drive.
    damage : str
        What is wrong with the file; empty for a whole one.
    """

    number: int
    id: str
    start_ns: int | None
    duration_s: float
    channels: tuple[str, ...]
    sources: tuple[LogSource, ...]
    summary: DriveSummary
    conditions: DriveConditions
    size_bytes: int
    has_raw: bool = False
    damage: str = ""

    @property
    def started(self) -> datetime | None:
        """Start of the drive in UTC; None where the log has no absolute time."""
        return None if self.start_ns is None else datetime.fromtimestamp(self.start_ns / 1e9, tz=UTC)

    @property
    def distance_m(self) -> float | None:
        """Distance driven [m]; None where it is not known."""
        return self.summary.distance_m

    @property
    def kept_out_of_fit(self) -> KeptOut | None:
        """What in its data keeps the drive out of the fit, whatever the user says about it."""
        return self.summary.admission.refused("fit")

    @property
    def takes_no_part(self) -> bool:
        """True when the fit does without the drive, by the user's word or by its data."""
        kept_out = self.kept_out_of_fit
        is_overruled = bool(self.conditions.included_because) and not (kept_out and kept_out.is_missing)
        return bool(self.damage) or self.is_excluded or (kept_out is not None and not is_overruled)

    @property
    def part_in_fit(self) -> str:
        """Why the drive takes no part in the fit, or a part against its data; empty where all is well."""
        kept_out, conditions = self.kept_out_of_fit, self.conditions
        if self.damage:
            return f"left out as damaged: {self.damage}. What to do says: logan library check"
        if self.is_excluded:
            return f"left out by you: {conditions.excluded_because}"
        if kept_out is None:
            return ""
        if conditions.included_because and not kept_out.is_missing:
            return f"taken in by you ({conditions.included_because}) against its data: {kept_out.reason}"
        return f"kept out by its data: {kept_out.reason}"

    @property
    def is_excluded(self) -> bool:
        """True when the user leaves the drive out of the fit."""
        return bool(self.conditions.excluded_because)


@dataclass(frozen=True, slots=True, kw_only=True)
class Damage:
    """One thing that ``check`` found wrong, and what to do about it."""

    file: str
    problem: str
    remedy: str


@result("drive-repeat/1")
class DriveRepeat:
    """Two drives of which one is too many.

    Parameters
    ----------
    first, second : int
        Numbers of the drives.
    is_same : bool
        True where both follow the same speeds; False where they only were at one time.
    overlap_s : float
        How long both were driven at once by their clocks; zero where a clock is missing. [s]
    """

    first: int
    second: int
    is_same: bool
    overlap_s: float


@result("library-check/1")
class CheckReport:
    """What ``check`` found.

    Parameters
    ----------
    drive_count, log_count, raw_count : int
        Files read from end to end and found whole.
    damage : tuple of Damage
        Everything that is wrong; empty for a whole library.
    repeats : tuple of DriveRepeat
        Drives of which one is too many; both files are whole.
    """

    drive_count: int
    log_count: int
    raw_count: int
    damage: tuple[Damage, ...] = ()
    repeats: tuple[DriveRepeat, ...] = ()

    @property
    def is_whole(self) -> bool:
        """True when nothing is damaged."""
        return not self.damage

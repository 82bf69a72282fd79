"""Many drives at a glance: one short row each, and what is done to several at once."""

from __future__ import annotations

from logan.drive_library.bin import bring_back, empty_bin, in_bin, put_into_bin
from logan.drive_library.records import DriveRecord
from logan.drive_library.repository import DriveLibrary
from logan.pipeline.notes import conditions_version
from logan.results import result

__all__ = ["DriveList", "DriveRow", "bring_back", "drive_list", "empty_bin", "put_into_bin"]


@result()
class DriveRow:
    """One drive in a list; what is not known is None. Durations in s, distances in m, consumption in Wh/km.

    Parameters
    ----------
    number : int
        Of the drive.
    start_ns : int or None
        Since 1970 UTC. [ns]
    duration_s, distance_m, net_wh_per_km, sigma_wh_per_km, peak_current_a, least_margin_k : float or None
        As last worked out.
    limit_events : int or None
        Stretches beyond amber or red.
    grade, fit, damage : str
        Grade of the data; why the fit does without it, or takes it against its data; what is wrong with the file.
    red, amber : int
        Findings.
    tags : tuple of str
        As noted.
    note, change, version : str
        As noted, and the version of the notes.
    is_excluded, is_stale : bool
        Left out of the fit by the user; figures rest on earlier settings.
    """

    number: int
    start_ns: int | None
    duration_s: float
    distance_m: float | None
    net_wh_per_km: float | None
    sigma_wh_per_km: float | None
    peak_current_a: float | None
    least_margin_k: float | None
    limit_events: int | None
    grade: str
    red: int
    amber: int
    fit: str
    tags: tuple[str, ...]
    note: str
    change: str
    damage: str
    version: str
    is_excluded: bool
    is_stale: bool


@result("drive-list/1")
class DriveList:
    """All drives of a build, and the numbers and ids of those in the bin."""

    rows: tuple[DriveRow, ...]
    bin: tuple[tuple[int, str], ...]


def drive_list(library: DriveLibrary, stale: frozenset[int] = frozenset()) -> DriveList:
    """Every drive in a row, without opening a drive file.

    Parameters
    ----------
    library : DriveLibrary
        The drives.
    stale : frozenset of int
        Those whose figures rest on earlier settings.
    """
    versions: dict[object, str] = {}

    def version(record: DriveRecord) -> str:
        # Most drives have equal notes: hashing them once keeps a thousand drives quick.
        key = repr(record.conditions)
        if key not in versions:
            versions[key] = conditions_version(record.conditions)
        return versions[key]

    rows = tuple(_row(record, version(record), record.number in stale) for record in library.drives())
    return DriveList(rows=rows, bin=in_bin(library))


def _row(record: DriveRecord, version: str, is_stale: bool) -> DriveRow:
    summary, conditions = record.summary, record.conditions
    used = summary.metrics.get("net_wh_per_km")
    events = summary.value("limit_events")
    return DriveRow(
        number=record.number,
        start_ns=record.start_ns,
        duration_s=summary.duration_s or record.duration_s,
        distance_m=summary.distance_m,
        net_wh_per_km=summary.value("net_wh_per_km"),
        sigma_wh_per_km=getattr(used, "sigma", None),
        peak_current_a=summary.value("peak_current_a"),
        least_margin_k=summary.value("least_red_margin_k"),
        limit_events=None if events is None else int(events),
        grade=summary.grade,
        red=summary.flag_counts.get("red", 0),
        amber=summary.flag_counts.get("amber", 0),
        fit=record.part_in_fit,
        tags=conditions.tags,
        note=conditions.note,
        change=conditions.change,
        damage=record.damage,
        version=version,
        is_excluded=record.is_excluded,
        is_stale=is_stale,
    )

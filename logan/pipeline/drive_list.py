"""Many drives at a glance: one short row each; and the bin."""

from __future__ import annotations

from typing import Any, Final

from logan.drive_library.bin import bring_back, empty_bin, in_bin, put_into_bin
from logan.drive_library.records import DriveRecord
from logan.drive_library.repository import DriveLibrary
from logan.pipeline.notes import conditions_version

__all__ = ["bring_back", "drive_list", "drive_row", "empty_bin", "put_into_bin"]

_METRICS: Final = ("net_wh_per_km", "peak_current_a", "least_red_margin_k", "limit_events")


def drive_list(library: DriveLibrary, stale: frozenset[int] = frozenset()) -> dict[str, Any]:
    """Every drive in a row, without opening a drive file, and numbers and ids of those in the bin."""
    rows = [drive_row(record, record.number in stale) for record in library.drives()]
    return {"schema": "drive-list/1", "rows": rows, "bin": in_bin(library)}


def drive_row(record: DriveRecord, is_stale: bool = False) -> dict[str, Any]:
    """One drive in a list, as last worked out: SI, None where it is not known; and the version of its notes."""
    summary, conditions = record.summary, record.conditions
    own = {name: getattr(record, name) for name in ("number", "start_ns", "damage", "is_excluded")}
    noted = {name: getattr(conditions, name) for name in ("tags", "note", "change")}
    return {
        **own,
        **noted,
        **{name: summary.value(name) for name in _METRICS},
        "sigma_wh_per_km": getattr(summary.metrics.get("net_wh_per_km"), "sigma", None),
        "duration_s": summary.duration_s or record.duration_s,
        "distance_m": summary.distance_m,
        "grade": summary.grade,
        "red": summary.flag_counts.get("red", 0),
        "amber": summary.flag_counts.get("amber", 0),
        "fit": record.part_in_fit,
        "is_stale": is_stale,
        "version": conditions_version(conditions),
    }

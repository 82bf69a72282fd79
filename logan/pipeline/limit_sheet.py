"""The use case "what came close to its limit?": every limit over several drives."""

from collections.abc import Iterable, Sequence
from statistics import median
from typing import Final

from logan.metrics.limit_events import EventKind, LimitEvent, event_kinds
from logan.metrics.limit_lines import LimitLine, closest_lines
from logan.metrics.limits import CARRIED_SOURCE, NOT_LOGGED
from logan.pipeline.builds import BuildFolder, open_library
from logan.pipeline.stored import StoredDrive, stored_drives
from logan.results import Estimate, Severity, result
from logan.settings import TYPICAL_SOURCE
from logan.units.sentences import measure

COOLANT_RISE_RATIO: Final = 1.4
"""Coolant that warms by this much more per heat than before has lost flow (common practice)."""

LEAST_PAST: Final = 2
"""Earlier drives that make a past."""


@result("drive-event/1")
class DriveEvent:
    """One event and the drive it belongs to."""

    drive: int
    event: LimitEvent


@result("limits-over-drives/2")
class LimitsOverDrives:
    """Every limit of a build over several drives.

    Parameters
    ----------
    drives : tuple of int
        Drives looked at.
    lines : tuple of LimitLine
        Worst first, curves of components among them; those without a limit last.
    kinds : tuple of EventKind
        Events alike over all drives; red first, then the most frequent.
    events : tuple of DriveEvent
        Red before amber, then by drive and time.
    cautions : tuple of str
        What to do.
    notes : tuple of str
        Limits that were left out, and why.
    """

    drives: tuple[int, ...]
    lines: tuple[LimitLine, ...]
    kinds: tuple[EventKind, ...]
    events: tuple[DriveEvent, ...]
    cautions: tuple[str, ...]
    notes: tuple[str, ...] = ()


def limits_over_drives(stored: Sequence[StoredDrive]) -> LimitsOverDrives:
    """Bring the limits of several analysed drives together.

    Parameters
    ----------
    stored : sequence of StoredDrive
        Drives with their analyses.

    Returns
    -------
    LimitsOverDrives
        Closest approaches, events, cautions.
    """
    of_drives = [(one.record.number, one.analysis.limits) for one in stored]
    events = [DriveEvent(drive=number, event=event) for number, limits in of_drives for event in limits.events]
    notes = dict.fromkeys(words for _, limits in of_drives for words in limits.notes)
    warming = ((one.record.number, one.analysis.thermal.coolant.k_per_kw) for one in stored)
    coolant = [(number, per_kw) for number, per_kw in warming if isinstance(per_kw, Estimate)]
    lines = closest_lines(of_drives)
    gravity = tuple(reversed(Severity))
    events.sort(key=lambda entry: (gravity.index(entry.event.severity), entry.drive, entry.event.start_s))
    return LimitsOverDrives(
        drives=tuple(number for number, _ in of_drives),
        lines=lines,
        kinds=event_kinds((entry.drive, entry.event) for entry in events),
        events=tuple(events),
        cautions=tuple(dict.fromkeys(words for _, limits in of_drives for words in limits.cautions)),
        notes=(*notes, *_unmatched(lines), *_coolant_note(coolant)),
    )


def _coolant_note(past: list[tuple[int, Estimate]]) -> tuple[str, ...]:
    """Coolant that warms more per heat on the last drive than it used to on this vehicle."""
    if len(past) < LEAST_PAST + 1:
        return ()
    number, now = past[-1]
    before = float(median(one.value for _, one in past[:-1]))
    if now.value - 2.0 * now.spread <= COOLANT_RISE_RATIO * before:
        return ()
    words = (
        f"{measure(now.value, 'K', '.1f')} per kW of loss on drive {number}, "
        f"{measure(before, 'K', '.1f')} on those before"
    )
    return (f"coolant: {words}: look at pump, level and air in the circuit",)


def _unmatched(lines: Iterable[LimitLine]) -> tuple[str, ...]:
    """Limits of the user's own that no drive has a channel for."""
    names = [
        line.check.channel
        for line in lines
        if line.check.verdict == NOT_LOGGED and line.check.source not in (TYPICAL_SOURCE, CARRIED_SOURCE)
    ]
    if not names:
        return ()
    words = ", ".join(dict.fromkeys(names))
    return (
        f"a limit is given for {words}, and no drive has such a channel: map it in channels.toml, or mend the name",
    )


def limits_of_build(folder: BuildFolder) -> LimitsOverDrives:
    """Every limit of a build over all its drives.

    Raises
    ------
    LoganError
        If the settings or the library cannot be read.
    """
    with open_library(folder.path, create=True) as library:
        return limits_over_drives(tuple(stored_drives(library, folder.settings())))

"""Import logs: read, map, assemble, analyse and store, each drive once; and drives that the library holds twice."""

from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import nullcontext
from dataclasses import dataclass, replace
from itertools import combinations
from pathlib import Path
from types import MappingProxyType
from typing import Final

from logan.channels.mapping import map_sources
from logan.drive.assemble import assemble_drive
from logan.drive.drive import Drive, DriveConditions
from logan.drive.logged_loads import judged_loads
from logan.drive_library.folder import drive_id_of
from logan.drive_library.raw_file import RawFileWriter
from logan.drive_library.records import DriveRecord, DriveRepeat
from logan.drive_library.repository import DriveLibrary
from logan.errors import ChannelError, DriveLibraryError, LogReadError, UsageError
from logan.frames.table import SignalTable
from logan.logs.compression import hash_of
from logan.pipeline.builds import BuildFolder
from logan.pipeline.ingest import Ingested, read_logs
from logan.pipeline.logs_reader import Reading, group_by_clock
from logan.pipeline.stored import store_analysed
from logan.quality import find_reading_flags, find_signal_flags
from logan.quality.between_drives import DriveFingerprint, find_duplicates, fingerprint, is_same_drive
from logan.results import DataFlag, Severity, result
from logan.settings import AnalysisSettings, BuildSettings, ChannelMap

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


@dataclass(frozen=True, slots=True, kw_only=True)
class ImportOptions(Reading):
    """How logs are read and imported; without DBCs, with those that the build names.

    Parameters
    ----------
    is_one_drive : bool
        All logs together are one drive: parts of a rolling logger, several buses, a track.
    is_replaced : bool
        Import again what is there already, after a change of DBC or channel map.
    skips_text : bool
        Leave out the cells of a table that hold text in place of a number, rather than refuse the log.
    is_anyway : bool
        Store a drive though too much of its log could not be read, or its times cannot be right.
    is_energy_optional : bool
        Store a drive that no consumption can be worked out from, for what else it holds.
    keeps_raw : bool
        Keep all that the logs say, so that signals mapped later need no log; the build may forbid it.
    """

    is_one_drive: bool = False
    is_replaced: bool = False
    skips_text: bool = False
    is_anyway: bool = False
    is_energy_optional: bool = False
    keeps_raw: bool = True


@result("imported-drive/1")
class ImportedDrive:
    """What became of the logs of one drive.

    Parameters
    ----------
    record : DriveRecord
        The stored drive.
    was_there : bool
        It had been imported before, and nothing was read again.
    notes : tuple of str
        What is worth knowing: broken lines, a truncated end, faults of the DBC.
    alike : tuple of str
        Two logged loads that run alike, of which the pack feeds one; empty, or which of them is for the user to say.
    """

    record: DriveRecord
    was_there: bool
    notes: tuple[str, ...] = ()
    alike: tuple[str, ...] = ()


def import_logs(
    folder: BuildFolder,
    paths: Sequence[Path],
    *,
    options: ImportOptions | None = None,
    conditions: DriveConditions | None = None,
    analysis: AnalysisSettings | None = None,
) -> tuple[ImportedDrive, ...]:
    """Import logs into a build's library, one drive a log unless told otherwise.

    Parameters
    ----------
    folder : BuildFolder
        The build; its ``channels.toml`` says which signal is which channel.
    paths : sequence of Path
        Logs.
    options : ImportOptions, optional
        How; an import that is cancelled leaves no trace.
    conditions : DriveConditions, optional
        What the driver noted, for all of them.
    analysis : AnalysisSettings, optional
        Which corrections may be made.

    Returns
    -------
    tuple of ImportedDrive
        In the order of the logs.

    Raises
    ------
    LoganError
        At the first log that cannot be imported; drives stored before it stay.
    """
    build, channel_map = folder.settings(), folder.channel_map()
    options = (options or ImportOptions()).with_dbcs_of(build)
    if not channel_map.sources:
        raise ChannelError(
            "no channel is mapped yet", "Find them with: logan channels LOG --write", folder.channels_file
        )
    groups = [tuple(paths)] if options.is_one_drive else [(path,) for path in paths]
    imported = []
    with DriveLibrary.open(folder.library, create=True) as library:
        for group in groups:
            known = None if options.is_replaced else library.find_by_source(hash_of(path) for path in group)
            if known is not None:
                imported.append(ImportedDrive(record=known, was_there=True))
                continue
            with library.raw_aside() if build.keep_raw and options.keeps_raw else nullcontext() as raw:
                ingested = tuple(
                    _read(channel_map, part, options, raw) for part in group_by_clock(group, options.format_name)
                )
                drive = assemble(ingested, build, channel_map, conditions, analysis)
                if not options.is_energy_optional:
                    _require_energy(drive, folder.channels_file)
                repeats = repeat_flags(drive, library, own_id=drive_id_of(source.sha256 for source in drive.sources))
                drive = replace(drive, import_flags=(*drive.import_flags, *repeats))
                logs = group if build.keep_logs else ()
                record = store_analysed(
                    library, drive, build, analysis=analysis, raw=raw, keep_logs=logs, replace=options.is_replaced
                )
            said = tuple(f"{flag.title}: {flag.evidence}. {flag.remedy}" for flag in repeats)
            alike = next(((one.twin, name) for name, one in judged_loads(drive, build).items() if one.twin), ())
            notes = (*notes_of(ingested), *said)
            imported.append(ImportedDrive(record=record, was_there=False, notes=notes, alike=alike))
    return tuple(imported)


def _read(
    channel_map: ChannelMap, paths: Sequence[Path], options: ImportOptions, raw: RawFileWriter | None
) -> Ingested:
    wanted = {source.signal for source in channel_map.sources}
    ingested = read_logs(paths, options, wanted=wanted, overrides=channel_map.sources, keep=raw)
    if not options.skips_text:
        _refuse_text(ingested.signals, channel_map)
    times_ns = [column.time_ns for column in ingested.signals if column.time_ns.size]
    if times_ns and max(time.max() for time in times_ns) == min(time.min() for time in times_ns):
        raise LogReadError(
            "every sample bears the same time, so it is no drive",
            "Check that the logger's clock runs, and that the column of times is the right one",
            paths[0],
        )
    if not options.is_anyway:
        _refuse_reading(ingested.signals, channel_map)
    return ingested


def _refuse_reading(signals: SignalTable, channel_map: ChannelMap) -> None:
    """Refuse a log of which too much is missing, or whose times cannot be right."""
    for flag in find_reading_flags(signals, channel_map):
        if flag.severity is Severity.RED:
            raise LogReadError(
                f"{flag.title[0].lower()}{flag.title[1:]}: {flag.evidence}",
                f"{flag.remedy}; or import it with --anyway, and its energy stays refused",
            )


def _refuse_text(signals: SignalTable, channel_map: ChannelMap) -> None:
    """Refuse a table whose mapped columns hold text in place of numbers: nobody knows what it hides."""
    for source in channel_map.sources:
        for column in signals.find(source.signal):
            if part := signals.text_cells.get(column.name):
                raise LogReadError(
                    f"{part.place}: {part.reason}, and {source.channel} is read from it",
                    "Correct the cell, or leave out such cells with --skip-text",
                )


def _require_energy(drive: Drive, channels_file: Path) -> None:
    """Refuse a drive that holds neither pack power nor both voltage and current."""
    if drive.get("pack_power") is None and (drive.get("pack_voltage") is None or drive.get("pack_current") is None):
        missing = "pack_current" if drive.get("pack_current") is None else "pack_voltage"
        raise ChannelError(
            f"no {missing} is mapped and logged, nor pack_power: no consumption can be worked out",
            "Map it with: logan channels LOG --write; or keep the drive for the rest with --without-energy",
            channels_file,
        )


def assemble(
    ingested: Sequence[Ingested],
    build: BuildSettings,
    channel_map: ChannelMap,
    conditions: DriveConditions | None,
    analysis: AnalysisSettings | None,
) -> Drive:
    """Map the signals of a drive's logs, one part a clock, and assemble the drive with what was found in them."""
    settings, tables = analysis or AnalysisSettings(), [part.signals for part in ingested]
    mapped = map_sources(tables, channel_map, drop_not_available=settings.drop_not_available)
    drive = assemble_drive(
        mapped,
        conditions=conditions,
        settings=build,
        analysis=settings,
        sources=tuple(dict.fromkeys(source for part in ingested for source in part.sources)),
        dbcs=tuple(dict.fromkeys(dbc for part in ingested for dbc in part.dbcs)),
    )
    found = [flag for part in mapped for flag in part.flags]
    seen = [flag for table in tables for flag in find_signal_flags(table, channel_map)]
    return replace(drive, import_flags=(*drive.import_flags, *found, *seen))


def notes_of(ingested: Sequence[Ingested]) -> tuple[str, ...]:
    """What is worth knowing about how logs were read: faults of DBCs, broken lines, a cut end, unknown identifiers."""
    return tuple(note for part in ingested for note in (*part.notes, *_reading_notes(part.signals)))


def _reading_notes(signals: SignalTable) -> list[str]:
    notes = []
    if signals.skipped_count:
        places = "; ".join(f"{part.place}: {part.reason}" for part in signals.skipped[:3])
        notes.append(
            f"left out, since it could not be read: {signals.skipped_count} of the lines or objects ({places})"
        )
    if signals.is_truncated:
        notes.append("the log ends in the middle of a line or object, as after a power cut; what came before is whole")
    if signals.unknown_ids:
        notes.append(
            f"without a message in the DBC: {len(signals.unknown_ids)} of the identifiers; `logan look` lists them"
        )
    return notes


CORRECTIONS: Final[Mapping[str, str]] = MappingProxyType(
    {
        "shift_current": "correct_skew",
        "zero_current": "correct_current_zero",
        "not_available": "drop_not_available",
        "level_elevation": "level_barometer",
    }
)
"""Corrections by rule, as a drive's history names them, and the setting that allows each."""


def corrections_but(left_out: Collection[str], *, zero_current: bool = False) -> AnalysisSettings:
    """Analysis settings without some of the corrections by rule.

    Parameters
    ----------
    left_out : collection of str
        Keys of ``CORRECTIONS``, or "all".
    zero_current : bool
        Allow the one that is not made unless asked for.

    Raises
    ------
    UsageError
        If a correction is not known.
    """
    if strange := sorted(set(left_out) - {*CORRECTIONS, "all"}):
        raise UsageError(f"there is no correction '{strange[0]}'", f"Name one of: {', '.join(CORRECTIONS)}, or all")
    names = CORRECTIONS if "all" in left_out else left_out
    allowed = replace(AnalysisSettings(), correct_current_zero=zero_current)
    return replace(allowed, **{CORRECTIONS[name]: False for name in names})

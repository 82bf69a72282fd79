"""Decode drives again from what the library keeps of their logs, after a change of DBC or channel map."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

from logan.drive_library.records import DriveRecord
from logan.drive_library.repository import DriveLibrary
from logan.pipeline.builds import BuildFolder
from logan.pipeline.bus_layouts import BusLayouts
from logan.pipeline.frame_store import decode_part, kept_raw
from logan.pipeline.importing import ImportedDrive, assemble, reading_notes
from logan.pipeline.stored import store_analysed
from logan.settings import AnalysisSettings, BuildSettings, ChannelMap


def decode_again(
    folder: BuildFolder,
    drives: Sequence[str] = (),
    *,
    dbcs: Sequence[Path] = (),
    dbc_by_bus: Mapping[str, Sequence[Path]] | None = None,
    analysis: AnalysisSettings | None = None,
    told: Callable[[str], None] | None = None,
) -> tuple[ImportedDrive, ...]:
    """Make drives anew by today's channel map and DBCs; their logs are not needed.

    Parameters
    ----------
    folder : BuildFolder
        The build.
    drives : sequence of str
        Numbers or ids; by default every drive whose logs' content was kept.
    dbcs, dbc_by_bus
        DBCs in place of those that the build names, as in ``read_logs``.
    analysis : AnalysisSettings, optional
        Which corrections may be made.
    told : callable, optional
        Called with a few words before each drive.

    Returns
    -------
    tuple of ImportedDrive
        With the numbers and notes that the drives had.

    Raises
    ------
    LoganError
        At the first drive that cannot be decoded; it, and those behind it, stay as they were.
    """
    build, channel_map = folder.settings(), folder.channel_map()
    if not dbcs and not dbc_by_bus:
        dbcs, dbc_by_bus = build.dbc_paths, build.dbc_by_bus
    layouts = BusLayouts(dbcs, dbc_by_bus or {}, channel_map.sources)
    with DriveLibrary.open(folder.library) as library:
        records = [library.record(drive) for drive in drives] or [r for r in library.drives() if r.has_raw]
        made = []
        for record in records:
            if told is not None:
                told(f"drive {record.number}")
            made.append(_decode(library, record, build, channel_map, layouts, analysis))
    return tuple(made)


def _decode(
    library: DriveLibrary,
    record: DriveRecord,
    build: BuildSettings,
    channel_map: ChannelMap,
    layouts: BusLayouts,
    analysis: AnalysisSettings | None,
) -> ImportedDrive:
    raw = kept_raw(library, record.number)
    wanted = {source.signal for source in channel_map.sources}
    tables = [decode_part(part, layouts, wanted) for part in raw.parts]
    drive = assemble(
        tables,
        build,
        channel_map,
        conditions=record.conditions,
        analysis=analysis,
        sources=record.sources,
        dbcs=layouts.sources if any(part.counts for part in raw.parts) else (),
    )
    record = store_analysed(library, drive, build, analysis=analysis, replace=True)
    notes = tuple(note for table in tables for note in reading_notes(table))
    return ImportedDrive(record=record, was_there=False, notes=(*layouts.faults, *notes))

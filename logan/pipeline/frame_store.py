"""Signals from what a drive's logs said, as the library keeps it; the logs themselves are not needed."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace

from logan.drive_library.raw_file import RawFile, RawPart
from logan.drive_library.repository import DriveLibrary
from logan.errors import DriveLibraryError
from logan.frames.decode import MessageDecoder
from logan.frames.table import SignalColumn, SignalTable
from logan.pipeline.bus_layouts import BusLayouts
from logan.pipeline.ingest import asked_for, check_dbc, decoding_order, wanted_filter
from logan.pipeline.joining import in_time_order


def kept_raw(library: DriveLibrary, drive: int | str) -> RawFile:
    """What the logs of a stored drive said.

    Raises
    ------
    DriveLibraryError
        If it was not kept, or is damaged.
    """
    raw = library.raw(drive)
    if raw is None:
        raise DriveLibraryError(
            f"of drive {library.record(drive).number} only the channels are kept, not what its logs said besides",
            "Import its logs again: logan import LOG --again",
            library.path(drive),
        )
    raw.verify()
    return raw


def decode_part(part: RawPart, layouts: BusLayouts, wanted: Collection[str] | None = None) -> SignalTable:
    """Signals of stored frames and tables, as ``read_logs`` gave them from the logs.

    Parameters
    ----------
    part : RawPart
        What the logs of one clock said.
    layouts : BusLayouts
        The messages, with the user's overrides.
    wanted : collection of str, optional
        As in ``read_logs``; only the blocks of their messages are touched.

    Returns
    -------
    SignalTable
        A new one; the columns of tables are views into the file.

    Raises
    ------
    DbcError
        If the DBC does not belong to the frames.
    """
    counts = part.counts
    found = {key: layouts.find(key) for key in counts}
    unknown = {key: counts[key] for key, layout in found.items() if layout is None}
    check_dbc(layouts, counts, unknown)
    want = None if wanted is None else frozenset(wanted)
    columns: list[SignalColumn] = []
    for key, message in decoding_order(counts, layouts):
        layout = found[key]
        assert layout is not None  # decoding_order leaves out the others
        keep = wanted_filter(want, key.bus, layout.name)
        if keep is None or any(keep(signal) for signal in layout.signals):
            decoder = MessageDecoder(layout, bus=key.bus, message=message, wanted=keep)
            done = 0
            for block in part.blocks(key):
                done += len(block)
                decoder.append(block, counts[key] / done)
            columns += decoder.columns()
    return replace(
        part.table,
        columns=(*in_time_order(columns, part.log_count), *asked_for(part.table.columns, want)),
        unknown_ids={f"{key.bus}/{key.id_text}" if key.bus else key.id_text: unknown[key] for key in unknown},
    )

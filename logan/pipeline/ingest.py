"""From log files to signals: recognise, read, decode with the DBCs, join what belongs together."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

from logan.channels.vocabulary import channel_kind
from logan.drive.drive import LogSource
from logan.drive_library.raw_file import RawFileWriter
from logan.errors import DbcError
from logan.frames.decode import MessageDecoder
from logan.frames.grouping import FrameKey
from logan.frames.raw_columns import MessageColumns, RawColumnsBuilder
from logan.frames.signal_layout import SignalLayout
from logan.frames.table import SignalColumn, SignalTable
from logan.pipeline.dbc_files import BusLayouts, signal_addresses
from logan.pipeline.logs_reader import PLAINLY, LogsReader, Reading, in_time_order, join_columns
from logan.settings import ChannelSource

MIN_KNOWN_FRAMES_RATIO: Final = 0.02
"""Below this share of frames with a message in the DBC, the DBC is taken for the wrong one."""

DECODE_ROWS: Final = 16_384
"""Rows of a message that are decoded at once."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Ingested:
    """Signals of one or more logs, and what is worth knowing about them.

    Parameters
    ----------
    signals : SignalTable
        All that was asked for.
    sources : tuple of LogSource
        The logs, in the order of time, with their hashes.
    dbcs : tuple of LogSource
        The DBCs.
    notes : tuple of str
        Faults of the DBCs, identifiers without a message, parts that could not be read.
    """

    signals: SignalTable
    sources: tuple[LogSource, ...]
    dbcs: tuple[LogSource, ...]
    notes: tuple[str, ...] = ()


def read_logs(
    paths: Sequence[Path],
    reading: Reading = PLAINLY,
    *,
    wanted: Collection[str] | None = None,
    overrides: Iterable[ChannelSource] = (),
    is_hashed: bool = True,
    keep: RawFileWriter | None = None,
) -> Ingested:
    """Read the logs of one drive.

    Parameters
    ----------
    paths : sequence of Path
        Files of one drive: the parts of a rolling logger, several buses, or both; any order.
    reading : Reading
        How, and with which DBCs.
    wanted : collection of str, optional
        Signals to decode: ``bus/message.signal``, ``message.signal`` or the name; all by default.
    overrides : iterable of ChannelSource
        Signedness and byte order where the user knows better than the DBC.
    is_hashed : bool
        Hash the logs while they are read, for ``sources`` and to notice a log given twice.
    keep : RawFileWriter, optional
        Takes everything that the logs say, also what is not asked for, as one part.

    Returns
    -------
    Ingested
        Signals at their native rate; a message's signals share their times.

    Raises
    ------
    LogReadError
        If a log cannot be read, is empty, is given twice, or was cancelled.
    DbcError
        If frames come without a DBC, or with one that does not belong to them.
    """
    layouts = reading.layouts(overrides)
    want = None if wanted is None else frozenset(wanted)
    of_tables = want if keep is None else None
    reader = LogsReader(paths, reading, known_ids=layouts.identifiers, wanted=of_tables, is_hashed=is_hashed)
    if reader.holds_frames and not layouts:
        raise no_dbc(reader.files[0][0])
    decoder = _Decoder(layouts, want, reader, keep)
    tables = [part for part in reader.read(decoder.builder) if isinstance(part, SignalTable)]
    reader.check_not_empty(decoder.builder, tables)
    table_columns = join_columns(table.columns for table in tables)
    asked = asked_for(table_columns, want)
    used = {column.key for column in asked}
    unused = tuple(
        replace(column, time_ns=column.time_ns[:0], value=column.value[:0])
        for column in table_columns
        if column.key not in used
    )
    signals = replace(_signals(reader, decoder, layouts, asked), unused=unused)
    if keep is not None:
        keep.end_part(replace(signals, columns=table_columns), len(reader.files))
    return Ingested(
        signals=signals, sources=reader.sources, dbcs=layouts.sources, notes=(*layouts.faults, *reader.notes)
    )


def _signals(
    reader: LogsReader, decoder: _Decoder, layouts: BusLayouts, of_tables: Sequence[SignalColumn]
) -> SignalTable:
    """All that was asked for, and what was noted while reading."""
    builder = decoder.builder
    return SignalTable(
        columns=(*decoder.columns(), *of_tables),
        log_format="+".join(dict.fromkeys(report.log_format for report in reader.reports)),
        frame_count=sum(report.frame_count for report in reader.reports if report.log_format in reader.frame_formats),
        unknown_ids=check_dbc(layouts, builder.counts),
        skipped_count=sum(report.skipped_count for report in reader.reports),
        lost_count=sum(report.lost_count for report in reader.reports),
        skipped=tuple(part for report in reader.reports for part in report.skipped),
        is_truncated=any(report.is_truncated for report in reader.reports),
        error_count=builder.error_count,
        error_time_ns=builder.error_time_ns,
        clashes=builder.clashes,
        text_cells={name: part for report in reversed(reader.reports) for name, part in report.text_cells.items()},
    )


class _Decoder:
    """Turns blocks of frames into signal columns, while the log is being read."""

    def __init__(
        self, layouts: BusLayouts, wanted: frozenset[str] | None, reader: LogsReader, keep: RawFileWriter | None
    ) -> None:
        self._layouts, self._wanted, self._reader, self._keep = layouts, wanted, reader, keep
        self._decoders: dict[FrameKey, MessageDecoder | None] = {}
        self._rows: Counter[FrameKey] = Counter()
        # Blocks that are kept are larger than those that are decoded at once.
        self.builder = RawColumnsBuilder(self._is_wanted, self._append, *(() if keep else (DECODE_ROWS,)))

    def _is_wanted(self, key: FrameKey) -> bool:
        return self._keep is not None or self._decoder_of(key) is not None

    def _decoder_of(self, key: FrameKey) -> MessageDecoder | None:
        """The decoder of a key's frames; None where they carry no signal that is asked for."""
        if key not in self._decoders:
            layout = self._layouts.find(key)
            want = None if layout is None else wanted_filter(self._wanted, key.bus, layout.name)
            is_asked = layout is not None and (want is None or any(want(signal) for signal in layout.signals))
            self._decoders[key] = MessageDecoder(layout, bus=key.bus, wanted=want) if layout and is_asked else None
        return self._decoders[key]

    def _append(self, key: FrameKey, columns: MessageColumns) -> None:
        """Keep a block where that is asked for, and decode it in pieces that stay in the cache.

        How many rows there will be is guessed: those counted, over the share that was read.
        """
        if self._keep is not None:
            self._keep.append(key, columns)
        if (decoder := self._decoder_of(key)) is None:
            return
        for piece in columns.pieces(DECODE_ROWS):
            self._rows[key] += len(piece)
            counted_ratio = self.builder.counts[key] / self._rows[key]
            decoder.append(piece, counted_ratio * self._reader.expected_ratio)

    def columns(self) -> tuple[SignalColumn, ...]:
        """Columns by bus, then in the order of the DBC."""
        decoders = {key: decoder for key, decoder in self._decoders.items() if decoder is not None}
        columns = (
            column if column.message == message else replace(column, message=message)
            for key, message in decoding_order(decoders, self._layouts)
            for column in decoders[key].columns()
        )
        return in_time_order(columns, len(self._reader.files))


def decoding_order(keys: Iterable[FrameKey], layouts: BusLayouts) -> Iterator[tuple[FrameKey, str]]:
    """Keys that have a message, by bus and then as in the DBC, with the message's name.

    Where several J1939 addresses send one message, it is ``message#address``; the sender that the
    DBC itself names keeps the bare name.
    """
    known = [(key, layout) for key in keys if (layout := layouts.find(key)) is not None]
    buses = list(dict.fromkeys(key.bus for key, _ in known))
    senders = Counter((key.bus, layout.name) for key, layout in known)
    known.sort(key=lambda pair: (buses.index(pair[0].bus), layouts.order(pair[0]), pair[0].can_id))
    for key, layout in known:
        is_one_of_several = senders[key.bus, layout.name] > 1 and key.can_id != layout.can_id
        yield key, f"{layout.name}#{key.can_id & 0xFF:02X}" if is_one_of_several else layout.name


def asked_for(columns: Iterable[SignalColumn], wanted: frozenset[str] | None) -> tuple[SignalColumn, ...]:
    """Columns of a table that are asked for by name or heading, and those that carry a channel's own name."""
    return tuple(
        column
        for column in columns
        if wanted is None or not wanted.isdisjoint((column.name, column.comment)) or channel_kind(column.name)
    )


def wanted_filter(wanted: frozenset[str] | None, bus: str, message: str) -> Callable[[SignalLayout], bool] | None:
    """Which signals of a message are asked for; None stands for all."""
    if wanted is None:
        return None
    # An address may name the sender behind the message; which one that is, is known at the end.
    bare = {re.sub(r"#[0-9A-F]{2}(?=\.)", "", address) for address in wanted}
    starts = signal_addresses(bus, message, "")
    names = {address.removeprefix(start) for address in bare for start in starts if address.startswith(start)}
    return lambda signal: signal.name in names


def no_dbc(path: Path) -> DbcError:
    """The error for a log of frames without any DBC."""
    return DbcError(
        "the log holds CAN frames, and no DBC says what they mean",
        "Give the vehicle's DBC with --dbc FILE, or name it in build.toml",
        path,
    )


def check_dbc(layouts: BusLayouts, counts: Mapping[FrameKey, int]) -> dict[str, int]:
    """Frames by the identifiers without a message; a DBC that knows next to none of the frames is refused.

    Raises
    ------
    DbcError
        With the identifiers that it should have known.
    """
    unknown = {key: count for key, count in counts.items() if layouts.find(key) is None}
    total, strange = sum(counts.values()), sum(unknown.values())
    if total and (total - strange) / total < MIN_KNOWN_FRAMES_RATIO:
        names = ", ".join(dbc.path.name for dbc in layouts.dbcs)
        known = len(counts) - len(unknown)
        examples = ", ".join(key.id_text for key in sorted(unknown, key=lambda key: -unknown[key])[:3])
        raise DbcError(
            f"{names} does not belong to this log: {known} of its {len(counts)} identifiers have a message in it "
            f"(the most frequent without one: {examples})",
            "Give the DBC of this vehicle and bus; `logan look` lists the identifiers",
            layouts.dbcs[0].path,
        )
    return {f"{key.bus}/{key.id_text}" if key.bus else key.id_text: count for key, count in unknown.items()}

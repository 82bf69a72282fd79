"""What is in a log, before anything is imported."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from pathlib import Path
from typing import Any, Final

import numpy as np

from logan.channels.matching import Suggestion, suggest
from logan.drive_library.raw_file import RawFile
from logan.drive_library.repository import DriveLibrary
from logan.errors import DbcError
from logan.frames.decode import MessageDecoder
from logan.frames.grouping import FrameGroups, FrameKey
from logan.frames.raw_columns import MessageColumns, RawColumnsBuilder
from logan.frames.table import SignalColumn, SignalTable, SkippedPart
from logan.frames.times import is_dated
from logan.pipeline.dbc_files import BusLayouts
from logan.pipeline.frame_store import kept_raw
from logan.pipeline.ingest import DECODE_ROWS, check_dbc, decoding_order
from logan.pipeline.logs_reader import PLAINLY, LogsReader, Reading
from logan.quality.signal_log import loss_flag, time_flags
from logan.results import DataFlag, Severity, result
from logan.units import FloatArray, IntArray

SAMPLE_PERIOD_NS: Final = 100_000_000
"""Signals are thinned to ten values a second for the channel suggestions. [ns]"""

SAMPLE_SPAN_NS: Final = 1800 * 10**9
"""Suggestions look at the first half hour. [ns]"""


@dataclass(frozen=True, slots=True, kw_only=True)
class FileSummary:
    """One file of a log; ``layout`` is what was inferred of it and why, one line each."""

    path: Path
    log_format: str
    size_bytes: int
    sha256: str
    frame_count: int
    skipped_count: int
    lost_count: int
    skipped: tuple[SkippedPart, ...]
    is_truncated: bool
    layout: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class MessageSummary:
    """Frames of one identifier on one bus; ``message`` and ``comment`` are the DBC's; empty where it has none."""

    bus: str
    can_id: str
    message: str
    frame_count: int
    rate_hz: float
    comment: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class SignalSummary:
    """One signal: how often it came, and between which values. ``channel`` is what it could be, or empty."""

    signal: str
    unit: str
    row_count: int
    rate_hz: float
    minimum: float | None
    maximum: float | None
    choices: Mapping[int, str] = field(default_factory=dict)
    channel: str = ""
    comment: str = ""


@result("log-summary/1")
class LogSummary:
    """What is in a log.

    Parameters
    ----------
    files : tuple of FileSummary
        In the order of time.
    start_ns, end_ns : int
        First and last time. [ns]
    has_absolute_time : bool
        Times count from 1970.
    duration_s : float
        From the first time to the last. [s]
    frame_count : int
        CAN frames, of any kind.
    frames_per_s : float
        Mean rate. [1/s]
    other_frame_count : int
        Remote and error frames.
    messages : tuple of MessageSummary
        Those with a message in a DBC first, then by number of frames.
    signals : tuple of SignalSummary
        By bus and message; of a table, its columns.
    suggestions : tuple of Suggestion
        Which signal each channel could be, best first.
    notes : tuple of str
        Faults of the DBCs, and what had to be assumed to read the log.
    flags : tuple of DataFlag
        What is wrong with the reading itself: lost lines, times that cannot be.
    """

    files: tuple[FileSummary, ...]
    start_ns: int
    end_ns: int
    has_absolute_time: bool
    duration_s: float
    frame_count: int
    frames_per_s: float
    other_frame_count: int
    messages: tuple[MessageSummary, ...]
    signals: tuple[SignalSummary, ...]
    suggestions: tuple[Suggestion, ...] = ()
    notes: tuple[str, ...] = ()
    flags: tuple[DataFlag, ...] = ()


def look(paths: Sequence[Path], reading: Reading = PLAINLY) -> LogSummary:
    """Say what is in a log, in flat memory.

    A log of frames needs no DBC here: without one, its identifiers are listed. A DBC that does not
    belong to it is no error either.

    Raises
    ------
    LogReadError
        If a log cannot be read, or is empty.
    DbcError
        If a DBC cannot be used.
    """
    layouts = reading.layouts()
    reader = LogsReader(paths, reading, known_ids=layouts.identifiers)
    survey = _Survey(layouts)
    builder = RawColumnsBuilder(lambda key: layouts.find(key) is not None, survey.add_frames, DECODE_ROWS)
    tables: list[SignalTable] = []
    for part in reader.read(builder):
        survey.add_span(part)
        if isinstance(part, SignalTable):
            tables.append(part)
            survey.add_table(part)
    reader.check_not_empty(builder, tables)
    return _summary(survey, layouts, builder.counts, _files(reader), (*layouts.faults, *reader.notes))


def look_at_drive(library: DriveLibrary, drive: str, reading: Reading = PLAINLY) -> LogSummary:
    """Say what was in the logs of a stored drive; they are not needed.

    Raises
    ------
    DriveLibraryError
        If what the logs said was not kept, or is damaged.
    DbcError
        If a DBC cannot be used.
    """
    raw, layouts = kept_raw(library, drive), reading.layouts()
    survey = _Survey(layouts)
    counts: Counter[FrameKey] = Counter()
    for part in raw.parts:
        counts.update(part.counts)
        survey.other_frame_count += part.table.frame_count - sum(part.counts.values())
        survey.add_span(part.table)
        survey.add_table(part.table)
        for key in part.counts:
            for block in part.blocks(key):
                survey.add_times([block.time_ns])
                if layouts.find(key) is not None:
                    for piece in block.pieces(DECODE_ROWS):
                        survey.add_frames(key, piece)
    return _summary(survey, layouts, counts, (_stored_file(raw),), layouts.faults)


def _summary(
    survey: _Survey,
    layouts: BusLayouts,
    counts: Mapping[FrameKey, int],
    files: tuple[FileSummary, ...],
    notes: tuple[str, ...],
) -> LogSummary:
    duration_s = survey.duration_s
    sample = survey.sample()
    suggestions = suggest(sample) if sample.columns else ()
    frame_count = sum(counts.values()) + survey.other_frame_count
    return LogSummary(
        files=files,
        start_ns=survey.start_ns,
        end_ns=survey.end_ns,
        has_absolute_time=is_dated(survey.start_ns),
        duration_s=duration_s,
        frame_count=frame_count,
        frames_per_s=frame_count / duration_s if duration_s else 0.0,
        other_frame_count=survey.other_frame_count,
        messages=_messages(counts, layouts, duration_s),
        signals=survey.signals(_best_channels(suggestions)),
        suggestions=suggestions,
        notes=notes,
        flags=_flags(survey, layouts, counts, files),
    )


def _flags(
    survey: _Survey, layouts: BusLayouts, counts: Mapping[FrameKey, int], files: Sequence[FileSummary]
) -> tuple[DataFlag, ...]:
    """What is wrong with the reading itself."""
    frame_count = sum(counts.values()) + survey.other_frame_count
    skipped_count, lost_count = sum(file.skipped_count for file in files), sum(file.lost_count for file in files)
    lost = loss_flag(frame_count or survey.row_count, skipped_count, lost_count, [p for f in files for p in f.skipped])
    flags = [*([lost] if lost is not None else []), *time_flags(survey.start_ns, survey.end_ns, frame_count)]
    if layouts:
        try:
            check_dbc(layouts, counts)
        except DbcError as error:
            foreign = DataFlag(
                code="foreign_dbc",
                severity=Severity.RED,
                title="The DBC does not belong to this log",
                evidence=error.problem,
                remedy=error.remedy,
            )
            flags.append(foreign)
    return tuple(flags)


class _Tally:
    """Running figures of one signal, and a thinned sample of it."""

    def __init__(self) -> None:
        self.row_count = 0
        self.minimum = np.inf
        self.maximum = -np.inf
        self.column: SignalColumn | None = None
        self.times: list[IntArray] = []
        self.values: list[FloatArray] = []
        self._last_slot: int | None = None
        self._end_ns = 0

    def add(self, column: SignalColumn) -> None:
        self.column = self.column or column
        if column.value.size:
            self.row_count += column.value.size
            self.minimum = min(self.minimum, float(np.fmin.reduce(column.value)))
            self.maximum = max(self.maximum, float(np.fmax.reduce(column.value)))
            self._thin(column)

    def _thin(self, column: SignalColumn) -> None:
        """Keep the first row of each tenth of a second."""
        slots = column.time_ns // SAMPLE_PERIOD_NS
        if self._last_slot is None:
            self._last_slot, self._end_ns = int(slots[0]) - 1, int(column.time_ns[0]) + SAMPLE_SPAN_NS
        if column.time_ns[0] <= self._end_ns:
            rows = np.flatnonzero(np.diff(slots, prepend=self._last_slot))
            self._last_slot = int(slots[-1])
            self.times.append(column.time_ns[rows])
            self.values.append(column.value[rows].astype(np.float64))


class _Survey:
    """Running figures of a log."""

    def __init__(self, layouts: BusLayouts) -> None:
        self._layouts = layouts
        self._of_messages: dict[FrameKey, dict[str, _Tally]] = {}
        self._of_tables: dict[str, _Tally] = {}
        self._first_ns: int | None = None
        self.end_ns = 0
        self.other_frame_count = 0

    @property
    def start_ns(self) -> int:
        return self._first_ns or 0

    @property
    def row_count(self) -> int:
        """Rows of the longest column of a table."""
        return max((tally.row_count for tally in self._of_tables.values()), default=0)

    @property
    def duration_s(self) -> float:
        return (self.end_ns - self.start_ns) / 1e9

    def add_span(self, part: SignalTable | FrameGroups) -> None:
        if isinstance(part, FrameGroups):
            self.other_frame_count += part.other_count
            self.add_times([part.time_ns])
        else:
            self.add_times(column.time_ns for column in part)

    def add_times(self, times: Iterable[IntArray]) -> None:
        for time_ns in times:
            if time_ns.size:
                low, high = int(time_ns.min()), int(time_ns.max())
                self.end_ns = high if self._first_ns is None else max(self.end_ns, high)
                self._first_ns = low if self._first_ns is None else min(self._first_ns, low)

    def add_frames(self, key: FrameKey, columns: MessageColumns) -> None:
        layout = self._layouts.find(key)
        assert layout is not None  # the builder keeps no others
        tallies = self._of_messages.setdefault(key, {})
        decoder = MessageDecoder(layout, bus=key.bus)
        decoder.append(columns)
        for column in decoder.columns():
            tallies.setdefault(column.name, _Tally()).add(column)

    def add_table(self, table: SignalTable) -> None:
        for column in table:
            self._of_tables.setdefault(column.key, _Tally()).add(column)

    def _named(self) -> list[tuple[str, _Tally]]:
        """Tallies with their signal's key, by bus and message."""
        named = [
            (f"{key.bus}/{message}.{name}" if key.bus else f"{message}.{name}", tally)
            for key, message in decoding_order(self._of_messages, self._layouts)
            for name, tally in self._of_messages[key].items()
        ]
        return [*named, *self._of_tables.items()]

    def signals(self, channels: Mapping[str, str]) -> tuple[SignalSummary, ...]:
        return tuple(
            SignalSummary(
                signal=name,
                unit=tally.column.unit,
                row_count=tally.row_count,
                rate_hz=tally.row_count / self.duration_s if self.duration_s else 0.0,
                minimum=tally.minimum if np.isfinite(tally.minimum) else None,
                maximum=tally.maximum if np.isfinite(tally.maximum) else None,
                choices=tally.column.choices,
                channel=channels.get(name, ""),
                comment=tally.column.comment,
            )
            for name, tally in self._named()
            if tally.column is not None
        )

    def sample(self) -> SignalTable:
        """Thinned columns, to suggest channels by."""
        columns = [_thinned(tally.column, name, tally) for name, tally in self._named() if tally.column is not None]
        return SignalTable(columns=tuple(columns), log_format="sample")


def _thinned(column: SignalColumn, key: str, tally: _Tally) -> SignalColumn:
    message = key.removeprefix(f"{column.bus}/").removesuffix(f".{column.name}") if column.message else ""
    return replace(
        column,
        message=message,
        time_ns=np.concatenate([np.empty(0, np.int64), *tally.times]),
        value=np.concatenate([np.empty(0), *tally.values]),
    )


def _files(reader: LogsReader) -> tuple[FileSummary, ...]:
    said: list[dict[str, Any]] = [
        {one.name: getattr(report, one.name) for one in fields(FileSummary)} for report in reader.reports
    ]
    return tuple(FileSummary(**of | {name: tuple(of[name]) for name in ("layout", "skipped")}) for of in said)


def _stored_file(raw: RawFile) -> FileSummary:
    """What the library keeps of all logs of a drive, as one file."""
    tables = [part.table for part in raw.parts]
    return FileSummary(
        path=raw.path,
        log_format="kept from " + "+".join(table.log_format for table in tables),
        size_bytes=raw.path.stat().st_size,
        sha256="",
        frame_count=sum(table.frame_count for table in tables),
        skipped_count=sum(table.skipped_count for table in tables),
        lost_count=sum(table.lost_count for table in tables),
        skipped=tuple(part for table in tables for part in table.skipped),
        is_truncated=any(table.is_truncated for table in tables),
    )


def _messages(counts: Mapping[FrameKey, int], layouts: BusLayouts, duration_s: float) -> tuple[MessageSummary, ...]:
    names = dict(decoding_order(counts, layouts))
    keys = [*names, *sorted((key for key in counts if key not in names), key=lambda key: -counts[key])]
    return tuple(
        MessageSummary(
            bus=key.bus,
            can_id=key.id_text,
            message=names.get(key, ""),
            frame_count=counts[key],
            rate_hz=counts[key] / duration_s if duration_s else 0.0,
            comment=layout.comment if (layout := layouts.find(key)) is not None else "",
        )
        for key in keys
    )


def _best_channels(suggestions: Sequence[Suggestion]) -> dict[str, str]:
    """Channel that each signal is the best candidate of; ties are left to the user."""
    best: dict[str, str] = {}
    for suggestion in suggestions:
        if not suggestion.is_tie:
            best.setdefault(suggestion.candidates[0].signal, suggestion.channel)
    return best

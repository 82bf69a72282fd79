"""From log files to signals: recognise, read, decode with the DBCs, join what belongs together."""

from __future__ import annotations

import re
import time
from collections import Counter
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final, TypeAlias

from logan.drive.drive import LogSource
from logan.errors import DbcError, LogReadError, UsageError
from logan.frames.decode import MessageDecoder
from logan.frames.grouping import FrameGroups, FrameKey, KeyIndex
from logan.frames.raw_columns import MessageColumns, RawColumnsBuilder
from logan.frames.signal_layout import SignalLayout
from logan.frames.table import SignalColumn, SignalTable
from logan.logs.log_format import LogFormat, ReadOptions, ReadReport
from logan.logs.reading import read_blocks, recognise
from logan.pipeline.bus_layouts import BusLayouts, signal_addresses
from logan.pipeline.joining import in_time_order, join_columns, sort_files
from logan.settings import ChannelSource

MIN_KNOWN_FRAMES_RATIO: Final = 0.02
"""Below this share of frames with a message in the DBC, the DBC is taken for the wrong one."""

DECODE_ROWS: Final = 16_384
"""Rows of a message that are decoded at once."""

_PROGRESS_PERIOD_S: Final = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class IngestProgress:
    """How far reading has come.

    Parameters
    ----------
    path : Path
        File being read.
    bytes_read, size_bytes : int
        Of all files together. [bytes]
    frame_count : int
        Frames so far.
    elapsed_s : float
        Since the start. [s]
    """

    path: Path
    bytes_read: int
    size_bytes: int
    frame_count: int
    elapsed_s: float

    @property
    def frames_per_s(self) -> float:
        """Rate so far [1/s]."""
        return self.frame_count / self.elapsed_s if self.elapsed_s > 0 else 0.0

    @property
    def time_left_s(self) -> float | None:
        """At the rate so far [s]; None before anything was read."""
        if not self.bytes_read:
            return None
        return self.elapsed_s * max(self.size_bytes - self.bytes_read, 0) / self.bytes_read


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


Progress: TypeAlias = Callable[[IngestProgress], None]


def read_signals(
    paths: Sequence[Path],
    *,
    dbcs: Sequence[Path] = (),
    dbc_by_bus: Mapping[str, Sequence[Path]] | None = None,
    wanted: Collection[str] | None = None,
    overrides: Iterable[ChannelSource] = (),
    format_name: str | None = None,
    column_layout: str = "",
    threads: int = 2,
    progress: Progress | None = None,
    is_cancelled: Callable[[], bool] | None = None,
) -> SignalTable:
    """Signals of the logs of one drive; ``read_logs`` without what is worth knowing about them."""
    return read_logs(
        paths,
        dbcs=dbcs,
        dbc_by_bus=dbc_by_bus,
        wanted=wanted,
        overrides=overrides,
        format_name=format_name,
        column_layout=column_layout,
        threads=threads,
        progress=progress,
        is_cancelled=is_cancelled,
    ).signals


def read_logs(
    paths: Sequence[Path],
    *,
    dbcs: Sequence[Path] = (),
    dbc_by_bus: Mapping[str, Sequence[Path]] | None = None,
    wanted: Collection[str] | None = None,
    overrides: Iterable[ChannelSource] = (),
    format_name: str | None = None,
    column_layout: str = "",
    threads: int = 2,
    progress: Progress | None = None,
    is_cancelled: Callable[[], bool] | None = None,
) -> Ingested:
    """Read the logs of one drive.

    Parameters
    ----------
    paths : sequence of Path
        Files of one drive: the parts of a rolling logger, several buses, or both; any order.
    dbcs : sequence of Path
        DBCs for every bus; of two that define one identifier the first counts.
    dbc_by_bus : mapping of str to sequence of Path, optional
        DBCs of single buses, by the name that the log has for them; used instead of ``dbcs`` there.
    wanted : collection of str, optional
        Signals to decode: ``bus/message.signal``, ``message.signal`` or the name; all by default.
    overrides : iterable of ChannelSource
        Signedness and byte order where the user knows better than the DBC.
    format_name : str, optional
        Format of the logs; recognised by content by default.
    column_layout : str
        Columns of a table that is not recognised by itself.
    threads : int
        Threads to read and decode with.
    progress : callable, optional
        Called about ten times a second.
    is_cancelled : callable, optional
        Asked after each block; True ends the reading with an error, and nothing is left behind.

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
    layouts = BusLayouts(dbcs, dbc_by_bus or {}, overrides)
    reader = LogsReader(paths, format_name, column_layout, threads, wanted, progress, is_cancelled)
    want = None if wanted is None else frozenset(wanted)
    if reader.holds_frames and not layouts:
        raise no_dbc(reader.files[0][0])
    decoder = _Decoder(layouts, want, reader)
    builder = RawColumnsBuilder(decoder.is_kept, decoder.append, DECODE_ROWS)
    tables = [part for part in reader.read(builder) if isinstance(part, SignalTable)]
    reader.check_not_empty(builder, tables)
    unknown = {key: count for key, count in builder.counts.items() if layouts.find(key) is None}
    if reader.holds_frames:
        check_dbc(layouts, builder.counts, unknown)
    signals = SignalTable(
        columns=join_columns([decoder.columns(), *(table.columns for table in tables)]),
        log_format="+".join(dict.fromkeys(report.log_format for report in reader.reports)),
        frame_count=sum(report.frame_count for report in reader.reports if report.log_format in reader.frame_formats),
        unknown_ids={f"{key.bus}/{key.id_text}" if key.bus else key.id_text: unknown[key] for key in unknown},
        skipped_count=sum(report.skipped_count for report in reader.reports),
        skipped=tuple(part for report in reader.reports for part in report.skipped),
        is_truncated=any(report.is_truncated for report in reader.reports),
    )
    return Ingested(
        signals=signals, sources=reader.sources, dbcs=layouts.sources, notes=(*layouts.faults, *reader.notes)
    )


class LogsReader:
    """Reads several files one after the other, in the order of time."""

    def __init__(
        self,
        paths: Sequence[Path],
        format_name: str | None = None,
        column_layout: str = "",
        threads: int = 2,
        wanted: Collection[str] | None = None,
        progress: Progress | None = None,
        is_cancelled: Callable[[], bool] | None = None,
    ) -> None:
        if not paths:
            raise UsageError("no log is given", "Give at least one log file")
        self._options = ReadOptions(
            column_layout=column_layout,
            threads=max(threads, 1),
            wanted=None if wanted is None else frozenset(wanted),
        )
        self._progress, self._is_cancelled = progress, is_cancelled
        self._started_s = self._told_s = time.monotonic()
        formats = [(path, recognise(path, format_name)) for path in paths]
        self.files: list[tuple[Path, LogFormat]] = sort_files(formats, self._options)
        self.frame_formats = {log_format.name for _, log_format in formats if log_format.holds_frames}
        self.reports: list[ReadReport] = []
        self._size_bytes = sum(path.stat().st_size for path in paths)

    @property
    def holds_frames(self) -> bool:
        """Whether any of the files needs a DBC."""
        return bool(self.frame_formats)

    @property
    def notes(self) -> tuple[str, ...]:
        """What had to be assumed to read the logs."""
        return tuple(note for report in self.reports for note in report.notes)

    @property
    def expected_ratio(self) -> float:
        """Guess of all that will be read, over what was read so far."""
        bytes_read = sum(report.bytes_read for report in self.reports)
        return 1.02 * self._size_bytes / bytes_read if bytes_read else 1.0

    @property
    def sources(self) -> tuple[LogSource, ...]:
        """The logs, once read."""
        return tuple(
            LogSource(
                name=report.path.name, sha256=report.sha256, size_bytes=report.size_bytes, log_format=report.log_format
            )
            for report in self.reports
        )

    def read(self, builder: RawColumnsBuilder) -> Iterator[SignalTable | FrameGroups]:
        """Read everything; frames go to the builder, and are yielded too."""
        index = KeyIndex()
        for path, log_format in self.files:
            report = ReadReport(path=path)
            self.reports.append(report)
            for part in read_blocks(path, log_format, self._options, report, index.group):
                if isinstance(part, FrameGroups):
                    builder.add(part)
                self._tell(report)
                yield part
            self._refuse_twice(report)
        builder.finish()
        self._tell(self.reports[-1], is_end=True)

    def check_not_empty(self, builder: RawColumnsBuilder, tables: Sequence[SignalTable]) -> None:
        """Refuse logs without a single frame or row."""
        if any(builder.counts.values()) or any(column.time_ns.size for table in tables for column in table):
            return
        report = self.reports[0]
        if report.skipped:
            first = report.skipped[0]
            raise LogReadError(
                f"nothing in it can be read as {report.log_format}; the first of {report.skipped_count} faults is "
                f"at {first.place}: {first.reason}",
                "Name the right format with --format, or export the log again",
                report.path,
            )
        raise LogReadError("the log holds no frame", "Check that the logger was recording", report.path)

    def _tell(self, report: ReadReport, *, is_end: bool = False) -> None:
        if self._is_cancelled is not None and self._is_cancelled():
            raise LogReadError("reading was cancelled", "Nothing was kept", report.path)
        now_s = time.monotonic()
        if self._progress is None or (now_s - self._told_s < _PROGRESS_PERIOD_S and not is_end):
            return
        self._told_s = now_s
        self._progress(
            IngestProgress(
                path=report.path,
                bytes_read=sum(each.bytes_read for each in self.reports),
                size_bytes=self._size_bytes,
                frame_count=sum(each.frame_count for each in self.reports),
                elapsed_s=now_s - self._started_s,
            )
        )

    def _refuse_twice(self, report: ReadReport) -> None:
        for other in self.reports[:-1]:
            if other.sha256 == report.sha256:
                raise LogReadError(f"this log has the same content as {other.path}", "Give each once", report.path)


class _Decoder:
    """Turns blocks of frames into signal columns, while the log is being read."""

    def __init__(self, layouts: BusLayouts, wanted: frozenset[str] | None, reader: LogsReader) -> None:
        self._layouts, self._wanted, self._reader = layouts, wanted, reader
        self._decoders: dict[FrameKey, MessageDecoder] = {}

    def is_kept(self, key: FrameKey) -> bool:
        """Whether a key's frames carry any signal that is asked for."""
        layout = self._layouts.find(key)
        if layout is None:
            return False
        want = wanted_filter(self._wanted, key.bus, layout.name)
        if want is not None and not any(want(signal) for signal in layout.signals):
            return False
        self._decoders[key] = MessageDecoder(layout, bus=key.bus, wanted=want)
        return True

    def append(self, key: FrameKey, columns: MessageColumns) -> None:
        """Decode a block."""
        self._decoders[key].append(columns, self._reader.expected_ratio)

    def columns(self) -> tuple[SignalColumn, ...]:
        """Columns by bus, then in the order of the DBC."""
        columns = (
            replace(column, message=message)
            for key, message in decoding_order(self._decoders, self._layouts)
            for column in self._decoders[key].columns()
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


def wanted_filter(wanted: frozenset[str] | None, bus: str, message: str) -> Callable[[SignalLayout], bool] | None:
    """Which signals of a message are asked for; None stands for all."""
    if wanted is None:
        return None
    # An address may name the sender behind the message; which one that is, is known at the end.
    bare = {re.sub(r"#[0-9A-F]{2}(?=\.)", "", address) for address in wanted}
    return lambda signal: not bare.isdisjoint(signal_addresses(bus, message, signal.name))


def no_dbc(path: Path) -> DbcError:
    """The error for a log of frames without any DBC."""
    return DbcError(
        "the log holds CAN frames, and no DBC says what they mean",
        "Give the vehicle's DBC with --dbc FILE, or name it in build.toml",
        path,
    )


def check_dbc(layouts: BusLayouts, counts: Mapping[FrameKey, int], unknown: Mapping[FrameKey, int]) -> None:
    """Refuse a DBC that knows next to none of the frames.

    Raises
    ------
    DbcError
        With the identifiers that it should have known.
    """
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

"""Read the files of one drive in order of time, join their columns, and tell how far it has come."""

import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Final, Self, TypeAlias

import numpy as np

from logan.drive.drive import LogSource
from logan.errors import LogReadError, UsageError
from logan.frames.grouping import FrameGroups, KeyIndex
from logan.frames.raw_columns import RawColumnsBuilder
from logan.frames.table import FrameTable, SignalColumn, SignalTable
from logan.frames.times import is_dated
from logan.logs import mf4
from logan.logs.compression import read_head
from logan.logs.log_format import LogFormat, ReadOptions, ReadReport
from logan.logs.reading import read_blocks, recognise
from logan.pipeline.dbc_files import BusLayouts
from logan.settings import BuildSettings, ChannelSource
from logan.units import IntArray


def prepare(paths: Sequence[Path]) -> None:
    """Start what takes long to start before these logs are read, while other things are done."""
    mf4.prepare(paths)


def sort_files(files: Sequence[tuple[Path, LogFormat]], options: ReadOptions) -> list[tuple[Path, LogFormat]]:
    """Files in the order of their first times.

    Raises
    ------
    LogReadError
        If more than one file counts time from its own start, so that nothing says which comes first.
    """
    if len(files) == 1:
        return list(files)
    starts = [(_first_time_ns(path, log_format, options), path, log_format) for path, log_format in files]
    relative = [path for start_ns, path, _ in starts if start_ns is not None and not is_dated(start_ns)]
    if relative and len({start_ns for start_ns, _, _ in starts if start_ns is not None}) < len(files):
        raise LogReadError(
            "several of the logs count time from the same start, so nothing says which comes first",
            "Import them one by one, or record with absolute times",
            relative[0],
        )
    if relative and len(relative) < len(files):
        raise LogReadError(
            "this log counts time from its own start, and the others from 1970",
            "Import it by itself, or record all with absolute times",
            relative[0],
        )
    starts.sort(key=lambda start: (start[0] is None, start[0] or 0))
    return [(path, log_format) for _, path, log_format in starts]


def _first_time_ns(path: Path, log_format: LogFormat, options: ReadOptions) -> int | None:
    """First time in a log; None where nothing can be read. Only its first block is looked at."""
    single = replace(options, threads=1, is_hashed=False)
    for part in read_blocks(path, log_format, single, ReadReport(path=path), _times):
        if isinstance(part, SignalTable):
            firsts = [int(column.time_ns[0]) for column in part if column.time_ns.size]
        else:
            firsts = part
        if firsts:
            return min(firsts)
    return None


def _times(frames: FrameTable) -> list[int]:
    return [int(frames.time_ns[0])] if len(frames) else []


def join_columns(parts: Iterable[Iterable[SignalColumn]]) -> tuple[SignalColumn, ...]:
    """Columns of several files; those of one key are joined, sorted by time only where files overlap."""
    by_key: dict[str, list[SignalColumn]] = {}
    for part in parts:
        for column in part:
            by_key.setdefault(column.key, []).append(column)
    return tuple(_joined(columns) for columns in by_key.values())


def in_time_order(columns: Iterable[SignalColumn], file_count: int) -> tuple[SignalColumn, ...]:
    """Columns read from several files one after the other, sorted where the files overlap in time.

    A column that steps back more often than files follow each other does so inside a file: such
    steps are a fault of the logger, and are kept for the checks that look for them.
    """
    if file_count == 1:
        return tuple(columns)
    sorted_times: dict[int, tuple[IntArray, IntArray | None, IntArray]] = {}
    ordered: list[SignalColumn] = []
    for column in columns:
        time_ns = column.time_ns
        if id(time_ns) not in sorted_times:
            back_steps = int(np.count_nonzero(np.diff(time_ns) < 0))
            order = np.argsort(time_ns, kind="stable") if 0 < back_steps < file_count else None
            # The array itself is kept too, so that no other can get its id.
            sorted_times[id(time_ns)] = (time_ns, order, time_ns if order is None else time_ns[order])
        _, order, in_order = sorted_times[id(time_ns)]
        ordered.append(column if order is None else replace(column, time_ns=in_order, value=column.value[order]))
    return tuple(ordered)


def _joined(columns: list[SignalColumn]) -> SignalColumn:
    if len(columns) == 1:
        return columns[0]
    columns = sorted(columns, key=lambda column: int(column.time_ns[0]) if column.time_ns.size else 0)
    time_ns = np.concatenate([column.time_ns for column in columns])
    value = np.concatenate([column.value for column in columns])
    rises = all(bool(np.all(np.diff(column.time_ns) >= 0)) for column in columns)
    if rises and np.any(np.diff(time_ns) < 0):
        order = np.argsort(time_ns, kind="stable")
        time_ns, value = time_ns[order], value[order]
    return replace(columns[0], time_ns=time_ns, value=value)


_HEADER_BYTES: Final = 4096
_TRACK_FORMATS: Final = frozenset({"gpx"})


def group_by_clock(paths: Sequence[Path], format_name: str | None = None) -> tuple[tuple[Path, ...], ...]:
    """Group the files of one drive by the clock that stamped them; the leading group first.

    Logs of CAN frames share one clock (buses and parts of one logger). Tables share one where
    their first line is the same. Every track has its own.

    Parameters
    ----------
    paths : sequence of Path
        Files of one drive.
    format_name : str, optional
        As in ``read_logs``.

    Raises
    ------
    LogReadError
        If a file cannot be opened or recognised.
    """
    if len(paths) < 2:
        return (tuple(paths),)
    groups: dict[tuple[int, str], list[Path]] = {}
    for path in paths:
        log_format = recognise(path, format_name)
        if log_format.holds_frames:
            key = (0, "")
        elif log_format.name in _TRACK_FORMATS:
            key = (2, str(path))
        else:
            first_line = read_head(path, _HEADER_BYTES).splitlines()[:1]
            key = (1, repr(first_line))
        groups.setdefault(key, []).append(path)
    ordered = sorted(groups, key=lambda key: key[0])
    return tuple(tuple(groups[key]) for key in ordered)


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


Progress: TypeAlias = Callable[[IngestProgress], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """How logs are read.

    Parameters
    ----------
    dbcs : sequence of Path
        DBCs for every bus; of two that define one identifier the first counts.
    dbc_by_bus : mapping of str to sequence of Path
        DBCs of single buses, by the name that the log has for them; used instead of ``dbcs`` there.
    bus_of : mapping of Path to str
        Bus of a log whose format does not carry one.
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
    """

    dbcs: Sequence[Path] = ()
    dbc_by_bus: Mapping[str, Sequence[Path]] = field(default_factory=dict)
    bus_of: Mapping[Path, str] = field(default_factory=dict)
    format_name: str | None = None
    column_layout: str = ""
    threads: int = 2
    progress: Progress | None = None
    is_cancelled: Callable[[], bool] | None = None

    def layouts(self, overrides: Iterable[ChannelSource] = ()) -> BusLayouts:
        """What the DBCs say; ``overrides`` are channels where the user knows signedness or byte order better."""
        return BusLayouts(self.dbcs, self.dbc_by_bus, overrides)

    def with_dbcs_of(self, build: BuildSettings) -> Self:
        """The same with the DBCs that a build names, where none is given."""
        has_own = bool(self.dbcs or self.dbc_by_bus)
        return self if has_own else replace(self, dbcs=build.dbc_paths, dbc_by_bus=build.dbc_by_bus)


PLAINLY: Final = Reading()
"""Every log by its content alone, without a DBC."""


class LogsReader:
    """Reads several files one after the other, in the order of time.

    Parameters
    ----------
    paths : sequence of Path
        Files of one drive, in any order.
    reading : Reading
        How to read them.
    known_ids, wanted, is_hashed
        As in ``ReadOptions``.

    Raises
    ------
    LogReadError
        If a file cannot be opened or recognised, or nothing says which comes first.
    """

    def __init__(
        self,
        paths: Sequence[Path],
        reading: Reading,
        *,
        known_ids: frozenset[tuple[int, bool]] = frozenset(),
        wanted: frozenset[str] | None = None,
        is_hashed: bool = True,
    ) -> None:
        if not paths:
            raise UsageError("no log is given", "Give at least one log file")
        self._reading = reading
        self._options = ReadOptions(
            column_layout=reading.column_layout,
            known_ids=known_ids,
            threads=reading.threads,
            wanted=wanted,
            is_hashed=is_hashed,
        )
        self._started_s = self._told_s = time.monotonic()
        formats = [(path, recognise(path, reading.format_name)) for path in paths]
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
            options = replace(self._options, bus=self._reading.bus_of.get(path, self._options.bus))
            for part in read_blocks(path, log_format, options, report, index.group):
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
        if any(not table.columns for table in tables) and self._options.wanted is not None:
            return  # none of its columns was asked for, which is said where they are mapped
        report = self.reports[0]
        if report.skipped:
            first = report.skipped[0]
            raise LogReadError(
                f"nothing in it can be read as {report.log_format}; the first of {report.skipped_count} faults is "
                f"at {first.place}: {first.reason}",
                "Say which column is what with --columns, such as 'time=ms', or export the log again with time, "
                "identifier and data in each line",
                report.path,
            )
        what = "frame" if self.holds_frames else "row"
        raise LogReadError(f"the log holds no {what}", "Check that the logger was recording", report.path)

    def _tell(self, report: ReadReport, *, is_end: bool = False) -> None:
        if self._reading.is_cancelled is not None and self._reading.is_cancelled():
            raise LogReadError("reading was canceled", "Nothing was kept", report.path)
        now_s = time.monotonic()
        if self._reading.progress is None or (now_s - self._told_s < _PROGRESS_PERIOD_S and not is_end):
            return
        self._told_s = now_s
        self._reading.progress(
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
            if other.sha256 and other.sha256 == report.sha256:
                raise LogReadError(f"this log has the same content as {other.path}", "Give each once", report.path)

"""Read the files of one drive one after the other, telling how far it has come."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final, TypeAlias

from logan.drive.drive import LogSource
from logan.errors import LogReadError, UsageError
from logan.frames.grouping import FrameGroups, KeyIndex
from logan.frames.raw_columns import RawColumnsBuilder
from logan.frames.table import SignalTable
from logan.logs.log_format import LogFormat, ReadOptions, ReadReport
from logan.logs.reading import read_blocks, recognise
from logan.pipeline.joining import sort_files

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


class LogsReader:
    """Reads several files one after the other, in the order of time.

    Parameters
    ----------
    paths : sequence of Path
        Files of one drive, in any order.
    options : ReadOptions
        How to read them.
    format_name : str, optional
        Format of all of them; recognised by content by default.
    progress : callable, optional
        Called about ten times a second.
    is_cancelled : callable, optional
        Asked after each block.
    bus_of : mapping of Path to str, optional
        Bus of a log whose format does not carry one.

    Raises
    ------
    LogReadError
        If a file cannot be opened or recognised, or nothing says which comes first.
    """

    def __init__(
        self,
        paths: Sequence[Path],
        options: ReadOptions,
        *,
        format_name: str | None = None,
        progress: Progress | None = None,
        is_cancelled: Callable[[], bool] | None = None,
        bus_of: Mapping[Path, str] | None = None,
    ) -> None:
        if not paths:
            raise UsageError("no log is given", "Give at least one log file")
        self._options, self._bus_of = options, bus_of or {}
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
            options = replace(self._options, bus=self._bus_of.get(path, self._options.bus))
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
        if self._is_cancelled is not None and self._is_cancelled():
            raise LogReadError("reading was canceled", "Nothing was kept", report.path)
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
            if other.sha256 and other.sha256 == report.sha256:
                raise LogReadError(f"this log has the same content as {other.path}", "Give each once", report.path)

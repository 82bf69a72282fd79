"""Put the files of one drive in order of time, and join their columns."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Final

import numpy as np

from logan.errors import LogReadError
from logan.frames.table import FrameTable, SignalColumn, SignalTable
from logan.frames.times import is_dated
from logan.logs.compression import read_head
from logan.logs.log_format import LogFormat, ReadOptions, ReadReport
from logan.logs.reading import read_blocks, recognise
from logan.units import IntArray


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

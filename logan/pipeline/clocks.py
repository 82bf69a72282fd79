"""Which files of one drive share a clock: the parts of one logger do, a phone's track does not."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Final

from logan.logs.compression import read_head
from logan.logs.reading import recognise

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

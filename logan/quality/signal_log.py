"""What reading the log itself brought up: a cut end, broken rows, repeated headers."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Final

from logan.flags import DataFlag, Severity
from logan.frames.table import SignalTable
from logan.quality.detector import SignalDetector
from logan.settings import ChannelMap

_HEADER_AGAIN: Final = re.compile(r"'[^'\d]*[A-Za-z][^']*' is no time|header", re.IGNORECASE)


def _find_truncated(table: SignalTable, channel_map: ChannelMap) -> Iterator[DataFlag]:
    if not table.is_truncated:
        return
    yield DataFlag(
        code="log_truncated",
        severity=Severity.NOTE,
        channels=(),
        title="Log ends in the middle of a line or object",
        evidence="as after a power cut; what came before is whole",
        remedy="Give the logger a supply that outlasts the key; the end of the drive may be missing",
    )


def _find_header(table: SignalTable, channel_map: ChannelMap) -> Iterator[DataFlag]:
    """A header in the middle of the data: several exports were put into one file."""
    again = [part for part in table.skipped if _HEADER_AGAIN.search(part.reason)]
    if not again:
        return
    yield DataFlag(
        code="header_repeated",
        severity=Severity.NOTE,
        channels=(),
        title="The header comes again in the middle of the file",
        evidence=f"{again[0].place}: {again[0].reason}",
        remedy="Several exports are in one file: import them separately if they are several drives",
    )


def _find_skipped(table: SignalTable, channel_map: ChannelMap) -> Iterator[DataFlag]:
    rows = table.frame_count or max((column.time_ns.size for column in table.columns), default=0)
    if table.skipped_count == 0 or rows == 0:
        return
    share = table.skipped_count / (rows + table.skipped_count)
    places = "; ".join(f"{part.place}: {part.reason}" for part in table.skipped[:2])
    yield DataFlag(
        code="rows_skipped",
        severity=Severity.RED if share > 0.1 else Severity.AMBER if share > 0.001 else Severity.NOTE,
        channels=(),
        title="Lines or objects could not be read",
        evidence=f"{table.skipped_count} of {rows + table.skipped_count} ({places})",
        remedy="Look at the lines named; export again, or name the column layout",
    )


SIGNAL_DETECTORS: Final = (
    SignalDetector("log_truncated", "Log ends in the middle of a line", _find_truncated),
    SignalDetector("header_repeated", "The header comes again", _find_header),
    SignalDetector("rows_skipped", "Lines or objects could not be read", _find_skipped),
)

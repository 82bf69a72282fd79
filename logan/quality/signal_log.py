"""What reading the log itself brought up: a cut end, lost lines, repeated headers, times that no bus could have."""

import math
import re
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from typing import Final

from logan.frames.table import SignalTable, SkippedPart
from logan.frames.times import LEAST_FRAMES_PER_S, MOST_FRAMES_PER_S, is_dated, is_likely_date
from logan.quality.detector import signal_detector
from logan.results import DataFlag, Severity
from logan.settings import ChannelMap
from logan.wording import percent

_HEADER_AGAIN: Final = re.compile(r"'[^'\d]*[A-Za-z][^']*' is no time|header", re.IGNORECASE)

_AMBER_LOSS: Final = 0.01
_RED_LOSS: Final = 0.05
_LEAST_FRAMES: Final = 50
_USUAL_FRAMES_PER_S: Final = 500.0


@signal_detector("log_truncated", Severity.NOTE)
def _find_truncated(table: SignalTable, channel_map: ChannelMap) -> Iterator[DataFlag]:
    if not table.is_truncated:
        return
    yield DataFlag(evidence="as after a power cut; what came before is whole")


@signal_detector("header_repeated", Severity.NOTE)
def _find_header(table: SignalTable, channel_map: ChannelMap) -> Iterator[DataFlag]:
    """A header in the middle of the data: several exports were put into one file."""
    again = [part for part in table.skipped if _HEADER_AGAIN.search(part.reason)]
    if not again:
        return
    yield DataFlag(evidence=f"{again[0].place}: {again[0].reason}")


def loss_flag(read_count: int, skipped_count: int, lost_count: int, skipped: Sequence[SkippedPart]) -> DataFlag | None:
    """What could not be read: red above 5 % of all that looks like frames or rows, amber above 1 %.

    Parameters
    ----------
    read_count, skipped_count, lost_count : int
        Frames or rows read; lines or objects left out; those of them that look like frames or rows.
    skipped : sequence of SkippedPart
        The first ones.
    """
    if skipped_count == 0 or read_count + lost_count == 0:
        return None
    share = lost_count / (read_count + lost_count)
    places = "; ".join(f"{part.place}: {part.reason}" for part in skipped[:3])
    return DataFlag(
        code="rows_skipped",
        severity=Severity.RED if share > _RED_LOSS else Severity.AMBER if share > _AMBER_LOSS else Severity.NOTE,
        title="Lines or objects could not be read",
        evidence=f"{lost_count} of {read_count + lost_count} ({percent(share, 1)}) are missing; "
        f"{skipped_count} left out in all ({places})",
        remedy="Look at the lines named; export again, or say what a column is with --columns",
        refuses=("net_energy", "consumption", "regen") if share > _RED_LOSS else (),
    )


def time_flags(first_ns: int, last_ns: int, frame_count: int) -> Iterator[DataFlag]:
    """Times that cannot be: more frames than a bus carries, fewer than a vehicle sends, dates that are none.

    Parameters
    ----------
    first_ns, last_ns : int
        First and last time. [ns]
    frame_count : int
        CAN frames between them; 0 for a table of channels.
    """
    span_s = (last_ns - first_ns) / 1e9
    rate = frame_count / span_s if span_s > 0 else MOST_FRAMES_PER_S * (frame_count > 1)
    if frame_count >= _LEAST_FRAMES and not LEAST_FRAMES_PER_S <= rate < MOST_FRAMES_PER_S:
        power = round(math.log10(max(rate, 1e-12) / _USUAL_FRAMES_PER_S) / 3) or (1 if rate > 1 else -1)
        size = f"{1000 ** abs(power):,} times too {'short' if power > 0 else 'long'}"
        yield _times_flag(
            f"{frame_count:,} frames in {span_s:.6g} s are {rate:.4g} frames/s; a bus carries fewer than "
            f"{MOST_FRAMES_PER_S:,.0f}, and a vehicle that is on sends more than {LEAST_FRAMES_PER_S:g}",
            f"the unit of the times is likely {size}: say it with --columns time=s, time=ms, time=us or time=ns",
        )
    dates = [datetime.fromtimestamp(time_ns / 1e9, tz=UTC) for time_ns in (first_ns, last_ns) if is_dated(time_ns)]
    wrong = next((each for each in dates if not is_likely_date(each.timestamp())), None)
    if wrong is not None:
        yield _times_flag(
            f"the log has a date of {wrong:%Y-%m-%d}, which is {'in the future' if wrong.year > 2000 else 'too early'}",
            "If their unit is wrong, say it with --columns time=ms (or s, us, ns); else set the logger's clock",
        )


def _times_flag(evidence: str, remedy: str) -> DataFlag:
    return DataFlag(
        code="implausible_times",
        severity=Severity.RED,
        title="The times of the log cannot be right",
        evidence=evidence,
        remedy=remedy[:1].upper() + remedy[1:],
        refuses=("net_energy", "consumption", "regen"),
    )


@signal_detector("rows_skipped")
def _find_skipped(table: SignalTable, channel_map: ChannelMap) -> Iterator[DataFlag]:
    rows = table.frame_count or max((column.time_ns.size for column in table.columns), default=0)
    if flag := loss_flag(rows, table.skipped_count, table.lost_count, table.skipped):
        yield flag


@signal_detector("implausible_times")
def _find_times(table: SignalTable, channel_map: ChannelMap) -> Iterator[DataFlag]:
    times = [column.time_ns for column in table.columns if column.time_ns.size]
    if times:
        first_ns, last_ns = min(int(each.min()) for each in times), max(int(each.max()) for each in times)
        yield from time_flags(first_ns, last_ns, table.frame_count)

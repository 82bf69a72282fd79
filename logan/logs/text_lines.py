"""What the text formats share: lines of a chunk, the strict way for one line, and the frames of both.

Each format reads most lines of a chunk at once, as columns (``FastFrames``); lines that it does not
take go one by one to its ``parse_line``, a strict grammar. The fast way takes only what the grammar
takes, and gives the same frame for it: a test holds the two against each other.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

from logan.frames.table import FrameTable
from logan.logs.log_format import SHOWN_SKIPS, ParsedChunk, SkippedLine
from logan.logs.packed_text import Words, first_of_two
from logan.units import BoolArray, IntArray

MAX_STANDARD_ID: Final = 0x7FF
MAX_EXTENDED_ID: Final = 0x1FFFFFFF
CLASSIC_BYTES: Final = 8
FD_BYTES: Final = 64

_NEWLINE, _RETURN = 10, 13
_MAX_BUSES: Final = 200
_NAME_MASKS: Final = first_of_two(2)


class FrameRow(NamedTuple):
    """One frame, as the strict way reads it; fields as in ``FrameTable``."""

    time_ns: int
    can_id: int
    is_extended: bool
    bus: str
    data: bytes
    is_fd: bool = False
    is_remote: bool = False
    is_error: bool = False


class BrokenLineError(ValueError):
    """A line that should be a frame is none; its text is the reason."""


ParseLine: TypeAlias = Callable[[bytes], "FrameRow | None"]
"""Frame of one line without its end; None for lines that are no frames and need not be."""


@dataclass(frozen=True, slots=True)
class Lines:
    """Where the lines of a chunk lie.

    Parameters
    ----------
    start, end : ndarray of int64, shape (n,)
        First character and the one behind the last, without the line end.
    is_plain : ndarray of bool, shape (n,)
        The line is printable ASCII throughout (and tabs, where they were allowed).
    """

    start: IntArray
    end: IntArray
    is_plain: BoolArray

    def __len__(self) -> int:
        return int(self.start.size)


def split_lines(text: NDArray[np.uint8], size: int, *, allow_tabs: bool = False) -> Lines:
    """Find the lines of ``text[:size]``, which ends in a newline; a carriage return before it belongs to the end."""
    # One pass finds line ends and every odd character: 0x20 to 0x7E is the plain range.
    odd = np.flatnonzero((text[:size] - np.uint8(32)) > 94)
    character = text[odd]
    is_newline = character == _NEWLINE
    if is_newline.all():
        newline = odd
        has_return = None
        strange = odd[:0]
    else:
        newline = odd[is_newline]
        before = text[newline - 1]
        before[newline == 0] = 0
        has_return = before == _RETURN
        is_strange = ~is_newline
        is_strange[:-1] &= ~((character[:-1] == _RETURN) & is_newline[1:] & (np.diff(odd) == 1))
        if allow_tabs:
            is_strange &= character != 9
        strange = odd[is_strange]
    start = np.empty_like(newline)
    start[0] = 0
    start[1:] = newline[:-1] + 1
    end = newline if has_return is None else newline - has_return
    is_plain = np.ones(newline.size, np.bool_)
    if strange.size:
        is_plain[np.searchsorted(newline, strange)] = False
    return Lines(start, end, is_plain)


@dataclass(slots=True)
class FastFrames:
    """Columns that a format read at once, one row a line; rows not ``taken`` hold anything.

    Parameters
    ----------
    taken : ndarray of bool, shape (n,)
        The line was read; the others go the strict way.
    time_ns, can_id, length, payload, is_extended, bus
        As in ``FrameTable``, one row a line.
    is_fd, is_error, is_remote : ndarray of bool, shape (n,), or None
        None where no row is.
    buses : list of str
        Names that ``bus`` points to; lengthened by what the strict way meets.
    """

    taken: BoolArray
    time_ns: IntArray
    can_id: NDArray[np.uint32]
    is_extended: BoolArray
    length: NDArray[np.uint8]
    payload: NDArray[np.uint8]
    bus: NDArray[np.uint8]
    buses: list[str]
    is_fd: BoolArray | None = None
    is_error: BoolArray | None = None
    is_remote: BoolArray | None = None


def no_fast_frames(line_count: int) -> FastFrames:
    """Nothing taken: every line goes the strict way."""
    return FastFrames(
        taken=np.zeros(line_count, np.bool_),
        time_ns=np.zeros(line_count, np.int64),
        can_id=np.zeros(line_count, np.uint32),
        is_extended=np.zeros(line_count, np.bool_),
        length=np.zeros(line_count, np.uint8),
        payload=np.zeros((line_count, CLASSIC_BYTES), np.uint8),
        bus=np.zeros(line_count, np.uint8),
        buses=[],
    )


def bus_names(name: Words, width: IntArray, usable: BoolArray, known: list[str]) -> NDArray[np.uint8]:
    """Index of each line's bus name, given as up to 16 characters in two words.

    Parameters
    ----------
    name : ndarray of uint64, shape (n, 2)
        Characters of the name, and whatever follows them; masked in place.
    width : ndarray of int64, shape (n,)
        Characters that belong to the name, 1 to 16.
    usable : ndarray of bool, shape (n,)
        Rows to name; cleared where there are more names than can be told apart here.
    known : list of str
        Names so far; lengthened.

    Returns
    -------
    ndarray of uint8, shape (n,)
        Index into ``known``.
    """
    name &= _NAME_MASKS[width] if width.size and (width != width[0]).any() else _NAME_MASKS[width[:1]]
    bus = np.zeros(width.size, np.uint8)
    left = usable.copy()
    while left.any():
        first = int(left.argmax())
        if len(known) >= _MAX_BUSES:
            usable &= ~left
            break
        text = name[first].tobytes()[: int(width[first])].decode("ascii")
        if text not in known:
            known.append(text)
        same = (name[:, 0] == name[first, 0]) & (name[:, 1] == name[first, 1])
        bus[same] = known.index(text)
        left &= ~same
    return bus


def finish_chunk(text: NDArray[np.uint8], lines: Lines, fast: FastFrames, parse_line: ParseLine) -> ParsedChunk:
    """Read the lines that the fast way did not take, one by one, and put all frames in order."""
    if fast.taken.all():
        return ParsedChunk(_table(fast, slice(None)), len(lines))
    content = text.data
    skipped: list[SkippedLine] = []
    skipped_count = 0
    keep = fast.taken.copy()
    for index in np.flatnonzero(~fast.taken).tolist():
        try:
            row = parse_line(bytes(content[lines.start[index] : lines.end[index]]))
            if row is not None:
                _put(fast, index, row)
                keep[index] = True
        except BrokenLineError as broken:
            skipped_count += 1
            if len(skipped) < SHOWN_SKIPS:
                skipped.append(SkippedLine(index, str(broken)))
    return ParsedChunk(_table(fast, keep), len(lines), skipped_count, tuple(skipped))


def _put(fast: FastFrames, index: int, row: FrameRow) -> None:
    length = len(row.data)
    if length > fast.payload.shape[1]:
        wide = np.zeros((fast.payload.shape[0], FD_BYTES), np.uint8)
        wide[:, :CLASSIC_BYTES] = fast.payload
        fast.payload = wide
    if row.bus not in fast.buses:
        if len(fast.buses) > _MAX_BUSES:
            raise BrokenLineError(f"there are more than {_MAX_BUSES} bus names")
        fast.buses.append(row.bus)
    fast.time_ns[index] = row.time_ns
    fast.can_id[index] = row.can_id
    fast.is_extended[index] = row.is_extended
    fast.length[index] = length
    fast.payload[index] = 0
    fast.payload[index, :length] = np.frombuffer(row.data, np.uint8)
    fast.bus[index] = fast.buses.index(row.bus)
    for name in ("is_fd", "is_error", "is_remote"):
        flag = getattr(fast, name)
        if flag is None and getattr(row, name):
            flag = np.zeros(fast.taken.size, np.bool_)
            setattr(fast, name, flag)
        if flag is not None:
            flag[index] = getattr(row, name)


def _table(fast: FastFrames, keep: slice | BoolArray) -> FrameTable:
    time_ns = fast.time_ns[keep]
    none = np.broadcast_to(np.False_, time_ns.shape)
    return FrameTable(
        time_ns=time_ns,
        can_id=fast.can_id[keep],
        is_extended=fast.is_extended[keep],
        is_fd=none if fast.is_fd is None else fast.is_fd[keep],
        is_remote=none if fast.is_remote is None else fast.is_remote[keep],
        is_error=none if fast.is_error is None else fast.is_error[keep],
        bus=fast.bus[keep],
        length=fast.length[keep],
        payload=fast.payload[keep],
        buses=tuple(fast.buses),
    )

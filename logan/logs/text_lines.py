"""What the text formats share: lines of a chunk, the strict way for one line, and the frames of both.

Each format reads most lines of a chunk at once, as columns (``FastFrames``); lines that it does not
take go one by one to its ``parse_line``, a strict grammar. The fast way takes only what the grammar
takes, and gives the same frame for it: a test holds the two against each other.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

from logan.frames.table import FrameTable
from logan.logs.log_format import SHOWN_SKIPS, ParsedChunk, SkippedLine
from logan.logs.packed_text import KEEP_FIRST_OF_TWO, Words
from logan.units import BoolArray, IntArray

MAX_STANDARD_ID: Final = 0x7FF
MAX_EXTENDED_ID: Final = 0x1FFFFFFF
CLASSIC_BYTES: Final = 8
FD_BYTES: Final = 64
FD_LENGTHS: Final = (0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64)
"""Data bytes of a CAN FD frame by its DLC."""


BLOCK_LINES: Final = 65_536
"""Lines taken at once: a whole chunk, so that two threads seldom wait for each other."""

REACH: Final = 64
"""How far into a line ``find_in_lines`` looks. [characters]"""

MAX_BUSES: Final = 200
"""More bus names than this are not told apart; no vehicle has as many."""

_TAB, _NEWLINE, _RETURN, _BLANK, _LAST_PLAIN = 9, 10, 13, 32, 126
_SCAN_BYTES: Final = 128 * 1024
_GUESSES: Final = 8
ANY_NAME: Final = re.compile(rb" [!-~]{1,14} ")
BUS_WORD: Final = re.compile(rb" [0-9A-Za-z_]{1,14} ")
BUS_NUMBER: Final = re.compile(rb" (?:0|[1-9][0-9]{0,2}) ")
_INDEX_OF_ONLY_BYTE: Final = np.uint64(0x0001020304050607)


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


def positions(mask: BoolArray) -> IntArray:
    """Where ``mask`` is true, in order; for arrays whose size is a multiple of eight, and mostly false."""
    words = mask.view(np.uint64)
    hit = np.flatnonzero(words != 0)
    left = words[hit]
    base = hit << 3
    if not (left & (left - np.uint64(1))).any():  # one in each word at most, as line ends are
        return base + ((left * _INDEX_OF_ONLY_BYTE) >> np.uint64(56)).view(np.int64)
    found: list[IntArray] = []
    while left.size:
        lowest = left & (~left + np.uint64(1))
        found.append(base + ((lowest * _INDEX_OF_ONLY_BYTE) >> np.uint64(56)).view(np.int64))
        left = left ^ lowest
        more = left != 0
        left, base = left[more], base[more]
    return np.sort(np.concatenate(found), kind="stable")


def gather_rows(text: NDArray[np.uint8], at: IntArray, width: int) -> NDArray[np.uint8]:
    """``width`` characters from each position; shape (n, width)."""
    every = np.ndarray((text.size - width + 1,), f"V{width}", buffer=text.data, strides=(1,))
    return every[at].view(np.uint8).reshape(-1, width)


def split_lines(text: NDArray[np.uint8], size: int, *, allow_tabs: bool = False) -> Lines:
    """Find the lines of ``text[:size]``, which ends in a newline; a carriage return before it belongs to the end."""
    is_ascii = bool(text[:size].max() <= _LAST_PLAIN)
    if is_ascii and (newline := _returned_lines(text, size)) is not None:
        start = np.empty_like(newline)
        start[0] = 0
        start[1:] = newline[:-1] + 1
        return Lines(start, newline - 1, np.ones(newline.size, np.bool_))
    control = _control_characters(text, size)
    character = text[control]
    is_newline = character == _NEWLINE
    newline = control if is_newline.all() else control[is_newline]
    start = np.empty_like(newline)
    start[0] = 0
    start[1:] = newline[:-1] + 1
    end = newline
    is_plain = np.ones(newline.size, np.bool_)
    if newline.size < control.size:
        before = text[newline - 1] == _RETURN
        before[0] &= newline[0] > 0
        end = newline - before
        is_strange = ~(is_newline | (character == _RETURN))
        is_strange |= (character == _RETURN) & (text[control + 1] != _NEWLINE)
        if allow_tabs:
            is_strange &= character != _TAB
        is_plain[np.searchsorted(newline, control[is_strange])] = False
    if not is_ascii:
        is_plain[np.searchsorted(newline, np.flatnonzero(text[:size] > _LAST_PLAIN))] = False
    return Lines(start, end, is_plain)


def _returned_lines(text: NDArray[np.uint8], size: int) -> IntArray | None:
    """Newlines of ``text[:size]`` if each line ends in a carriage return too, and nothing else is below the blank."""
    first = text[: REACH * 8].tobytes().find(b"\n")
    if first < 1 or text[first - 1] != _RETURN:
        return None
    newline, control_count = _scan(text, size, np.equal, _NEWLINE), 0
    mask = np.empty(_SCAN_BYTES, np.bool_)
    for at in range(0, size, _SCAN_BYTES):
        part = text[at : min(at + _SCAN_BYTES, size)]
        control_count += int(np.count_nonzero(np.less(part, _BLANK, out=mask[: part.size])))
    is_regular = control_count == 2 * newline.size and bool((text[newline - 1] == _RETURN).all())
    return newline if is_regular else None


def _control_characters(text: NDArray[np.uint8], size: int) -> IntArray:
    """Positions of line ends, and of other characters below the blank, in ``text[:size]``."""
    return _scan(text, size, np.less, _BLANK)


def _scan(text: NDArray[np.uint8], size: int, compare: np.ufunc, character: int) -> IntArray:
    """Positions in ``text[:size]`` whose character compares true."""
    found = []
    mask = np.empty(_SCAN_BYTES, np.bool_)
    for at in range(0, size, _SCAN_BYTES):
        part = text[at : min(at + _SCAN_BYTES, -(-size // 8) * 8)]
        found.append(positions(compare(part, character, out=mask[: part.size])) + at)
    hits = found[0] if len(found) == 1 else np.concatenate(found)
    return hits[: np.searchsorted(hits, size)]


def find_in_lines(text: NDArray[np.uint8], start: IntArray, character: int) -> IntArray:
    """Position of the first ``character`` of each line, within its first ``REACH``; 0 where it is not there.

    Most lines have it in a few places, which the lines themselves tell. What is found may lie behind the
    end of a short line, or behind another such character: the caller's checks of what stands around it tell.
    """
    offset = text[int(start[0]) : int(start[0]) + REACH].tobytes().find(character)
    at = start + max(offset, 0)
    missed = np.flatnonzero(text[at] != character)
    for _ in range(_GUESSES):
        if not missed.size:
            return at
        line = int(start[missed[0]])
        offset = text[line : line + REACH].tobytes().find(character)
        guess = start[missed] + max(offset, 0)
        at[missed] = guess
        missed = missed[text[guess] != character]
    found = gather_rows(text, start[missed], REACH) == character
    at[missed] = np.where(found.any(axis=1), start[missed] + found.argmax(axis=1), 0)
    return at


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


def bus_names(
    name: Words | list[Words],
    width: IntArray,
    taken: BoolArray,
    known: list[str],
    allowed: re.Pattern[bytes] = ANY_NAME,
) -> NDArray[np.uint8]:
    """Index of each line's bus name.

    Parameters
    ----------
    name : ndarray of uint64, shape (2, n), or a list of one or two such words
        A blank, the name, a blank, and whatever follows.
    width : ndarray of int64, shape (n,)
        Characters that the name must have.
    taken : ndarray of bool, shape (n,)
        Rows to name; cleared where there is no name of that width, or it is too long to be read here.
    known : list of str
        Names so far; lengthened.
    allowed : Pattern
        What a name between its blanks must look like: ``ANY_NAME`` or ``BUS_NUMBER``.

    Returns
    -------
    ndarray of uint8, shape (n,)
        Index into ``known``.
    """
    bus = np.zeros(width.size, np.uint8)
    left = taken.copy()
    while left.any():
        first = int(left.argmax())
        marked = b"".join(word[first].tobytes() for word in name)[: int(width[first]) + 2]
        if not allowed.fullmatch(marked) or len(known) >= MAX_BUSES:
            taken[first] = left[first] = False
            continue
        same = (name[0] ^ name[0][first]) & KEEP_FIRST_OF_TWO[0, len(marked)] == 0
        if len(marked) > 8:
            same &= (name[1] ^ name[1][first]) & KEEP_FIRST_OF_TWO[1, len(marked)] == 0
        same &= width == width[first]
        text = marked[1:-1].decode("ascii")
        if text not in known:
            known.append(text)
        if index := known.index(text):
            bus += same.view(np.uint8) * np.uint8(index)
        left &= ~same
    return bus


def finish_chunk(text: NDArray[np.uint8], lines: Lines, fast: FastFrames, parse_line: ParseLine) -> ParsedChunk:
    """Read the lines that the fast way did not take, one by one, and put all frames in order."""
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
    return ParsedChunk(_table(fast, slice(None) if keep.all() else keep), len(lines), skipped_count, tuple(skipped))


def widen(fast: FastFrames) -> None:
    """Make room for CAN FD data."""
    if fast.payload.shape[1] < FD_BYTES:
        wide = np.zeros((fast.payload.shape[0], FD_BYTES), np.uint8)
        wide[:, :CLASSIC_BYTES] = fast.payload
        fast.payload = wide


def _put(fast: FastFrames, index: int, row: FrameRow) -> None:
    length = len(row.data)
    if length > fast.payload.shape[1]:
        widen(fast)
    if row.bus not in fast.buses:
        if len(fast.buses) > MAX_BUSES:
            raise BrokenLineError(f"there are more than {MAX_BUSES} bus names")
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

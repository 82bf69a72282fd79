"""What the text formats share: the two ways to read the lines of a chunk, and the frames of both.

Each format has a strict grammar, ``parse_line``, which reads one line and says what is wrong with one that is
none. Where logan was installed with a C compiler, a compiled reader goes first: it reads most lines some
twenty times as fast and leaves the others to the grammar. It takes only what the grammar takes, and gives the
same frame for it: a test holds the two against each other.
"""

from __future__ import annotations

import importlib
import re
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from typing import Final, NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

from logan.frames.table import FrameTable
from logan.logs.log_format import PADDING, SHOWN_SKIPS, ParsedChunk, SkippedLine
from logan.units import BoolArray, IntArray

MAX_STANDARD_ID: Final = 0x7FF
MAX_EXTENDED_ID: Final = 0x1FFFFFFF
CLASSIC_BYTES: Final = 8
FD_BYTES: Final = 64
FD_LENGTHS: Final = (0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64)
"""Data bytes of a CAN FD frame by its DLC."""

LATEST_NS: Final = 9_223_372_036 * 1_000_000_000
"""Times from here on, in the year 2262, are none: they do not fit. [ns from 1970]"""

MAX_BUSES: Final = 200
"""More bus names than this are not told apart; no vehicle has as many."""

_TOKEN: Final = re.compile(r"[^\s,;|#\0]+")
_FRAME_TOKEN: Final = re.compile(
    r"[(\[<\"'+-]*(?:[A-Za-z_]*[:=])?(?:[0-9A-Fa-fxTZ.,:/-]*[0-9][0-9A-Fa-fxTZ.,:/-]*|[0-9A-Fa-f]{2})[hx]?[)\]>\"':]*"
)
_DAMAGED_DATA: Final = re.compile(r"[0-9A-Fa-f]{1,8}[^0-9A-Fa-f]?[0-9A-Fa-f]{2,16}[^0-9A-Fa-f]?[0-9A-Fa-f]{2,}")
_LEAST_TOKENS: Final = 3
_NEWLINE: Final = 10
_EXTENDED, _FD, _REMOTE, _ERROR = 1, 2, 4, 8  # as in line_columns.pxd


class FrameRow(NamedTuple):
    """One frame, as the grammar reads it; fields as in ``FrameTable``."""

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

CompiledReader: TypeAlias = Callable[..., bool]
"""Fills ``LineColumns``; False where its rows are too short for the data."""


def is_frame_like(line: str) -> bool:
    """Whether a line looks as if it were a frame: three numbers or pairs of digits at least, and few words."""
    if line.lstrip()[:1] in ("#", "@", "%") or line.lstrip().startswith("//"):
        return False
    tokens = _TOKEN.findall(line[:400])
    count = sum(_FRAME_TOKEN.fullmatch(token) is not None for token in tokens)
    # Identifier and data in one word, whatever stands between them.
    count += 2 * sum(len(token) > 11 and _DAMAGED_DATA.search(token) is not None for token in tokens[1:])
    return count >= _LEAST_TOKENS and count >= 0.35 * len(tokens)


@cache
def compiled_reader(name: str) -> CompiledReader | None:
    """``read_lines`` of a compiled module of ``logan.logs``; None where logan was installed without a C compiler."""
    try:
        reader: CompiledReader = importlib.import_module(f"logan.logs.{name}").read_lines
    except ImportError:
        return None
    return reader


def has_compiled_readers() -> bool:
    """Whether logan was installed with a C compiler."""
    return compiled_reader("candump_lines") is not None


@dataclass(slots=True)
class LineFrames:
    """Frames of the lines of a chunk, one row a line; rows of lines that were left hold anything.

    Parameters
    ----------
    time_ns, can_id, length, payload, bus
        As in ``FrameTable``, one row a line.
    kind : ndarray of uint8, shape (n,)
        Bits: extended, CAN FD, remote, error.
    buses : list of str
        Names that ``bus`` points to; lengthened by what the grammar meets.
    left, left_start, left_end : ndarray of int64, shape (m,)
        Rows that were left, and where their lines lie: the first character, and the one behind the last.
    """

    time_ns: IntArray
    can_id: NDArray[np.uint32]
    kind: NDArray[np.uint8]
    bus: NDArray[np.uint8]
    length: NDArray[np.uint8]
    payload: NDArray[np.uint8]
    buses: list[str]
    left: IntArray
    left_start: IntArray
    left_end: IntArray


def read_lines(text: NDArray[np.uint8], size: int, reader_name: str, *grammar: object) -> LineFrames:
    """Read the lines that a compiled reader takes, and find those that it leaves.

    Parameters
    ----------
    text : ndarray of uint8
        Whole lines up to ``size``, then zeros.
    size : int
        Behind the last newline.
    reader_name : str
        Module of the compiled reader.
    *grammar
        What the reader has to know about the log.
    """
    reader = compiled_reader(reader_name)
    if reader is None:
        return _nothing_read(text, size)
    columns_of = importlib.import_module("logan.logs.line_columns").LineColumns
    columns = columns_of(text, size, CLASSIC_BYTES)
    if not reader(columns, *grammar):
        columns = columns_of(text, size, FD_BYTES)
        reader(columns, *grammar)
    names = ("time_ns", "can_id", "kind", "bus", "length", "payload", "buses")
    return LineFrames(*(getattr(columns, name) for name in names), *columns.left)


def _nothing_read(text: NDArray[np.uint8], size: int) -> LineFrames:
    """Every line is left to the grammar."""
    newline = np.flatnonzero(text[:size] == _NEWLINE)
    start = np.concatenate(([0], newline[:-1] + 1))
    has_return = (newline > start) & (text[newline - 1] == ord("\r"))
    count = newline.size
    return LineFrames(
        time_ns=np.zeros(count, np.int64),
        can_id=np.zeros(count, np.uint32),
        kind=np.zeros(count, np.uint8),
        bus=np.zeros(count, np.uint8),
        length=np.zeros(count, np.uint8),
        payload=np.zeros((count, CLASSIC_BYTES), np.uint8),
        buses=[],
        left=np.arange(count),
        left_start=start,
        left_end=newline - has_return,
    )


def finish_chunk(text: NDArray[np.uint8], frames: LineFrames, parse_line: ParseLine) -> ParsedChunk:
    """Read the lines that were left, one by one, and put all frames in order."""
    content = text.data
    skipped: list[SkippedLine] = []
    skipped_count = lost_count = 0
    keep = np.ones(frames.time_ns.size, np.bool_)
    places = zip(frames.left.tolist(), frames.left_start.tolist(), frames.left_end.tolist(), strict=True)
    for index, start, end in places:
        try:
            row = parse_line(bytes(content[start:end]))
            keep[index] = row is not None
            if row is not None:
                _put(frames, index, row)
        except BrokenLineError as broken:
            keep[index] = False
            is_lost = is_frame_like(bytes(content[start:end]).decode("latin-1"))
            skipped_count, lost_count = skipped_count + 1, lost_count + is_lost
            if len(skipped) < SHOWN_SKIPS:
                skipped.append(SkippedLine(index, str(broken)))
    table = _table(frames, slice(None) if keep.all() else keep)
    return ParsedChunk(table, keep.size, skipped_count, tuple(skipped), lost_count)


@dataclass(frozen=True, slots=True)
class LinesParser:
    """``TextParser`` of a format whose lines stand alone.

    Parameters
    ----------
    parse_line : callable
        The grammar.
    reader_name : str
        Module of the compiled reader.
    grammar : tuple
        What the compiled reader has to know about the log.
    join : callable or None
        As in ``TextParser``.
    findings : tuple of two tuples of str
        What had to be assumed, and what was inferred of the layout.
    """

    parse_line: ParseLine
    reader_name: str
    grammar: tuple[object, ...] = ()
    join: Callable[[FrameTable], FrameTable] | None = None
    findings: tuple[tuple[str, ...], tuple[str, ...]] = ((), ())

    def parse_chunk(self, text: NDArray[np.uint8], size: int) -> ParsedChunk:
        """Frames of the text; may be called from any thread."""
        return finish_chunk(text, read_lines(text, size, self.reader_name, *self.grammar), self.parse_line)

    def parse(self, content: bytes) -> FrameTable:
        """Frames of whole lines."""
        content = content or b"\n"
        return self.parse_chunk(np.frombuffer(content + bytes(PADDING), np.uint8), len(content)).frames


def _put(frames: LineFrames, index: int, row: FrameRow) -> None:
    length = len(row.data)
    if length > frames.payload.shape[1]:
        wide = np.zeros((frames.payload.shape[0], FD_BYTES), np.uint8)
        wide[:, :CLASSIC_BYTES] = frames.payload
        frames.payload = wide
    if row.bus not in frames.buses:
        if len(frames.buses) > MAX_BUSES:
            raise BrokenLineError(f"there are more than {MAX_BUSES} bus names")
        frames.buses.append(row.bus)
    frames.time_ns[index] = row.time_ns
    frames.can_id[index] = row.can_id
    flags = (row.is_extended * _EXTENDED, row.is_fd * _FD, row.is_remote * _REMOTE, row.is_error * _ERROR)
    frames.kind[index] = sum(flags)
    frames.length[index] = length
    frames.payload[index] = 0
    frames.payload[index, :length] = np.frombuffer(row.data, np.uint8)
    frames.bus[index] = frames.buses.index(row.bus)


def _table(frames: LineFrames, keep: slice | BoolArray) -> FrameTable:
    kind = frames.kind[keep]
    some = int(np.bitwise_or.reduce(kind)) if kind.size else 0
    return FrameTable(
        time_ns=frames.time_ns[keep],
        can_id=frames.can_id[keep],
        is_extended=_has(kind, _EXTENDED, some),
        is_fd=_has(kind, _FD, some),
        is_remote=_has(kind, _REMOTE, some),
        is_error=_has(kind, _ERROR, some),
        bus=frames.bus[keep],
        length=frames.length[keep],
        payload=frames.payload[keep],
        buses=tuple(frames.buses),
    )


def _has(kind: NDArray[np.uint8], flag: int, some: int) -> BoolArray:
    """Rows that have a flag; zero-stride where none has (``some`` holds the flags that any row has)."""
    if not some & flag:
        return np.broadcast_to(np.False_, kind.shape)
    has_flag: BoolArray = (kind & np.uint8(flag)) != 0
    return has_flag

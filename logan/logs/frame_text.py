"""Text with a frame in each line, of any program: its columns are inferred, or the user names them.

What a line must have is a time, an identifier (hexadecimal or decimal) and data; bus, length and the kinds of frame
are read where there are columns for them. ``logan.logs.frame_text_roles`` finds the columns, and says why; what the
text leaves open is refused, with what to say.

* An identifier above 7FF is 29 bits wide; others are where a column says so, where they end in ``x``, or have eight
  digits in a log whose identifiers differ in width.
* Of byte columns, as many are read as the length says; those left empty are absent. In one field, more data
  than the length says is broken, less is a short frame. More than eight bytes are a CAN FD frame.
* A spreadsheet turns identifiers such as 2E6 into 2.00E+06: they are turned back.
* Times of day without a date count on over midnight. Dates are taken as UTC.
"""

import re
from dataclasses import dataclass, replace
from decimal import Decimal
from pathlib import Path
from typing import Final

import numpy as np

from logan.errors import LogReadError
from logan.frames.table import FrameTable
from logan.logs.frame_text_ids import SPREADSHEET_ID
from logan.logs.frame_text_layout import (
    CLOCK,
    ERROR,
    EXTENDED,
    FD,
    IS_WIDTH,
    REMEDY,
    REMOTE,
    STRIPPED,
    TIME_UNITS_NS,
    Bytes,
    Cells,
    FrameTextLayout,
    bits_of,
)
from logan.logs.log_format import LogFormat, ReadOptions
from logan.logs.table_cells import DAY_NS, moment
from logan.logs.text_lines import (
    CLASSIC_BYTES,
    FD_BYTES,
    LATEST_NS,
    MAX_EXTENDED_ID,
    MAX_STANDARD_ID,
    BrokenLineError,
    FrameRow,
    LinesParser,
)

READER: Final = "frame_text_lines"
"""Compiled reader."""

_NUMBER: Final = re.compile(r"([+-]?)([0-9]{1,19})(?:[.,]([0-9]{1,18}))?")
_IDENTIFIER: Final = {
    16: re.compile(r"(?:0[xX])?(?P<digits>[0-9A-Fa-f]{1,8})(?P<extended>[xX]?)[hH]?"),
    10: re.compile(r"(?P<digits>[0-9]{1,10})(?P<extended>[xX]?)"),
}
_UNSIGNED_32_FLAG: Final = 0x80000000


@dataclass(frozen=True, slots=True)
class Grammar:
    """The grammar of lines, given the layout; lines before the first frame are told by how they look."""

    layout: FrameTextLayout
    bus: str = ""
    preamble: frozenset[bytes] = frozenset()

    def parse_line(self, line: bytes) -> FrameRow | None:
        """Read one line; None for empty ones.

        Raises
        ------
        BrokenLineError
            If it is no frame.
        """
        text = line.decode("latin-1")
        if not text.strip(STRIPPED + "\0") or line.strip() in self.preamble:
            return None
        layout, cells = self.layout, Cells(text, self.layout)
        time_ns = self._time_ns(cells.text(layout.time, layout.time_cells))
        kind = self._kind(cells)
        can_id, is_extended = self._identifier(cells.text(layout.identifier), kind)
        data = b"" if kind & REMOTE else self._data(cells)
        bus = self.bus if layout.bus is None else cells.text(layout.bus)
        is_fd = bool(kind & FD) or len(data) > CLASSIC_BYTES
        return FrameRow(time_ns, can_id, is_extended, bus, data, is_fd, bool(kind & REMOTE), bool(kind & ERROR))

    def _time_ns(self, text: str) -> int:
        time_ns = self._clock_ns(text) if self.layout.time_kind == CLOCK else self._number_ns(text)
        if time_ns is None:
            raise BrokenLineError(f"'{text[:40]}' is no time")
        if abs(time_ns) >= LATEST_NS:
            raise BrokenLineError(f"time {text[:40]} is out of range, beyond the year 2262")
        return time_ns

    def _number_ns(self, text: str) -> int | None:
        match = _NUMBER.fullmatch(text)
        if match is None:
            return None
        sign, whole, fraction = match[1], match[2], match[3] or "0"
        if self.layout.fraction_digits and match[3]:
            fraction = fraction.rjust(self.layout.fraction_digits, "0")
        time_ns = round(Decimal(f"{whole}.{fraction}") * TIME_UNITS_NS[self.layout.time_kind])
        return -time_ns if sign == "-" else time_ns

    def _clock_ns(self, text: str) -> int | None:
        layout = self.layout
        found = moment(text, is_day_first=layout.is_day_first, fraction_digits=layout.fraction_digits)
        return None if found is None or found.clock_ns is None else found.clock_ns + (found.day_ns or 0)

    def _kind(self, cells: Cells) -> int:
        """Bits of all columns that tell the kind of the frame."""
        kind = 0
        for flag in self.layout.flags:
            word = cells.text(flag.column)
            bits = flag.words.get(word)
            if bits is None:
                bits = bits_of(flag.role, word)
            if bits is None and (flag.role != "kind" or all(flag.words.values())):
                raise BrokenLineError(f"'{word[:40]}' says nothing of the kind of frame")
            kind |= bits or 0
        return kind

    def _identifier(self, text: str, kind: int) -> tuple[int, bool]:
        base = self.layout.id_base
        match = _IDENTIFIER[base].fullmatch(text)
        if match is None and base == 16 and (turned := SPREADSHEET_ID.fullmatch(text)):
            match = _IDENTIFIER[16].fullmatch(f"{turned[1]}E{turned[2]}")
        if match is None:
            raise BrokenLineError(f"'{text[:40]}' is no identifier")
        number = int(match["digits"], base)
        is_flagged = bool(number & _UNSIGNED_32_FLAG)
        number &= ~_UNSIGNED_32_FLAG
        if number > MAX_EXTENDED_ID:
            raise BrokenLineError(f"identifier {text} is out of range")
        if kind & IS_WIDTH:
            is_extended = bool(kind & EXTENDED)
        else:
            is_padded = self.layout.are_padded_extended and base == 16 and len(match["digits"]) == 8
            is_extended = bool(match["extended"]) or is_flagged or is_padded
        return number, is_extended or number > MAX_STANDARD_ID

    def _data(self, cells: Cells) -> bytes:
        length = FD_BYTES
        if self.layout.length is not None:
            text = cells.text(self.layout.length)
            if not re.fullmatch("[0-9]{1,2}", text) or int(text) > FD_BYTES:
                raise BrokenLineError(f"'{text[:40]}' is no data length")
            length = cells.length_of(text)
        if cells.fault:
            raise BrokenLineError(cells.fault)
        if self.layout.bytes_are is not Bytes.CELL:
            return cells.data[:length]
        if len(cells.data) > length:
            raise BrokenLineError(f"the row holds {len(cells.data)} data bytes where its length says {length}")
        return cells.data


class OverMidnight:
    """Lets times of day count on over midnight, block by block."""

    def __init__(self) -> None:
        self._last_ns = 0
        self._days_ns = 0

    def __call__(self, frames: FrameTable) -> FrameTable:
        """Return the frames with times from the first midnight."""
        if not len(frames):
            return frames
        falls = np.diff(frames.time_ns, prepend=self._last_ns) < -DAY_NS // 2
        days_ns = self._days_ns + DAY_NS * np.cumsum(falls)
        self._last_ns, self._days_ns = int(frames.time_ns[-1]), int(days_ns[-1])
        return replace(frames, time_ns=frames.time_ns + days_ns)


def _parser(head: bytes, path: Path, options: ReadOptions) -> LinesParser:
    from logan.logs.frame_text_roles import infer_layout

    found = infer_layout(head, options.column_layout, options.known_ids)
    if found is None:
        raise LogReadError("no line of the text is a frame with time, identifier and data", REMEDY, path)
    if found.problem:
        raise LogReadError(found.problem, found.remedy or REMEDY, path)
    is_of_day = found.layout.time_kind == CLOCK and not found.is_dated
    join = OverMidnight() if is_of_day else None
    notes = tuple(f"{path}: {note}" for note in found.notes)
    grammar = Grammar(found.layout, options.bus, found.preamble)
    known = (found.layout, options.bus.encode())
    return LinesParser(grammar.parse_line, READER, known, join, (notes, found.reasons))


def _looks_like(head: bytes) -> bool:
    from logan.logs.frame_text_roles import infer_layout

    # A header that names units heads a table of signals: small whole numbers in it are no identifiers and bytes.
    if len(_UNIT.findall(head.split(b"\n", 1)[0])) >= _UNITS_OF_A_TABLE:
        return False
    return infer_layout(head) is not None


_UNIT: Final = re.compile(rb"[\[(][^\])\d;,]{1,12}[\])]")
_UNITS_OF_A_TABLE: Final = 3


FORMAT: Final = LogFormat(
    name="frame-text",
    description="text with a frame in each line: time, identifier and data in any columns",
    looks_like=_looks_like,
    parser=_parser,
    suffixes=(".csv", ".tsv", ".txt", ".log"),
    rank=1,
)

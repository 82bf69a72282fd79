"""How a text with a frame in each line is laid out, and a line of it cut into cells.

A line is cut into cells, by one character or by blanks. All data bytes are *one* column, also where each has a cell
of its own, so that what stands behind them keeps its number however many there are. Found by
``logan.logs.frame_text_roles``, or said by the user:

* all columns in their order: ``time_ms,-,id_hex,length,bytes_hex``;
* or what a single role is: ``time=ms``, ``id=dec``, ``time=3`` (the third column), ``time=3:ms``.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from types import MappingProxyType
from typing import Final

from logan.errors import UsageError
from logan.logs.text_lines import CLASSIC_BYTES, FD_BYTES, FD_LENGTHS

TIME_UNITS_NS: Final = {"s": 1_000_000_000, "ms": 1_000_000, "us": 1_000, "ns": 1}
"""Units of time that a column may have. [ns]"""

CLOCK: Final = "clock"
"""Kind of a time column that holds the time of day, with or without the date before it."""

STRIPPED: Final = " \t\"'()[]<>{}:=#,;*|"
"""What may stand around the content of a cell."""

EXTENDED, FD, REMOTE, ERROR, IS_WIDTH = 1, 2, 4, 8, 16
"""What a word in a column may mean; the first four as in ``line_columns.pxd``, the last: it tells 11 from 29 bits."""

_KINDS: Final = {
    "time": (*TIME_UNITS_NS, CLOCK),
    "id": ("hex", "dec"),
    "data": ("hex", "dec"),
    "bytes": ("hex", "dec"),
    **dict.fromkeys(("bus", "length", "extended", "remote", "error", "fd", "kind"), ()),
}
FLAG_ROLES: Final = ("extended", "remote", "error", "fd", "kind")
"""Roles of columns whose words say which kind of frame it is."""

_ROLES: Final = "time_s time_ms time_us time_ns time_clock id_hex id_dec length data bytes_hex bytes_dec bus extended -"
REMEDY: Final = (
    f"Say it with --columns, one role such as 'time=ms' or all in order, such as 'time_ms,id_hex,data' ({_ROLES})"
)
_FLAG_WORDS: Final = {
    "extended": (re.compile(r"(?:1|true|yes|y|x|ext\w*|29)", re.I), EXTENDED | IS_WIDTH),
    "remote": (re.compile(r"(?:1|true|yes|y|x|r|rtr|remote)", re.I), REMOTE),
    "error": (re.compile(r"(?:1|true|yes|y|x|err\w*)", re.I), ERROR),
    "fd": (re.compile(r"(?:1|true|yes|y|x|fd|edl)", re.I), FD),
}
_NO: Final = re.compile(r"(?:|0|false|no|n|-|std\w*|standard|s|11)", re.I)
_KIND_WORDS: Final = (
    (re.compile(r"(?<![a-z])(?:ext|xtd|extended|eff|ide)(?![a-z])|(?<!\d)29(?!\d)", re.I), EXTENDED | IS_WIDTH),
    (re.compile(r"(?<![a-z])(?:std|standard|sff)(?![a-z])|(?<!\d)11(?!\d)", re.I), IS_WIDTH),
    (re.compile(r"(?<![a-z])(?:rtr|remote)(?![a-z])", re.I), REMOTE),
    (re.compile(r"(?<![a-z])(?:err|error|errorframe)(?![a-z])", re.I), ERROR),
    (re.compile(r"(?<![a-z])(?:fd|canfd|fdf)(?![a-z])", re.I), FD),
)


class Bytes(StrEnum):
    """Where the data bytes of a line are."""

    CELL = "in one column"
    COLUMNS = "one in each of several columns"
    REST = "separated by blanks"


@dataclass(frozen=True, slots=True, kw_only=True)
class FlagColumn:
    """Column whose words say what kind of frame it is.

    Parameters
    ----------
    column : int
        Where.
    role : str
        One of ``FLAG_ROLES``.
    words : mapping of str to int
        Bits of the words that were met; others are judged as they come.
    """

    column: int
    role: str
    words: Mapping[str, int] = field(default_factory=lambda: MappingProxyType({}))


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameTextLayout:
    """Columns of a text with a frame in each line; None where there is no such column.

    Parameters
    ----------
    delimiter : str
        Between cells; a blank stands for any number of blanks and tabs.
    time, time_cells : int
        First column of the time, and how many it has: date and time of day may be apart.
    time_kind : str
        s, ms, us, ns or clock.
    fraction_digits : int
        Digits that a fraction should have where it lost its leading zeros; 0 for an ordinary one.
    is_day_first : bool
        For dates such as 03/04/2025.
    identifier, id_base : int
        Column, and 16 or 10.
    are_padded_extended : bool
        Identifiers up to 7FF that have eight digits are 29 bits wide.
    data, byte_base, byte_count : int
        Column of the first data byte; 16 or 10; columns that hold one byte each.
    bytes_are : Bytes
        How they are separated.
    length, bus : int or None
        Columns.
    length_is_dlc : bool
        Lengths above 8 are the codes of CAN FD.
    flags : tuple of FlagColumn
        Columns that tell the kind of frame.
    has_labels : bool
        Cells may begin with a name, as in ``ID:1A0`` or ``DLC=8``.
    """

    delimiter: str
    time: int
    time_kind: str
    time_cells: int = 1
    fraction_digits: int = 0
    is_day_first: bool = False
    identifier: int
    id_base: int = 16
    are_padded_extended: bool = False
    data: int
    byte_base: int = 16
    byte_count: int = 0
    bytes_are: Bytes
    length: int | None = None
    length_is_dlc: bool = False
    bus: int | None = None
    flags: tuple[FlagColumn, ...] = ()
    has_labels: bool = False

    @property
    def described(self) -> str:
        """The same as the user would write it with ``--columns``."""
        places = {self.identifier: f"id_{'hex' if self.id_base == 16 else 'dec'}"}
        for column in range(self.time, self.time + self.time_cells):
            places[column] = f"time_{self.time_kind}"
        base = "hex" if self.byte_base == 16 else "dec"
        places[self.data] = f"{'data' if self.bytes_are is Bytes.CELL else 'bytes'}_{base}"
        others = (("length", self.length), ("bus", self.bus), *((flag.role, flag.column) for flag in self.flags))
        places |= {at: role for role, at in others if at is not None}
        return ",".join(places.get(column, "-") for column in range(max(places) + 1))


@dataclass(slots=True)
class Wishes:
    """What the user says about columns: where a role is, and of which kind; ``is_whole`` where all are named."""

    places: dict[str, int] = field(default_factory=dict)
    kinds: dict[str, str] = field(default_factory=dict)
    time_cells: int = 1
    is_whole: bool = False


def wishes_of(text: str) -> Wishes:
    """Read what the user says about columns.

    Raises
    ------
    UsageError
        If there are unknown parts, or all columns are named and time, identifier or data is none of them.
    """
    wishes = Wishes()
    parts = [part.strip().lower() for part in text.split(",") if text.strip()]
    wishes.is_whole = bool(parts) and not any("=" in part for part in parts)
    for column, part in enumerate(parts):
        if wishes.is_whole:
            role, _, kind = part.partition("_")
            place = column
        else:
            role, _, said = part.partition("=")
            number, _, kind = said.partition(":") if said[:1].isdecimal() else ("", "", said)
            place = int(number) - 1 if number.isdecimal() else -1
        if part == "-" or (wishes.is_whole and role == "time" and wishes.places.get("time") == column - 1):
            wishes.time_cells += part != "-"
            continue
        if role not in _KINDS or (kind and kind not in _KINDS[role]):
            raise UsageError(f"'{part}' is no kind of column", REMEDY)
        if place >= 0:
            wishes.places.setdefault(role, place)
        if kind:
            wishes.kinds.setdefault(role, kind)
    missing = [role for role in ("time", "id") if role not in wishes.places]
    if wishes.is_whole and (missing or not {"data", "bytes"} & wishes.places.keys()):
        raise UsageError(f"the column layout '{text}' lacks {' and '.join(missing) or 'data'}", REMEDY)
    return wishes


def bits_of(role: str, word: str) -> int | None:
    """What a word in a column of flags says; None where it says nothing."""
    if role in _FLAG_WORDS:
        pattern, bits = _FLAG_WORDS[role]
        if pattern.fullmatch(word):
            return bits
        if _NO.fullmatch(word):
            return bits & IS_WIDTH
        if role != "extended":
            return None
    found = [bits for pattern, bits in _KIND_WORDS if pattern.search(word)]
    return sum(set(found)) if found else None


BYTE: Final = {16: re.compile(r"(?:0[xX])?([0-9A-Fa-f]{1,2})[hH]?"), 10: re.compile(r"([0-9]{1,3})")}
"""One data byte, by the base of numbers."""

BYTES: Final = {
    16: re.compile(r"(?:0[xX])?(?:(?:[0-9A-Fa-f]{2})+|[0-9A-Fa-f])?"),
    10: re.compile(r"[0-9]{0,3}"),
}
"""Data bytes without a mark between them."""

MARKS: Final = re.compile(r"[ \-:.,_]")
"""What may stand between data bytes in one cell; as in the compiled reader."""

_LABEL: Final = re.compile(r"[A-Za-z_]*[G-Zg-z_][A-Za-z_]*[:=][ \t]*")


class Cells:
    """A line cut into cells, blanks and brackets taken off; the data bytes are one of them."""

    def __init__(self, line: str, layout: FrameTextLayout) -> None:
        self.line, self.layout = line, layout
        self.spans: list[tuple[int, int]] = []
        self.data = b""
        self.fault = ""
        self._at = 0
        if layout.delimiter == " ":
            self._by_blanks()
        else:
            self._by_delimiter()

    def text(self, column: int | None, count: int = 1) -> str:
        """Content of a cell, or from the first to the last of several; empty where the line is too short."""
        if column is None or column + count > len(self.spans):
            return ""
        return self.line[self.spans[column][0] : self.spans[column + count - 1][1]]

    def _by_blanks(self) -> None:
        while True:
            self._at = _behind_blanks(self.line, self._at)
            if len(self.spans) == self.layout.data and self.layout.bytes_are is Bytes.REST:
                self._rest()
                continue
            if self._at >= len(self.line):
                break
            start = self._at
            while self._at < len(self.line) and self.line[self._at] not in " \t":
                self._at += 1
            self._add(start, self._at)

    def _by_delimiter(self) -> None:
        line, layout = self.line, self.layout
        is_over = False
        while not is_over:
            columns = layout.byte_count if len(self.spans) == layout.data and layout.byte_count else 1
            found: list[str] = []
            for _ in range(columns):
                end = line.find(layout.delimiter, self._at)
                is_over = end < 0
                end = len(line) if is_over else end
                if columns == 1:
                    self._add(self._at, end)
                else:
                    start, stop = _stripped(line, self._at, end)
                    found.append(line[start:stop])
                self._at = end + 1
                if is_over:
                    break
            if columns > 1:
                self._take_columns(found)

    def _add(self, start: int, end: int) -> None:
        start, end = _stripped(self.line, start, end)
        if self.layout.has_labels and (label := _LABEL.match(self.line, start, end)):
            start = label.end()
        self.spans.append((start, end))
        if len(self.spans) == self.layout.data + 1:
            self._take_cell(self.line[start:end])

    def _most(self) -> int:
        """How many data bytes there may be, where that is known by now."""
        at = self.layout.length
        if at is None or at >= self.layout.data:
            return FD_BYTES
        text = self.text(at)
        return self.length_of(text) if re.fullmatch("[0-9]{1,2}", text) else FD_BYTES

    def length_of(self, text: str) -> int:
        """Number of data bytes that a length stands for."""
        number = int(text)
        return FD_LENGTHS[number] if self.layout.length_is_dlc and CLASSIC_BYTES < number < 16 else number

    def _take_cell(self, text: str) -> None:
        base = self.layout.byte_base
        found = bytearray()
        for word in MARKS.split(text):
            if not BYTES[base].fullmatch(word):
                self.fault = f"'{text[:40]}' is no data"
                return
            digits = word[2:] if word[:2] in ("0x", "0X") else word
            if base == 10 and digits:
                self._take_byte(found, digits)
            else:
                found += bytes.fromhex(digits.zfill(2) if len(digits) == 1 else digits)
        self.data = bytes(found)

    def _take_byte(self, found: bytearray, text: str) -> bool:
        """Take one data byte; False, and a fault, where it is none."""
        base = self.layout.byte_base
        match = BYTE[base].fullmatch(text)
        if match is None or int(match[1], base) > 0xFF:
            self.fault = self.fault or f"'{text[:40]}' is no data byte"
            return False
        found.append(int(match[1], base))
        return True

    def _take_columns(self, cells: list[str]) -> None:
        found = bytearray()
        for cell in cells[: self._most()]:
            if not cell or not self._take_byte(found, cell):
                break
        self.data = bytes(found)
        self.spans.append((self._at, self._at))

    def _rest(self) -> None:
        """Bytes with blanks between them, until there are as many as the length says, or one is none."""
        line, most = self.line, self._most()
        found = bytearray()
        at = start = self._at
        if self.layout.has_labels and (label := _LABEL.match(line, at)):
            at = label.end()
        while True:
            while at < len(line) and line[at] in STRIPPED:
                at += 1
            end = at
            while end < len(line) and line[end] not in STRIPPED:
                end += 1
            match = BYTE[self.layout.byte_base].fullmatch(line, at, end)
            if at == end or len(found) == most or match is None or int(match[1], self.layout.byte_base) > 0xFF:
                break
            found.append(int(match[1], self.layout.byte_base))
            at = end
        is_told = self.layout.length is not None and self.layout.length < self.layout.data
        if is_told and len(found) < most and at < len(line):
            self.fault = f"'{line[at:end][:40]}' is no data byte"
        self.data = bytes(found)
        self.spans.append((start, start))
        self._at = at


def _behind_blanks(line: str, at: int) -> int:
    while at < len(line) and line[at] in " \t":
        at += 1
    return at


def _stripped(line: str, start: int, end: int) -> tuple[int, int]:
    while start < end and line[start] in STRIPPED:
        start += 1
    while end > start and line[end - 1] in STRIPPED:
        end -= 1
    return start, end

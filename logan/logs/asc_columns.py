"""Data frames of an ASC log, all lines of a chunk at once, where they keep to columns."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import partial
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logan.logs.identifiers import KnownIdentifiers
from logan.logs.packed_text import Words, reject
from logan.logs.text_columns import (
    DIGIT_VALUE,
    MAX_COLUMN,
    Rows,
    Template,
    decimal_time,
    ends_with_data,
    left_identifiers,
    padded_width,
    read_left_identifiers,
    right_digits,
    right_number,
    spaced_bytes,
    spaced_long_bytes,
)
from logan.logs.text_layouts import Layout, LineRows, fill_long, read_by_layouts
from logan.logs.text_lines import (
    BUS_NUMBER,
    CLASSIC_BYTES,
    FD_BYTES,
    MAX_EXTENDED_ID,
    MAX_STANDARD_ID,
    FastFrames,
    Lines,
    bus_names,
    find_in_lines,
    no_fast_frames,
)
from logan.units import BoolArray, IntArray

_POINT: Final = ord(".")
_DECIMALS: Final = 6

_CLASSIC: Final = re.compile(
    rb" *[0-9]{1,8}(?P<point>\.)[0-9]{6} +(?P<bus>[0-9]{1,3}) +(?P<id>[0-9A-Fa-f]{1,8}x?) +(?P<direction>[RT]x) +d "
    rb"(?P<length>[0-9A-Fa-f]) (?P<data>[0-9A-Fa-f]{2})"
)


_LONG: Final = re.compile(
    rb" *[0-9]{1,8}(?P<point>\.)[0-9]{6} +CANFD +(?P<bus>[0-9]{1,3}) +(?P<direction>[RT]x) +"
    rb"(?P<id>[0-9A-Fa-f]{1,8}(?P<extended>x?)) +(?P<flags>[01]) [01] (?P<dlc>[0-9A-Fa-f]) +(?P<length>[0-9]{1,2}) "
    rb"(?P<data>[0-9A-Fa-f]{2})"
)
_IDENTIFIER_COLUMNS: Final = 8


def fast_frames(
    text: NDArray[np.uint8], lines: Lines, start_ns: int, known: KnownIdentifiers | None = None
) -> FastFrames:
    """Read all lines that keep to the columns of a few of them; hexadecimal, times in microseconds."""
    known = known or KnownIdentifiers(read_left_identifiers)
    fast = no_fast_frames(len(lines))
    point = find_in_lines(text, lines.start, _POINT)
    read_by_layouts(text, lines, point, fast, partial(_learn, known), 8)
    fast.time_ns += start_ns
    return fast


def _learn(known: KnownIdentifiers, line: bytes) -> Layout | None:
    match = _CLASSIC.match(line) or _LONG.match(line)
    if match is None or match.start("data") - match.start("point") >= MAX_COLUMN:
        return None
    return _ClassicLayout.of(line, match, known) if match.re is _CLASSIC else _LongLayout.of(line, match)


@dataclass(frozen=True, slots=True)
class _ClassicLayout:
    """Columns of a classic data frame, counted from the decimal point of the time."""

    bus: int
    bus_width: int
    identifier: int
    direction: int
    length: int
    data: int
    template: Template
    known: KnownIdentifiers

    @classmethod
    def of(cls, line: bytes, match: re.Match[bytes], known: KnownIdentifiers) -> _ClassicLayout:
        """Columns of a line that ``_CLASSIC`` matched."""
        point = match.start("point")
        names = ("bus", "id", "direction", "length", "data")
        bus, identifier, direction, length, data = (match.start(name) - point for name in names)
        bus_width = match.end("bus") - match.start("bus")
        free = [(bus, bus + bus_width), (identifier, direction - 1), (direction, direction + 1), (length, data)]
        first = _DECIMALS + 1
        template = Template(line[point + first : point + data], first, free)
        return cls(bus, bus_width, identifier, direction, length, data, template, known)

    def read(
        self, text: NDArray[np.uint8], lines: Lines, anchor: IntArray, fast: FastFrames, rows: LineRows
    ) -> BoolArray:
        """Fill ``rows`` of ``fast``; return which of them were read."""
        point, end = anchor[rows], lines.end[rows]
        columns = Rows(text, point, -8, self.data + 24)
        taken = np.ones(point.size, np.bool_)
        before = columns.word(-8)
        width = padded_width(before, point - lines.start[rows])
        fast.time_ns[rows], checks = decimal_time(before, columns.word(0), width, _DECIMALS, 1_000_000_000)
        reject(taken, *checks, *self.template.differences(columns))
        direction = columns.character(self.direction)
        reject(taken, (direction != ord("R")) & (direction != ord("T")))
        room = self.direction - 1 - self.identifier
        can_id, is_extended, checks = left_identifiers(columns, self.identifier, room, self.known)
        reject(taken, *checks)
        fast.can_id[rows], fast.is_extended[rows] = can_id, is_extended
        dlc = DIGIT_VALUE[columns.character(self.length)]
        reject(taken, dlc > 15)
        length = np.minimum(dlc, CLASSIC_BYTES)
        payload, checks = spaced_bytes(columns, self.data, length)
        reject(taken, *checks, ~ends_with_data(text, point, end, self.data, length, more_may_follow=True))
        fast.payload[rows, :CLASSIC_BYTES], fast.length[rows] = payload, length
        name = [columns.word(self.bus - 1)]
        fast.bus[rows] = bus_names(name, np.broadcast_to(self.bus_width, point.shape), taken, fast.buses, BUS_NUMBER)
        return taken


@dataclass(frozen=True, slots=True)
class _LongLayout:
    """Columns of a CAN FD data frame, counted from the decimal point of the time; fields are set to the right."""

    bus: int
    bus_width: int
    direction: int
    identifier_end: int
    is_extended: bool
    flags: int
    length_end: int
    data: int
    template: Template

    @classmethod
    def of(cls, line: bytes, match: re.Match[bytes]) -> _LongLayout:
        """Columns of a line that ``_LONG`` matched."""
        point = match.start("point")
        bus, direction, flags, dlc, data = (
            match.start(name) - point for name in ("bus", "direction", "flags", "dlc", "data")
        )
        bus_width = match.end("bus") - match.start("bus")
        identifier_end, length_end = match.start("extended") - point, match.end("length") - point
        identifier = max(identifier_end - _IDENTIFIER_COLUMNS, direction + 3)
        free = [(bus, bus + bus_width), (direction, direction + 1), (identifier, identifier_end)]
        free += [(flags, flags + 1), (flags + 2, flags + 3), (dlc, dlc + 1), (length_end - 2, length_end)]
        first = _DECIMALS + 1
        template = Template(line[point + first : point + data], first, free)
        return cls(
            bus, bus_width, direction, identifier_end, bool(match["extended"]), flags, length_end, data, template
        )

    def read(
        self, text: NDArray[np.uint8], lines: Lines, anchor: IntArray, fast: FastFrames, rows: LineRows
    ) -> BoolArray:
        """Fill ``rows`` of ``fast``; return which of them were read."""
        point, end = anchor[rows], lines.end[rows]
        columns = Rows(text, point, -8, self.data + 8)
        taken = np.ones(point.size, np.bool_)
        before = columns.word(-8)
        time_ns, checks = decimal_time(
            before, columns.word(0), padded_width(before, point - lines.start[rows]), _DECIMALS, 1_000_000_000
        )
        reject(taken, *checks, *self.template.differences(columns), *self._marks(columns))
        can_id, checks = self._identifier(columns)
        reject(taken, *checks)
        length, is_no_number = right_number(columns, self.length_end)
        reject(taken, is_no_number, (length < 1) | (length > FD_BYTES))
        length[~taken] = 0
        payload, is_data = spaced_long_bytes(text, point + self.data, length)
        taken &= is_data
        taken &= ends_with_data(text, point, end, self.data, length, more_may_follow=True)
        name = [columns.word(self.bus - 1)]
        bus = bus_names(name, np.broadcast_to(self.bus_width, point.shape), taken, fast.buses, BUS_NUMBER)
        fast.time_ns[rows], fast.can_id[rows], fast.is_extended[rows] = time_ns, can_id, self.is_extended
        fast.bus[rows] = bus
        fill_long(fast, rows, length, payload, taken)
        return taken

    def _marks(self, columns: Rows) -> list[BoolArray]:
        """Not zero where the direction, a flag or the DLC is none."""
        direction = columns.character(self.direction)
        flags = [columns.character(column) ^ np.uint8(ord("0")) for column in (self.flags, self.flags + 2)]
        dlc = DIGIT_VALUE[columns.character(self.flags + 4)]
        return [(direction != ord("R")) & (direction != ord("T")), flags[0] > 1, flags[1] > 1, dlc > 15]

    def _identifier(self, columns: Rows) -> tuple[Words, list[Words | BoolArray]]:
        can_id, digit_count, bad = right_digits(columns.word(self.identifier_end - _IDENTIFIER_COLUMNS))
        largest = MAX_EXTENDED_ID if self.is_extended else MAX_STANDARD_ID
        return can_id, [bad, digit_count == 0, can_id > largest]

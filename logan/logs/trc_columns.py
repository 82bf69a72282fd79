"""Data frames of a TRC log, all lines of a chunk at once, where they keep to columns."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import partial
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logan.logs.identifiers import KnownIdentifiers
from logan.logs.packed_text import reject
from logan.logs.text_columns import (
    MAX_COLUMN,
    Rows,
    Template,
    decimal_time,
    ends_with_data,
    not_a_number,
    padded_width,
    read_padded_identifiers,
    spaced_bytes,
    spaced_long_bytes,
)
from logan.logs.text_layouts import Layout, LineRows, fill_long, read_by_layouts
from logan.logs.text_lines import (
    BUS_NUMBER,
    CLASSIC_BYTES,
    FD_LENGTHS,
    FastFrames,
    Lines,
    bus_names,
    find_in_lines,
    no_fast_frames,
)
from logan.units import BoolArray, IntArray

_LEAST_POINT: Final = 64
"""More than the characters before the point that are looked at."""

_POINT: Final = ord(".")
_LENGTH_OF_CODE: Final = np.array(FD_LENGTHS, np.uint8)
_MILLISECOND_NS: Final = 1_000_000
_TIME_COLUMNS: Final = 8
_IDENTIFIER_COLUMNS: Final = 8
_FIELDS: Final = {
    "N": r"(?P<number>\d{1,8})\)?",
    "O": r"\d+(?P<point>\.)\d{1,6}",
    "T": r"(?:DT|(?P<long>F[DBE]|BI)|(?P<way>[RT])x)",
    "B": r"(?P<bus>\d{1,3})",
    "I": r"(?P<id>[0-9A-Fa-f]{4,8})",
    "d": r"(?P<direction>[RT])x",
    "R": r"-",
    "l": r"(?P<length>\d{1,2})",
    "L": r"(?P<code>(?P<length>\d{1,2}))",
    "D": r"(?P<data>[0-9A-Fa-f]{2})",
}


def fast_frames(
    text: NDArray[np.uint8], lines: Lines, columns: str, start_ns: int, known: KnownIdentifiers | None = None
) -> FastFrames:
    """Read all lines of data frames that keep to the columns of a few of them."""
    known = known or KnownIdentifiers(read_padded_identifiers)
    fast = no_fast_frames(len(lines))
    if set(columns) <= set(_FIELDS) and len(set(columns)) == len(columns):
        expression = re.compile((" *" + " +".join(_FIELDS[column] for column in columns)).encode("ascii"))
        point = find_in_lines(text, lines.start, _POINT)
        read_by_layouts(text, lines, point, fast, partial(_learn, expression, known), _LEAST_POINT)
        fast.time_ns += start_ns
    return fast


def _learn(expression: re.Pattern[bytes], known: KnownIdentifiers, line: bytes) -> Layout | None:
    match = expression.match(line)
    if match is None:
        return None
    point = match.start("point")
    is_wide = match.end("number") - point < -_TIME_COLUMNS and match.end("id") - point > _IDENTIFIER_COLUMNS
    is_wide &= match.end("number") - point > 16 - _LEAST_POINT and match.start("data") - point < MAX_COLUMN
    return _Layout.of(line, match, known) if is_wide else None


@dataclass(frozen=True, slots=True)
class _Layout:
    """Columns of a data frame, counted from the decimal point of the time.

    ``bus`` and ``way`` are -1 where there is no such column; ``is_long`` says that it is CAN FD, ``is_code``
    that the length is a DLC.
    """

    start: int
    number_end: int
    decimals: int
    bus: int
    bus_width: int
    identifier_end: int
    way: int
    length: int
    data: int
    is_long: bool
    is_code: bool
    template: Template
    known: KnownIdentifiers

    @classmethod
    def of(cls, line: bytes, match: re.Match[bytes], known: KnownIdentifiers) -> _Layout:
        """Columns of a line that the expression of its version matched."""
        point = match.start("point")
        places = match.re.groupindex
        decimals = re.compile(rb"\d+").match(line, point + 1).end() - point - 1  # type: ignore[union-attr]
        bus = match.start("bus") - point if "bus" in places else -1
        bus_width = match.end("bus") - match.start("bus") if "bus" in places else 0
        way = next((match.start(name) - point for name in ("direction", "way") if name in places and match[name]), -1)
        identifier_end, length, data = (
            match.end("id") - point,
            match.start("length") - point,
            match.start("data") - point,
        )
        free = [(identifier_end - _IDENTIFIER_COLUMNS, identifier_end), (length, length + 2)]
        free += [(bus, bus + bus_width)] if bus >= 0 else []
        free += [(way, way + 1)] if way >= 0 else []
        number_end = match.end("number") - point
        free.append((-_TIME_COLUMNS, decimals + 1))
        template = Template(line[point + number_end : point + data], number_end, free)
        is_long, is_code = "long" in places and bool(match["long"]), "code" in places
        fields = (bus, bus_width, identifier_end, way, length, data, is_long, is_code, template, known)
        return cls(-point, number_end, decimals, *fields)

    def read(
        self, text: NDArray[np.uint8], lines: Lines, anchor: IntArray, fast: FastFrames, rows: LineRows
    ) -> BoolArray:
        """Fill ``rows`` of ``fast``; return which of them were read."""
        point, end = anchor[rows], lines.end[rows]
        columns = Rows(text, point, self.number_end - 8, self.data + 24)
        taken: BoolArray = lines.start[rows] - point == self.start
        number = columns.word(self.number_end - 8)
        before = columns.word(-_TIME_COLUMNS)
        width = padded_width(before, np.broadcast_to(_TIME_COLUMNS, point.shape))
        fast.time_ns[rows], checks = decimal_time(before, columns.word(0), width, self.decimals, _MILLISECOND_NS)
        reject(taken, *checks, *self.template.differences(columns), not_a_number(number, self.number_end - self.start))
        if self.way >= 0:
            way = columns.character(self.way)
            reject(taken, (way != ord("R")) & (way != ord("T")))
        found = self.known(columns.word(self.identifier_end - _IDENTIFIER_COLUMNS))
        reject(taken, found.is_wrong)
        fast.can_id[rows], fast.is_extended[rows] = found.can_id, found.is_extended
        length, is_none = self._lengths(columns)
        reject(taken, is_none)
        if self.is_long:
            length[~taken] = 0
            payload, is_data = spaced_long_bytes(text, point + self.data, length)
            taken &= is_data
        else:
            fast.payload[rows, :CLASSIC_BYTES], checks = spaced_bytes(columns, self.data, length)
            reject(taken, *checks)
        taken &= ends_with_data(text, point, end, self.data, length, more_may_follow=False)
        fast.bus[rows] = self._buses(columns, taken, fast)
        if self.is_long:
            fill_long(fast, rows, length, payload, taken)
        else:
            fast.length[rows] = length
        return taken

    def _lengths(self, columns: Rows) -> tuple[NDArray[np.uint8], BoolArray]:
        """Data bytes of each line, at most those of its kind; and where there is no such number."""
        first, second = (columns.character(self.length + place) ^ np.uint8(ord("0")) for place in (0, 1))
        is_short = second == ord(" ") ^ ord("0")
        length = np.where(is_short, first, first * np.uint8(10) + second)
        is_none = (first > 9) | ~(is_short | (second <= 9))
        if self.is_long and self.is_code:
            is_none |= length >= len(FD_LENGTHS)
            length = _LENGTH_OF_CODE[np.minimum(length, len(FD_LENGTHS) - 1)]
        largest = FD_LENGTHS[-1] if self.is_long else CLASSIC_BYTES
        is_none |= length > largest
        return np.minimum(length, np.uint8(largest)), is_none

    def _buses(self, columns: Rows, taken: BoolArray, fast: FastFrames) -> NDArray[np.uint8] | int:
        if self.bus >= 0:
            width = np.broadcast_to(self.bus_width, taken.shape)
            return bus_names([columns.word(self.bus - 1)], width, taken, fast.buses, BUS_NUMBER)
        if "1" not in fast.buses:
            fast.buses.append("1")
        return fast.buses.index("1")

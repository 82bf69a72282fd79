"""Classic frames of an ASC log, all lines of a chunk at once, where they keep to columns."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logan.logs.packed_text import reject
from logan.logs.text_columns import (
    DIGIT_VALUE,
    MAX_COLUMN,
    Layout,
    LineRows,
    Rows,
    Template,
    decimal_time,
    ends_with_data,
    identifiers,
    padded_width,
    read_by_layouts,
    spaced_bytes,
)
from logan.logs.text_lines import BUS_NUMBER, CLASSIC_BYTES, FastFrames, Lines, bus_names, find_in_lines, no_fast_frames
from logan.units import BoolArray, IntArray

_POINT: Final = ord(".")
_DECIMALS: Final = 6

_CLASSIC: Final = re.compile(
    rb" *[0-9]{1,8}(?P<point>\.)[0-9]{6} +(?P<bus>[0-9]{1,3}) +(?P<id>[0-9A-Fa-f]{1,8}x?) +(?P<direction>[RT]x) +d "
    rb"(?P<length>[0-9A-Fa-f]) (?P<data>[0-9A-Fa-f]{2})"
)


def fast_frames(text: NDArray[np.uint8], lines: Lines, start_ns: int) -> FastFrames:
    """Read all lines that keep to the columns of a few of them; hexadecimal, times in microseconds."""
    fast = no_fast_frames(len(lines))
    point = find_in_lines(text, lines.start, _POINT)
    read_by_layouts(text, lines, point, fast, _learn, 8)
    fast.time_ns += start_ns
    return fast


def _learn(line: bytes) -> Layout | None:
    match = _CLASSIC.match(line)
    if match and match.start("data") - match.start("point") < MAX_COLUMN:
        return _ClassicLayout.of(line, match)
    return None


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

    @classmethod
    def of(cls, line: bytes, match: re.Match[bytes]) -> _ClassicLayout:
        """Columns of a line that ``_CLASSIC`` matched."""
        point = match.start("point")
        names = ("bus", "id", "direction", "length", "data")
        bus, identifier, direction, length, data = (match.start(name) - point for name in names)
        bus_width = match.end("bus") - match.start("bus")
        free = [(bus, bus + bus_width), (identifier, direction - 1), (direction, direction + 1), (length, data)]
        first = _DECIMALS + 1
        template = Template(line[point + first : point + data], first, free)
        return cls(bus, bus_width, identifier, direction, length, data, template)

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
        can_id, is_extended, checks = identifiers(columns, self.identifier, self.direction - 1 - self.identifier)
        reject(taken, *checks)
        fast.can_id[rows], fast.is_extended[rows] = can_id, is_extended
        dlc = DIGIT_VALUE[columns.character(self.length)]
        reject(taken, dlc > 15)
        length = np.minimum(dlc, CLASSIC_BYTES)
        payload, checks = spaced_bytes(columns, self.data, length)
        reject(taken, *checks, ~ends_with_data(text, point, end, self.data, length, more_may_follow=True))
        fast.payload[rows], fast.length[rows] = payload, length
        name = [columns.word(self.bus - 1)]
        fast.bus[rows] = bus_names(name, np.broadcast_to(self.bus_width, point.shape), taken, fast.buses, BUS_NUMBER)
        return taken

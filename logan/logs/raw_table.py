"""Tables of raw frames: one frame a row, in columns that the header tells or the user names.

What a row must have is a time (in s, ms, µs or ns), an identifier (hexadecimal or decimal) and data (one
field, or a column for each byte); bus, length and the kinds of frame are read where there are columns for
them. Delimiter: comma, semicolon, tab or ``|``. Nothing is guessed that the table leaves open: the error says
what to name with ``--columns``.

* Without a column for it, an identifier is extended when it is above 7FF, has eight hexadecimal digits, or
  ends in ``x``.
* Of byte columns, as many are read as the length says; those left empty are absent. In one field, more data
  than the length says is broken, less is a short frame. More than eight bytes are a CAN FD frame.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logan.frames.table import FrameTable
from logan.logs import can_csv
from logan.logs.log_format import LogFormat, ParsedChunk, ReadOptions
from logan.logs.raw_table_layout import RawTableLayout, described_layout, frame_header, recognised_layout
from logan.logs.table_layout import split_row
from logan.logs.text_lines import (
    CLASSIC_BYTES,
    FD_BYTES,
    MAX_EXTENDED_ID,
    MAX_STANDARD_ID,
    BrokenLineError,
    FrameRow,
    finish_chunk,
    read_lines,
)
from logan.logs.work_memory import keep_work_arrays

READER: Final = "raw_table_lines"
"""Compiled reader."""

_TIME: Final = re.compile(r"[0-9]{1,19}(?:[.,][0-9]{1,18})?")
_IDENTIFIER: Final = {
    16: re.compile(r"(?:0[xX])?(?P<digits>[0-9A-Fa-f]{1,8})(?P<extended>[xX]?)[hH]?"),
    10: re.compile(r"(?P<digits>[0-9]{1,10})(?P<extended>[xX]?)"),
}
_BYTE: Final = {16: re.compile(r"(?:0[xX])?[0-9A-Fa-f]{1,2}"), 10: re.compile(r"[0-9]{1,3}")}
_HEX_FIELD: Final = re.compile(r"(?:0[xX])?(?:[0-9A-Fa-f]{2}(?:[ \-:.]?[0-9A-Fa-f]{2})*)?")
_TRUE: Final = frozenset({"1", "true", "yes", "y", "x", "ext", "extended", "29"})
_FALSE: Final = frozenset({"", "0", "false", "no", "n", "-", "std", "standard", "s", "11"})
_LATEST_NS: Final = 1 << 62


@dataclass(frozen=True, slots=True)
class Grammar:
    """The grammar of rows, given the layout."""

    layout: RawTableLayout
    bus: str = ""

    def parse_line(self, line: bytes) -> FrameRow | None:
        """Read one row; None for empty ones.

        Raises
        ------
        BrokenLineError
            If it is no frame.
        """
        layout = self.layout
        cells = [cell.strip() for cell in split_row(line.decode("utf-8", "replace"), layout.delimiter)]
        if not any(cells):
            return None
        time_ns = self._time_ns(_cell(cells, layout.time))
        can_id, is_extended = self._identifier(cells)
        is_remote, is_error = _flag(cells, layout.remote), _flag(cells, layout.error)
        data = self._data(cells)
        bus = self.bus if layout.bus is None else _cell(cells, layout.bus)
        is_fd = _flag(cells, layout.fd) or len(data) > CLASSIC_BYTES
        return FrameRow(time_ns, can_id, is_extended, bus, b"" if is_remote else data, is_fd, is_remote, is_error)

    def _time_ns(self, text: str) -> int:
        if not _TIME.fullmatch(text):
            raise BrokenLineError(f"'{text[:40]}' is no time")
        time_ns = round(Decimal(text.replace(",", ".")) * self.layout.unit_ns)
        if time_ns > _LATEST_NS:
            raise BrokenLineError(f"time {text} is out of range")
        return time_ns

    def _identifier(self, cells: list[str]) -> tuple[int, bool]:
        text = _cell(cells, self.layout.identifier)
        match = _IDENTIFIER[self.layout.id_base].fullmatch(text)
        if match is None:
            raise BrokenLineError(f"'{text[:40]}' is no identifier")
        number = int(match["digits"], self.layout.id_base)
        if self.layout.extended is not None:
            is_extended = _flag(cells, self.layout.extended)
        else:
            is_long = self.layout.id_base == 16 and len(match["digits"]) == 8
            is_extended = bool(match["extended"]) or is_long or number > MAX_STANDARD_ID
        if number > (MAX_EXTENDED_ID if is_extended else MAX_STANDARD_ID):
            raise BrokenLineError(f"identifier {text} is out of range")
        return number, is_extended

    def _data(self, cells: list[str]) -> bytes:
        layout = self.layout
        length = FD_BYTES if layout.length is None else _length(_cell(cells, layout.length))
        if layout.bytes_from is not None:
            found = cells[layout.bytes_from : layout.bytes_from + min(length, layout.byte_count)]
            used = found[: next((at for at, cell in enumerate(found) if not cell), len(found))]
            return bytes(self._byte(cell) for cell in used)
        assert layout.data is not None  # a layout has one of the two
        text = _cell(cells, layout.data)
        if not _HEX_FIELD.fullmatch(text):
            raise BrokenLineError(f"'{text[:40]}' is no data")
        data = bytes.fromhex(re.sub(r"^0[xX]|[ \-:.]", "", text))
        if len(data) > length:
            raise BrokenLineError(f"the row holds {len(data)} data bytes where its length says {length}")
        return data

    def _byte(self, text: str) -> int:
        base = self.layout.byte_base
        if not _BYTE[base].fullmatch(text) or int(text, base) > 0xFF:
            raise BrokenLineError(f"'{text[:40]}' is no data byte")
        return int(text, base)


def _cell(cells: list[str], index: int) -> str:
    return cells[index] if index < len(cells) else ""


def _flag(cells: list[str], index: int | None) -> bool:
    if index is None:
        return False
    text = _cell(cells, index).lower()
    if text not in _TRUE and text not in _FALSE:
        raise BrokenLineError(f"'{text[:40]}' is neither yes nor no")
    return text in _TRUE


def _length(text: str) -> int:
    if not re.fullmatch(r"[0-9]{1,2}", text) or int(text) > FD_BYTES:
        raise BrokenLineError(f"'{text[:40]}' is no data length")
    return int(text)


@dataclass(frozen=True, slots=True)
class _Parser:
    """Table of one file; its header lines are told by how they look."""

    grammar: Grammar
    header: frozenset[bytes]

    def parse_chunk(self, text: NDArray[np.uint8], size: int) -> ParsedChunk:
        frames = read_lines(text, size, READER, self.grammar.layout, self.grammar.bus.encode())
        return finish_chunk(text, frames, self._parse_line)

    def _parse_line(self, line: bytes) -> FrameRow | None:
        if line.strip() in self.header:
            return None
        return self.grammar.parse_line(line)

    @property
    def join(self) -> Callable[[FrameTable], FrameTable] | None:
        return None


def _parser(head: bytes, path: Path, options: ReadOptions) -> _Parser:
    keep_work_arrays()
    if options.column_layout:
        layout = described_layout(options.column_layout, head)
        lines = head.split(b"\n")[:50]
        grammar = Grammar(layout, options.bus)
        header_rows = next((at for at, line in enumerate(lines) if _is_frame(grammar, line)), 0)
    else:
        layout = recognised_layout(head, path)
        header_rows = layout.header_rows
    header = frozenset(line.strip() for line in head.split(b"\n")[:header_rows])
    return _Parser(Grammar(layout, options.bus), header)


def _is_frame(grammar: Grammar, line: bytes) -> bool:
    try:
        return grammar.parse_line(line.rstrip(b"\r")) is not None
    except BrokenLineError:
        return False


def _looks_like(head: bytes) -> bool:
    if b"\0" in head or can_csv.FORMAT.looks_like(head):
        return False
    return frame_header(head) is not None


FORMAT: Final = LogFormat(
    name="raw-table",
    description="table of raw frames: time, identifier and data in columns",
    looks_like=_looks_like,
    parser=_parser,
    suffixes=(".csv", ".tsv", ".txt"),
)

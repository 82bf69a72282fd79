"""A line of a text with a frame in each, cut into cells as its layout says."""

from __future__ import annotations

import re
from typing import Final

from logan.logs.frame_text_layout import STRIPPED, Bytes, FrameTextLayout
from logan.logs.text_lines import CLASSIC_BYTES, FD_BYTES, FD_LENGTHS

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

"""TRC, the text trace of USB bus interfaces, in its versions 1.0 to 2.1.

Lines that start with ``;`` are the header and comments; the header names the version, the start time (days
since 30 December 1899, UTC) and, from version 2.0 on, the columns. Then comes one event a line, with times
in ms from the start. Columns, by the letters of the format's own description:

======= ============================ =============================================================
version columns                      remarks
======= ============================ =============================================================
1.0     N) O I l D                   no start time; identifier FFFFFFFF is a status
1.1     N) O T I l D                 type Rx, Tx, Warng or Error
1.2     N) O B T I l D
1.3     N) O B T I R l D
2.0     N O T I d l D                type DT, FD, FB, FE, BI: frames; RR: remote; ER: error frame;
2.1     N O T B I d R L D            others are no frames
======= ============================ =============================================================

An identifier of more than four digits is extended. ``l`` is the number of data bytes, ``L`` the DLC. A line that
ends before its data does is a short frame; more data than the length says is broken. ``RTR`` in place of data
is a remote frame. Without a bus column, the bus is called 1.
"""

import re
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path
from typing import Final

from logan.errors import LogReadError
from logan.logs.log_format import LogFormat, ReadOptions
from logan.logs.text_lines import (
    CLASSIC_BYTES,
    FD_LENGTHS,
    LATEST_NS,
    MAX_EXTENDED_ID,
    MAX_STANDARD_ID,
    BrokenLineError,
    FrameRow,
    LinesParser,
)

READER: Final = "trc_lines"
"""Compiled reader."""

COLUMNS_OF: Final = {
    "1.0": "NOIlD",
    "1.1": "NOTIlD",
    "1.2": "NOBTIlD",
    "1.3": "NOBTIRlD",
    "2.0": "NOTIdlD",
    "2.1": "NOTBIdRLD",
}
"""Columns of each version, where the header does not name them."""

_DAY_ZERO_US: Final = -2_209_161_600_000_000
"""30 December 1899 in microseconds from 1970."""

_LONGEST_NS: Final = 10**12 * 1_000_000
"""Above every time from the start that a line can hold. [ns]"""

_MOST_COLUMNS: Final = 16

_VERSION: Final = re.compile(rb"^;\$FILEVERSION=([0-9.]+)", re.MULTILINE)
_START: Final = re.compile(rb"^;\$STARTTIME=([0-9]{1,6}(?:\.[0-9]{1,20})?)", re.MULTILINE)
_COLUMNS: Final = re.compile(rb"^;\$COLUMNS=([A-Za-z,]+)", re.MULTILINE)
_FIRST_LINE: Final = re.compile(
    rb"\s*[0-9]+\)\s+[0-9]+(?:\.[0-9]+)?\s+(?:[0-9]\s+)?(?:[RTWE][a-z]+\s+)?[0-9A-F]{4,8}\s"
)
_TIME: Final = re.compile(rb"([0-9]{1,12})(?:\.([0-9]{1,6}))?")
_IDENTIFIER: Final = re.compile(rb"[0-9A-Fa-f]{1,8}")
_BUS: Final = re.compile(rb"[0-9]{1,3}")
_PAIR: Final = re.compile(rb"[0-9A-Fa-f]{2}")
_FRAME_TYPES: Final = {b"DT": False, b"Rx": False, b"Tx": False, b"FD": True, b"FB": True, b"FE": True, b"BI": True}
_ERROR_TYPES: Final = (b"ER", b"Error")
_OTHER_TYPES: Final = (b"ST", b"EC", b"EV", b"Warng")
_STATUS_ID: Final = b"FFFFFFFF"


@dataclass(frozen=True, slots=True)
class Header:
    """What the header of a TRC log says.

    Parameters
    ----------
    columns : str
        One letter a column.
    start_ns : int
        Start of the log; 0 where it is not given, or so late that times might not fit. [ns]
    """

    columns: str
    start_ns: int = 0


def parse_header(head: bytes, path: Path) -> Header:
    """Header of a log from its first bytes.

    Raises
    ------
    LogReadError
        If the version is not known.
    """
    match = _VERSION.search(head)
    version = match[1].decode("ascii") if match else "1.0"
    if version not in COLUMNS_OF:
        raise LogReadError(
            f"TRC version {version} is not known", "Save the trace as version 2.1, or export it to another format", path
        )
    named = _COLUMNS.search(head)
    columns = named[1].decode("ascii").replace(",", "") if named and version >= "2" else COLUMNS_OF[version]
    if not {"O", "T", "I", "D"} <= set(columns) and version >= "2":
        raise LogReadError(f"the columns '{columns}' are not enough to read frames", "Export the trace again", path)
    start = _START.search(head)
    start_ns = (round(Decimal(start[1].decode("ascii")) * 86_400_000_000) + _DAY_ZERO_US) * 1000 if start else 0
    return Header(columns, start_ns if start_ns < LATEST_NS - _LONGEST_NS else 0)


def is_usual(columns: str) -> bool:
    """Whether the compiled reader knows these columns: each once, the type before the length, and the data last."""
    is_length_told = ("l" in columns) != ("L" in columns)
    if not is_length_told or len(set(columns)) < len(columns) or len(columns) > _MOST_COLUMNS:
        return False
    length = max(columns.find("l"), columns.find("L"))
    return columns.endswith("D") and {"N", "O", "I"} <= set(columns) and columns.find("T") < length


@dataclass(frozen=True, slots=True)
class Grammar:
    """The grammar of lines, given the header."""

    header: Header

    def parse_line(self, line: bytes) -> FrameRow | None:
        """Read one line; None for what is no frame and need not be.

        Raises
        ------
        BrokenLineError
            If the line should be a frame and is none.
        """
        line = line.strip()
        if not line or line.startswith(b";"):
            return None
        columns = self.header.columns
        fields = dict(zip(columns, line.split(maxsplit=len(columns) - 1), strict=False))
        kind = fields.get("T", b"DT")
        if kind in _OTHER_TYPES or ("d" not in columns and fields.get("I") == _STATUS_ID):
            return None
        time_ns = self._time_ns(fields)
        bus = self._bus(fields)
        if kind in _ERROR_TYPES:
            return FrameRow(time_ns, 0, False, bus, b"", is_error=True)
        if kind != b"RR" and kind not in _FRAME_TYPES:
            raise BrokenLineError(f"'{_shown(kind)}' is no type of line")
        if "d" in columns and fields.get("d") not in (b"Rx", b"Tx"):
            raise BrokenLineError("the direction is neither Rx nor Tx")
        can_id, is_extended = _identifier(fields.get("I", b""))
        data = fields.get("D", b"")
        is_remote = kind == b"RR" or (data.rstrip() == b"RTR" and "d" not in columns)
        is_fd = _FRAME_TYPES.get(kind, False)
        length = _length(fields, columns, is_fd=is_fd)
        content = b"" if is_remote else _data(data.split(), length)
        return FrameRow(time_ns, can_id, is_extended, bus, content, is_fd, is_remote)

    def _time_ns(self, fields: dict[str, bytes]) -> int:
        match = _TIME.fullmatch(fields.get("O", b""))
        number = fields.get("N", b"0")  # a header may name columns without it
        if match is None or not number.removesuffix(b")").isdigit():
            raise BrokenLineError("the line does not start with a number and a time in ms")
        return self.header.start_ns + int(match[1]) * 1_000_000 + int((match[2] or b"").ljust(6, b"0"))

    def _bus(self, fields: dict[str, bytes]) -> str:
        if "B" not in self.header.columns:
            return "1"
        if not _BUS.fullmatch(fields.get("B", b"")):
            raise BrokenLineError(f"'{_shown(fields.get('B', b''))}' is no bus number")
        return str(int(fields["B"]))


def _identifier(text: bytes) -> tuple[int, bool]:
    if not _IDENTIFIER.fullmatch(text):
        raise BrokenLineError(f"'{_shown(text)}' is no identifier")
    number, is_extended = int(text, 16), len(text) > 4
    if number > (MAX_EXTENDED_ID if is_extended else MAX_STANDARD_ID):
        raise BrokenLineError(f"identifier {_shown(text)} is out of range")
    return number, is_extended


def _length(fields: dict[str, bytes], columns: str, *, is_fd: bool) -> int:
    text = fields.get("l", fields.get("L", b""))
    if not text.isdigit() or len(text) > 2:
        raise BrokenLineError(f"'{_shown(text)}' is no data length")
    number = int(text)
    if "L" in columns and number < len(FD_LENGTHS):
        number = FD_LENGTHS[number] if is_fd else min(number, CLASSIC_BYTES)
    if number > (FD_LENGTHS[-1] if is_fd else CLASSIC_BYTES):
        raise BrokenLineError(f"{number} is more data than a frame holds")
    return number


def _data(fields: list[bytes], length: int) -> bytes:
    for pair in fields:
        if not _PAIR.fullmatch(pair):
            raise BrokenLineError(f"'{_shown(pair)}' is no data byte")
    if len(fields) > length:
        raise BrokenLineError(f"the line holds {len(fields)} data bytes where its length says {length}")
    return bytes.fromhex(b"".join(fields).decode("ascii"))


def _shown(text: bytes) -> str:
    return text[:40].decode("ascii", "replace")


def _parser(head: bytes, path: Path, options: ReadOptions) -> LinesParser:
    header = parse_header(head, path)
    reader = READER if is_usual(header.columns) else ""
    return LinesParser(Grammar(header).parse_line, reader, (header.columns.encode("ascii"), header.start_ns))


def _looks_like(head: bytes) -> bool:
    head = head[:4096]
    if not head.lstrip().startswith(b";"):
        return False
    return bool(_VERSION.search(head)) or any(_FIRST_LINE.match(line) for line in head.split(b"\n"))


FORMAT: Final = LogFormat(
    name="trc",
    description="TRC, text trace of USB bus interfaces",
    looks_like=_looks_like,
    parser=_parser,
    suffixes=(".trc",),
)

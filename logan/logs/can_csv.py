"""CSV files as python-can's ``CSVWriter`` writes them.

The first line is ``timestamp,arbitration_id,extended,remote,error,dlc,data``; times are in seconds, identifiers
hexadecimal with ``0x``, flags 0 or 1, data in base64. The format has no bus: the frames get the name that is given
for it. Less data than the length says is a short frame, more is broken; more than eight bytes are a CAN FD frame.
"""

import binascii
import re
from dataclasses import dataclass
from decimal import Decimal
from typing import Final

from logan.logs.log_format import LogFormat
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

READER: Final = "can_csv_lines"
"""Compiled reader."""

_BYTE_ORDER_MARK: Final = b"\xef\xbb\xbf"
HEADER: Final = b"timestamp,arbitration_id,extended,remote,error,dlc,data"

_LINE: Final = re.compile(
    rb"(?P<time>[0-9]{1,10}(?:\.[0-9]{1,30})?(?:e-?[0-9]{1,2})?),0x(?P<id>[0-9a-fA-F]{1,8}),(?P<extended>[01]),"
    rb"(?P<remote>[01]),(?P<error>[01]),(?P<length>[0-9]{1,2}),"
    rb"(?P<data>(?:[A-Za-z0-9+/]{4})*(?:[A-Za-z0-9+/]{2}==|[A-Za-z0-9+/]{3}=)?)"
)


@dataclass(frozen=True, slots=True)
class Grammar:
    """The grammar of lines, and the name of the bus."""

    bus: str = ""

    def parse_line(self, line: bytes) -> FrameRow | None:
        """Read one line; None for the header.

        Raises
        ------
        BrokenLineError
            If it is no frame.
        """
        match = _LINE.fullmatch(line)
        if match is None:
            if not line.strip() or line.removeprefix(_BYTE_ORDER_MARK).strip() == HEADER:
                return None
            raise BrokenLineError("not of the form 'timestamp,0xid,extended,remote,error,dlc,data'")
        number, is_extended = int(match["id"], 16), match["extended"] == b"1"
        if number > (MAX_EXTENDED_ID if is_extended else MAX_STANDARD_ID):
            raise BrokenLineError(f"identifier 0x{match['id'].decode('ascii')} is out of range")
        data, length = binascii.a2b_base64(match["data"]), int(match["length"])
        is_remote, is_error = match["remote"] == b"1", match["error"] == b"1"
        if length > FD_BYTES or len(data) > length:
            raise BrokenLineError(f"the line holds {len(data)} data bytes where its length says {length}")
        time_ns = round(Decimal(match["time"].decode("ascii")) * 1_000_000_000)
        if time_ns >= LATEST_NS:
            raise BrokenLineError("the time is beyond the year 2262")
        is_fd = len(data) > CLASSIC_BYTES
        return FrameRow(time_ns, number, is_extended, self.bus, b"" if is_remote else data, is_fd, is_remote, is_error)


def _looks_like(head: bytes) -> bool:
    first = head.removeprefix(_BYTE_ORDER_MARK).split(b"\n", 1)[0].strip()
    return first == HEADER or bool(_LINE.fullmatch(first))


FORMAT: Final = LogFormat(
    name="can-csv",
    description="CSV of frames as python-can writes it",
    looks_like=_looks_like,
    parser=lambda head, path, options: LinesParser(Grammar(options.bus).parse_line, READER, (options.bus.encode(),)),
    suffixes=(".csv",),
)

"""ASC, the text log of automotive bus tools.

A header gives the date, the number base and how times count; then comes one event a line. Grammar of
the events that are frames (fields separated by blanks; case does not matter)::

    seconds bus id Rx|Tx d length data... [more]                      classic frame
    seconds bus id Rx|Tx r [length] [more]                            remote frame
    seconds bus ErrorFrame [more]                                     error frame
    seconds CANFD bus Rx|Tx id [name] brs esi dlc length data... [duration bits flags ...]
    seconds CANFD bus Rx|Tx ErrorFrame [more]
    id: number, with x behind it when extended; or a symbolic name, if ``ID = number`` comes later in the line

Identifiers and data are in the base that the header states (hexadecimal where it states none). Other events
(status, statistics, transport protocol, comments) are passed over. Decisions where readers differ:

* a line that ends before its data does is a short frame; anything else in the place of data is broken;
* lengths above 8 of a classic frame mean eight bytes (a raw DLC);
* a CAN FD frame without data is a remote frame only if its flags say so, or its DLC asks for data;
* relative times are summed up, events that are no frames included;
* the date is taken as UTC: the format does not tell the time zone.
"""

import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logan.frames.table import FrameTable
from logan.logs.log_format import LogFormat, ParsedChunk
from logan.logs.text_lines import (
    CLASSIC_BYTES,
    FD_BYTES,
    LATEST_NS,
    MAX_EXTENDED_ID,
    MAX_STANDARD_ID,
    BrokenLineError,
    FrameRow,
    LineFrames,
    finish_chunk,
    read_lines,
)

READER: Final = "asc_lines"
"""Compiled reader."""

_LONGEST_NS: Final = 100_000_000 * 1_000_000_000
"""Above every time from the start that a line can hold. [ns]"""

_I = re.IGNORECASE
_TIME: Final = re.compile(rb"[ \t]*(?P<seconds>[0-9]{1,8})\.(?P<fraction>[0-9]{1,9})(?=[ \t]|$)")
_FRAME: Final = re.compile(
    rb"[ \t]+(?P<bus>[0-9]{1,3})[ \t]+(?P<id>[!-~]+)[ \t]+(?:Rx|Tx)[ \t]+(?P<kind>[dr])(?P<rest>[ \t].*|)",
    _I | re.DOTALL,
)
_ERROR: Final = re.compile(rb"[ \t]+(?P<bus>[0-9]{1,3})[ \t]+ErrorFrame\b.*", _I | re.DOTALL)
_FD: Final = re.compile(rb"[ \t]+CANFD[ \t]+(?P<bus>[0-9]{1,3})[ \t]+(?:Rx|Tx)[ \t]+(?P<rest>.*)", _I | re.DOTALL)
_FD_FRAME: Final = re.compile(
    rb"(?P<id>[!-~]+)(?:[ \t]+(?P<name>[!-~]+))??[ \t]+[01][ \t]+[01][ \t]+(?P<dlc>[0-9a-f]{1,2})"
    rb"[ \t]+(?P<length>[0-9]{1,2})(?P<rest>[ \t].*|)",
    _I | re.DOTALL,
)
_LOOKS_LIKE_FRAME: Final = re.compile(
    rb"[ \t]+[0-9]{1,3}[ \t]+[!-~]+[ \t]+[!-~]+[ \t]+[dr]([ \t]+[0-9a-f]{1,2})*([ \t]|$)", _I
)
_IS_REQUEST: Final = re.compile(rb"[ \t]+[0-9]{1,3}[ \t]+[!-~]+[ \t]+TxRq[ \t]", _I)
_NUMBERED_NAME: Final = re.compile(rb"\bID = (?P<id>[0-9]{1,10})(?P<extended>x?)", _I)
_HEADER: Final = re.compile(
    rb"[ \t]*(?://|date\b|base\b|(?:no[ \t]+)?internal[ \t]+events\b|begin[ \t]+triggerblock|end[ \t]+triggerblock|$)",
    _I,
)
_BASE: Final = re.compile(
    rb"^[ \t]*base[ \t]+(hex|dec)(?:[ \t]+timestamps[ \t]+(absolute|relative))?", _I | re.MULTILINE
)
_DATE: Final = re.compile(rb"^[ \t]*date[ \t]+(.*?)[ \t\r]*$", _I | re.MULTILINE)
_BEGIN: Final = re.compile(rb"^[ \t]*begin[ \t]+triggerblock[ \t]*(.*?)[ \t\r]*$", _I | re.MULTILINE)
_MOMENT: Final = re.compile(
    r"(?:\S+\s+)?(?P<month>[^\W\d]+)\.?\s+(?P<day>\d{1,2})\s+(?P<hour>\d{1,2}):(?P<minute>\d{2}):(?P<second>\d{2})"
    r"(?:\.(?P<fraction>\d{1,9}))?(?:\s+(?P<half>[ap]m))?\s+(?P<year>\d{4})",
    _I,
)
_MONTH_NAMES: Final = "jan feb|fév mar|mär|mrz apr|avr may|mai jun|juin jul|juil aug|aoû sep oct|okt nov dec|dez|déc"
_MONTHS: Final = {
    name: number for number, names in enumerate(_MONTH_NAMES.split(), start=1) for name in names.split("|")
}
_DIGITS: Final = {16: re.compile(rb"[0-9A-Fa-f]{1,40}"), 10: re.compile(rb"[0-9]{1,40}")}
_FLAGS_FIELD: Final = 2
_REMOTE_FLAG: Final = 0x10


@dataclass(frozen=True, slots=True)
class Header:
    """What the header of an ASC log says.

    Parameters
    ----------
    base : int
        Of identifiers and data: 16 or 10.
    is_relative : bool
        Times count from the event before, not from the start.
    start_ns : int
        Start of the measurement, read as UTC; 0 where it is not given. [ns]
    """

    base: int = 16
    is_relative: bool = False
    start_ns: int = 0


def parse_header(head: bytes) -> Header:
    """Header of a log from its first bytes; it may stand behind comments."""
    base = _BASE.search(head)
    moments = [match[1] for match in (_BEGIN.search(head), _DATE.search(head)) if match]
    starts = [start for start in map(parse_moment, moments) if start is not None]
    return Header(
        base=10 if base and base[1].lower() == b"dec" else 16,
        is_relative=bool(base and base[2] and base[2].lower() == b"relative"),
        start_ns=starts[0] if starts else 0,
    )


def parse_moment(text: bytes) -> int | None:
    """Date as in ``Sat Sep 30 10:06:13.191 PM 2017``, also in German or French; None if it is none. [ns]

    So is one so late that the times of the log might not fit.
    """
    try:
        written = text.decode("utf-8")
    except UnicodeDecodeError:
        written = text.decode("latin-1")
    match = _MOMENT.fullmatch(written.strip())
    if match is None:
        return None
    name = match["month"].lower()
    month = _MONTHS.get(name[:4]) or _MONTHS.get(name[:3])
    hour = int(match["hour"])
    if half := (match["half"] or "").lower():
        # Some tools write "22:06 PM"; only the hours 1 to 12 are shifted.
        hour = hour % 12 + 12 * (half == "pm") if hour <= 12 else hour
    try:
        moment = datetime(
            int(match["year"]),
            month or 0,
            int(match["day"]),
            hour,
            int(match["minute"]),
            int(match["second"]),
            tzinfo=UTC,
        )
    except ValueError:
        return None
    fraction = match["fraction"] or "0"
    # Up to three digits are milliseconds: some writers leave out leading zeros.
    fraction_ns = int(fraction) * 1_000_000 if len(fraction) <= 3 else int(fraction.ljust(9, "0"))
    moment_ns = int(moment.timestamp()) * 1_000_000_000 + fraction_ns
    return moment_ns if -LATEST_NS < moment_ns < LATEST_NS - _LONGEST_NS else None


@dataclass(frozen=True, slots=True)
class Grammar:
    """The grammar of events, given the header."""

    header: Header

    def parse_line(self, line: bytes) -> FrameRow | None:
        """Read one line; None for what is no frame and need not be.

        Raises
        ------
        BrokenLineError
            If the line should be a frame and is none.
        """
        time = _TIME.match(line)
        if time is None:
            if _HEADER.match(line):
                return None
            raise BrokenLineError("the line does not start with a time")
        time_ns = self.header.start_ns + time_of(time)
        rest = line[time.end() :]
        if match := _FRAME.fullmatch(rest):
            return self._classic(time_ns, match)
        if match := _ERROR.fullmatch(rest):
            return FrameRow(time_ns, 0, False, bus_of(match), b"", is_error=True)
        if match := _FD.fullmatch(rest):
            return self._fd(time_ns, match)
        if _LOOKS_LIKE_FRAME.match(rest) and not _IS_REQUEST.match(rest):
            raise BrokenLineError("the direction is neither Rx nor Tx")
        return None

    def _classic(self, time_ns: int, match: re.Match[bytes]) -> FrameRow:
        can_id, is_extended = self._identifier(match["id"], match["rest"])
        if match["kind"].lower() == b"r":
            return FrameRow(time_ns, can_id, is_extended, bus_of(match), b"", is_remote=True)
        length, *data = match["rest"].split(maxsplit=1) or [b""]
        count = self._number(length, 0xFF, "data length")
        return FrameRow(time_ns, can_id, is_extended, bus_of(match), self._data(data, min(count, CLASSIC_BYTES)))

    def _fd(self, time_ns: int, match: re.Match[bytes]) -> FrameRow:
        if match["rest"][:10].lower() == b"errorframe":
            return FrameRow(time_ns, 0, False, bus_of(match), b"", is_fd=True, is_error=True)
        frame = _FD_FRAME.fullmatch(match["rest"])
        if frame is None:
            raise BrokenLineError("the CAN FD frame is not of the form 'id [name] brs esi dlc length data'")
        can_id, is_extended = self._identifier(frame["id"], frame["rest"])
        length = int(frame["length"])
        if length > FD_BYTES:
            raise BrokenLineError(f"a CAN FD frame has at most {FD_BYTES} data bytes, not {length}")
        is_remote = length == 0 and self._is_remote(frame)
        data = self._data([frame["rest"]], length)
        return FrameRow(time_ns, can_id, is_extended, bus_of(match), data, is_fd=True, is_remote=is_remote)

    def _is_remote(self, frame: re.Match[bytes]) -> bool:
        fields = frame["rest"].split()
        if len(fields) > _FLAGS_FIELD:
            try:
                return bool(int(fields[_FLAGS_FIELD], 16) & _REMOTE_FLAG)
            except ValueError:
                pass
        return frame["dlc"] not in (b"0", b"00")

    def _identifier(self, text: bytes, rest: bytes) -> tuple[int, bool]:
        is_extended = text[-1:] in b"xX"
        digits = text[:-1] if is_extended else text
        if _DIGITS[self.header.base].fullmatch(digits):
            can_id = int(digits, self.header.base)
        else:
            named = _NUMBERED_NAME.search(rest)
            if named is None:
                raise BrokenLineError(f"'{text[:40].decode('ascii', 'replace')}' is no identifier, and none follows")
            can_id, is_extended = int(named["id"]), bool(named["extended"])
        if can_id > (MAX_EXTENDED_ID if is_extended else MAX_STANDARD_ID):
            raise BrokenLineError(f"identifier {text[:40].decode('ascii', 'replace')} is out of range")
        return can_id, is_extended

    def _data(self, text: list[bytes], count: int) -> bytes:
        fields = text[0].split(maxsplit=count)[:count] if text else []
        return bytes(self._number(field, 0xFF, "data byte") for field in fields)

    def _number(self, text: bytes, largest: int, what: str) -> int:
        is_number = len(text) <= (2 if self.header.base == 16 else 3) and _DIGITS[self.header.base].fullmatch(text)
        if not is_number or int(text, self.header.base) > largest:
            raise BrokenLineError(f"'{text[:40].decode('ascii', 'replace')}' is no {what}")
        return int(text, self.header.base)


def time_of(match: re.Match[bytes]) -> int:
    """Time of a line. [ns]"""
    return int(match["seconds"]) * 1_000_000_000 + int(match["fraction"].ljust(9, b"0"))


def bus_of(match: re.Match[bytes]) -> str:
    """Bus of a line, without leading zeros."""
    return str(int(match["bus"]))


@dataclass(frozen=True, slots=True, kw_only=True)
class _SummedFrames(FrameTable):
    """Frames whose times count from the start of their chunk, and the time that the whole chunk took."""

    duration_ns: int


@dataclass(slots=True)
class _Parser:
    """ASC log of one file."""

    grammar: Grammar
    _elapsed_ns: int = 0

    def parse_chunk(self, text: NDArray[np.uint8], size: int) -> ParsedChunk:
        header = self.grammar.header
        frames = read_lines(text, size, READER, header.base == 10, header.start_ns)
        if header.is_relative:
            return self._parse_relative(text, frames)
        return finish_chunk(text, frames, self.grammar.parse_line)

    def _parse_relative(self, text: NDArray[np.uint8], frames: LineFrames) -> ParsedChunk:
        """Frames with times from the start of the chunk: every line counts, whether it is a frame or not."""
        steps_ns = frames.time_ns - self.grammar.header.start_ns
        steps_ns[frames.left] = 0
        for index, start, end in zip(frames.left, frames.left_start, frames.left_end, strict=True):
            if time := _TIME.match(text[start:end].tobytes()):
                steps_ns[index] = time_of(time)
        frames.time_ns = np.cumsum(steps_ns)
        duration_ns = int(frames.time_ns[-1])
        times_ns = iter(frames.time_ns[frames.left].tolist())

        def parse_line(line: bytes) -> FrameRow | None:
            time_ns = next(times_ns)  # called once for each of the lines left, in their order
            row = self.grammar.parse_line(line)
            return None if row is None else row._replace(time_ns=time_ns)

        parsed = finish_chunk(text, frames, parse_line)
        columns = {name: getattr(parsed.frames, name) for name in FrameTable.__slots__}
        return replace(parsed, frames=_SummedFrames(**columns, duration_ns=duration_ns))

    @property
    def join(self) -> Callable[[FrameTable], FrameTable] | None:
        return self._sum_up if self.grammar.header.is_relative else None

    def _sum_up(self, frames: FrameTable) -> FrameTable:
        start_ns = self.grammar.header.start_ns + self._elapsed_ns
        if isinstance(frames, _SummedFrames):
            self._elapsed_ns += frames.duration_ns
        return replace(frames, time_ns=frames.time_ns + start_ns)


def _looks_like(head: bytes) -> bool:
    head = head[:4096]
    if b"\0" in head:
        return False
    if _BASE.search(head) and (_DATE.search(head) or _BEGIN.search(head)):
        return True
    return any(
        (time := _TIME.match(line)) and (_FRAME.match(line, time.end()) or _FD.match(line, time.end()))
        for line in head.split(b"\n")
    )


FORMAT: Final = LogFormat(
    name="asc",
    description="ASC, text log of automotive bus tools",
    looks_like=_looks_like,
    parser=lambda head, path, options: _Parser(Grammar(parse_header(head))),
    suffixes=(".asc",),
)

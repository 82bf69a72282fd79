"""Which column of a table of raw frames holds what: as the user says, or as header and values show."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from logan.errors import LogReadError, UsageError
from logan.logs.table_layout import DELIMITERS, encoding_of, split_header, split_row

TIME_UNITS_NS: Final = {"s": 1_000_000_000, "ms": 1_000_000, "us": 1_000, "ns": 1}
"""Units of time that a column layout may name. [ns]"""

ROLES: Final = (
    "time_s time_ms time_us time_ns id_hex id_dec bus length data bytes_hex bytes_dec extended remote error fd -"
)
"""What a column layout may be made of; ``bytes_...`` are as many columns of single bytes as follow."""

_NAMES: Final = (
    ("bytes", re.compile(r"^(data|byte|b|d)[ _]?\d{1,2}$", re.I)),
    (
        "time",
        re.compile(
            r"^(log|abs(olute)?|rel(ative)?|sample)?[ _]?(time|timestamp|time[ _]stamp|t|zeit|zeitstempel)$", re.I
        ),
    ),
    ("id", re.compile(r"^(arbitration|can|msg|message|frame)?[ _]?id(entifier)?$", re.I)),
    ("data", re.compile(r"^(data|payload)([ _]?bytes?)?$", re.I)),
    ("length", re.compile(r"^(len|length|dlc|size|data[ _]?length)$", re.I)),
    ("bus", re.compile(r"^(bus|channel|ch|interface|can|port)([ _]?(no|number|id))?$", re.I)),
    ("extended", re.compile(r"^(is[ _]?)?(ext(ended)?|ide)([ _]?id)?$", re.I)),
    ("remote", re.compile(r"^(is[ _]?)?(rtr|remote)([ _]?frame)?$", re.I)),
    ("error", re.compile(r"^(is[ _]?)?err(or)?([ _]?frame)?$", re.I)),
    ("fd", re.compile(r"^(is[ _]?)?(can[ _]?)?(fd|edl)$", re.I)),
)
_BASE_WORD: Final = re.compile(r"[\[( _](hex|dec)(imal)?[\])]?$", re.I)
_UNIT_WORDS: Final = {
    **dict.fromkeys(("s", "sec", "secs", "second", "seconds"), "s"),
    **dict.fromkeys(("ms", "msec", "millis", "milliseconds"), "ms"),
    **dict.fromkeys(("us", "µs", "μs", "usec", "microseconds"), "us"),
    **dict.fromkeys(("ns", "nsec", "nanoseconds"), "ns"),
}
_HEADER_LINES: Final = 50
_SAMPLE_LINES: Final = 2000
_MICROSECOND_HEADER: Final = ("time stamp", "id", "extended", "dir", "bus", "len")
"""Loggers that name their columns so write the time in µs, without saying it."""

_REMEDY: Final = f"Name the columns with --columns, in their order, such as 'time_ms,id_hex,length,data' ({ROLES})"
_EPOCH_UNITS: Final = ((1e17, "ns"), (1e14, "us"), (1e11, "ms"), (6e8, "s"))


@dataclass(frozen=True, slots=True, kw_only=True)
class RawTableLayout:
    """Columns of a table of raw frames; None where there is no such column.

    Parameters
    ----------
    delimiter : str
        Between cells.
    unit_ns : int
        Unit of the time. [ns]
    id_base, byte_base : int
        16 or 10.
    time, identifier : int
        Columns.
    data : int or None
        Column that holds all bytes.
    bytes_from, byte_count : int or None, int
        First of the columns that hold one byte each, and how many they are.
    bus, length, extended, remote, error, fd : int or None
        Columns.
    header_rows : int
        Lines before the first frame.
    """

    delimiter: str
    unit_ns: int
    id_base: int
    byte_base: int = 16
    time: int
    identifier: int
    data: int | None = None
    bytes_from: int | None = None
    byte_count: int = 0
    bus: int | None = None
    length: int | None = None
    extended: int | None = None
    remote: int | None = None
    error: int | None = None
    fd: int | None = None
    header_rows: int = 0


@dataclass(slots=True)
class _Draft:
    """What is known so far."""

    places: dict[str, int] = field(default_factory=dict)
    byte_columns: list[int] = field(default_factory=list)
    time_unit: str = ""
    id_base: int = 0
    byte_base: int = 0


def described_layout(text: str, head: bytes) -> RawTableLayout:
    """Layout as the user describes it.

    Raises
    ------
    UsageError
        If the description has unknown parts, or lacks time, identifier or data.
    """
    draft = _Draft()
    for column, role in enumerate(part.strip().lower() for part in text.split(",")):
        if role not in ROLES.split():
            raise UsageError(f"'{role}' is no kind of column", _REMEDY)
        name, _, kind = role.partition("_")
        if name == "time":
            draft.time_unit = kind
        elif name == "id":
            draft.id_base = 16 if kind == "hex" else 10
        elif name == "bytes":
            draft.byte_base = 16 if kind == "hex" else 10
            draft.byte_columns = list(range(column, column + 64))
            break
        if name != "-":
            draft.places.setdefault(name, column)
    missing = [name for name in ("time", "id") if name not in draft.places]
    if missing or not ("data" in draft.places or draft.byte_columns):
        raise UsageError(f"the column layout '{text}' lacks {' and '.join(missing) or 'data'}", _REMEDY)
    first_lines = head.decode("utf-8", "replace").splitlines()[:50]
    counts = {mark: sum(line.count(mark) for line in first_lines) for mark in "\t;,|"}
    return _layout(draft, max(counts, key=lambda mark: counts[mark]), 0)


@dataclass(frozen=True, slots=True)
class FrameHeader:
    """The header row of a table of raw frames: which line it is, and its cells."""

    row: int
    delimiter: str
    cells: tuple[str, ...]


def frame_header(head: bytes) -> FrameHeader | None:
    """Header that names time, identifier and data of frames, in one of the first lines; None if there is none."""
    if b"\0" in head[:64]:
        return None
    for row, line in enumerate(head.decode(encoding_of(head), "replace").splitlines()[:_HEADER_LINES]):
        for delimiter in DELIMITERS:
            if delimiter in line:
                cells = tuple(cell.strip().strip("\"'") for cell in split_row(line, delimiter))
                roles = {_role(cell)[0] for cell in cells}
                if {"time", "id"} <= roles and roles & {"data", "bytes"}:
                    return FrameHeader(row, delimiter, cells)
    return None


def _role(cell: str) -> tuple[str, int, str]:
    """What a header cell names: kind of column, number base (0: not said), and unit of time."""
    base = _BASE_WORD.search(cell)
    name, unit = split_header(_BASE_WORD.sub("", cell).strip())
    if unit and name.lower().endswith(unit.lower()):
        name = name[: -len(unit)].rstrip(" _")
    role = next((role for role, expression in _NAMES if expression.match(name)), "")
    number = 0 if base is None else 16 if base[1].lower() == "hex" else 10
    return role, number, _UNIT_WORDS.get(unit.lower(), "") if role == "time" else ""


def recognised_layout(head: bytes, path: Path) -> RawTableLayout:
    """Layout as header and values show it.

    Raises
    ------
    LogReadError
        If there is no header, or something can be read in more than one way.
    """
    header = frame_header(head)
    if header is None:
        raise LogReadError("the table has no header that names time, identifier and data", _REMEDY, path)
    draft = _Draft()
    for column, cell in enumerate(header.cells):
        role, base, unit = _role(cell)
        if role == "bytes":
            draft.byte_columns.append(column)
            draft.byte_base = draft.byte_base or base
        elif role and role not in draft.places:
            draft.places[role] = column
            draft.time_unit = draft.time_unit or unit
            draft.id_base = base if role == "id" else draft.id_base
    lines = head.decode(encoding_of(head), "replace").splitlines()[header.row + 1 :][:_SAMPLE_LINES]
    rows = [split_row(line, header.delimiter) for line in (lines[:-1] if len(lines) > 3 else lines)]
    _settle(draft, header, rows, path)
    return _layout(draft, header.delimiter, header.row + 1)


def _settle(draft: _Draft, header: FrameHeader, rows: list[list[str]], path: Path) -> None:
    """Fill in what the header does not say, from the values; refuse what they do not tell either."""
    if tuple(cell.lower() for cell in header.cells[: len(_MICROSECOND_HEADER)]) == _MICROSECOND_HEADER:
        draft.time_unit, draft.byte_base = "us", 16
    draft.time_unit = draft.time_unit or _unit_of_time(_column(rows, draft.places["time"]))
    if not draft.time_unit:
        cell = header.cells[draft.places["time"]]
        raise LogReadError(f"column '{cell}' does not tell the unit of its times", _REMEDY, path)
    draft.id_base = draft.id_base or _base_of_identifiers(_column(rows, draft.places["id"]))
    if not draft.id_base:
        raise LogReadError("the identifiers may be hexadecimal or decimal, nothing tells which", _REMEDY, path)
    if draft.byte_columns and not draft.byte_base:
        draft.byte_base = _base_of_bytes([cell for at in draft.byte_columns for cell in _column(rows, at)])
        if not draft.byte_base:
            raise LogReadError("the data bytes may be hexadecimal or decimal, nothing tells which", _REMEDY, path)


def _column(rows: list[list[str]], index: int) -> list[str]:
    cells = [row[index].strip().strip("\"'") for row in rows if index < len(row)]
    return [cell for cell in cells if cell]


def _unit_of_time(cells: list[str]) -> str:
    try:
        size = float(cells[0].replace(",", ".")) if cells else 0.0
    except ValueError:
        return ""
    if since_1970 := next((unit for least, unit in _EPOCH_UNITS if size >= least), ""):
        return since_1970
    # Fractions to the microsecond are seconds in every log that is known; whole numbers may be anything.
    return "s" if cells and all(re.fullmatch(r"\d+[.,]\d{4,9}", cell) for cell in cells) else ""


def _base_of_identifiers(cells: list[str]) -> int:
    if any(re.search(r"^0x|[a-f]|[hx]$", cell, re.I) for cell in cells):
        return 16
    if cells and all(len(cell) in (3, 8) for cell in cells) and any(cell.startswith("0") for cell in cells):
        return 16
    return 10 if any(len(cell) > 8 for cell in cells) else 0


def _base_of_bytes(cells: list[str]) -> int:
    if any(re.search(r"^0x|[a-f]", cell, re.I) for cell in cells):
        return 16
    if any(len(cell) == 3 for cell in cells):
        return 10
    return 16 if cells and all(len(cell) == 2 for cell in cells) and any(cell[0] == "0" for cell in cells) else 0


def _layout(draft: _Draft, delimiter: str, header_rows: int) -> RawTableLayout:
    places = draft.places
    return RawTableLayout(
        delimiter=delimiter,
        unit_ns=TIME_UNITS_NS[draft.time_unit],
        id_base=draft.id_base,
        byte_base=draft.byte_base or 16,
        time=places["time"],
        identifier=places["id"],
        data=None if draft.byte_columns else places["data"],
        bytes_from=draft.byte_columns[0] if draft.byte_columns else None,
        byte_count=len(draft.byte_columns),
        bus=places.get("bus"),
        length=places.get("length"),
        extended=places.get("extended"),
        remote=places.get("remote"),
        error=places.get("error"),
        fd=places.get("fd"),
        header_rows=header_rows,
    )

"""Find out how a table of channels is laid out: encoding, delimiter, header, units, time, numbers."""

from __future__ import annotations

import codecs
import csv
import re
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise
from pathlib import Path
from statistics import mode
from typing import Final

from logan.frames.times import UNIT_S, unit_of_rows
from logan.logs.table_cells import BLANKS, Moment, NumberStyle, dates_are_day_first, moment, number_style

DELIMITERS: Final = "\t;,|"
_MAX_PREAMBLE_ROWS: Final = 50
_SAMPLE_ROWS: Final = 200

WORDS: Final = tomllib.loads(Path(__file__).with_name("header_words.toml").read_text(encoding="utf-8"))
"""Words in the headers of strangers' files: read, never shown."""

_BRACKETED: Final = re.compile(r"^(?P<name>.*?)\s*[\[({<](?P<unit>[^\[\](){}<>]*(?:\([^()]*\))?)[\])}>]\s*$")
_SUFFIXED: Final = re.compile(rf"^(?P<name>.+)[_ ](?P<unit>{WORDS['tables']['unit_words']})$", re.IGNORECASE)
_UNIT: Final = re.compile(
    rf"^[\[(]?({WORDS['tables']['unit_words']}|km/h|m/s(2|\^2|²)?|l/(min|h)|1/min|rev/min|[°º]\s?[CF]?|%|-|Ω|k?n·?m|\[.*\])[\])]?$",
    re.IGNORECASE,
)
_TIME_NAME, _DATE_NAME, _QUANTITY_NAME, _VALUE_NAME = (
    re.compile(WORDS["tables"][name], re.IGNORECASE) for name in ("time", "date", "quantity", "value")
)
TIME_UNITS: Final = {word: unit for unit, words in WORDS["time_units"].items() for word in words.split()}
"""Units of time by the words for them."""
_UNIT_NS: Final = {"s": 1e9, "ms": 1e6, "us": 1e3, "ns": 1.0, "min": 60e9, "h": 3600e9}
_TIME_UNITS_NS: Final = {word: _UNIT_NS[unit] for word, unit in TIME_UNITS.items()}
_SAID_UNIT: Final = re.compile(r"time=(s|ms|us|ns)", re.IGNORECASE)


class ColumnKind(StrEnum):
    """What the cells of a column hold."""

    NUMBER = "number"
    TEXT = "text"
    IGNORED = "ignored"


@dataclass(frozen=True, slots=True, kw_only=True)
class TableColumn:
    """One column.

    Parameters
    ----------
    header : str
        Cell of the header row, as written.
    name : str
        Header without its unit; a number is put behind one that occurs before.
    unit : str
        From brackets or the ending of the header, or the row below it.
    kind : ColumnKind
        By the first rows; a number where there is a unit of a quantity.
    """

    header: str
    name: str
    unit: str
    kind: ColumnKind


@dataclass(frozen=True, slots=True, kw_only=True)
class TimeColumn:
    """Where the time is, and how it counts.

    Parameters
    ----------
    index : int
        Column.
    date_index : int or None
        Column of the date, where it is apart.
    unit_ns : float or None
        Length of the unit for numbers; None for dates and clock times. [ns]
    is_day_first : bool
        For dates such as 03/04/2025.
    note : str
        What had to be assumed; empty where nothing had.
    """

    index: int
    date_index: int | None = None
    unit_ns: float | None = None
    is_day_first: bool = False
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class TableLayout:
    """How a table is laid out.

    Parameters
    ----------
    encoding : str
        Of the file.
    delimiter : str
        Between cells.
    style : NumberStyle
        How it writes numbers.
    header_row, first_row : int
        Lines before the header, and before the first row of values.
    columns : tuple of TableColumn
        In the order of the file.
    time : TimeColumn or None
        None where no column holds the time.
    long : LongTable or None
        Where one column holds the values of several quantities.
    """

    encoding: str
    delimiter: str
    style: NumberStyle
    header_row: int
    first_row: int
    columns: tuple[TableColumn, ...]
    time: TimeColumn | None
    long: LongTable | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LongTable:
    """Columns of a table that has one value in a row: the value, its quantity's name, and perhaps its unit."""

    value: int
    name: int
    unit: int | None = None


def encoding_of(head: bytes) -> str:
    """Encoding of a text by its first bytes: UTF-8 or UTF-16 by mark or content, else Windows-1252."""
    for mark, name in (
        (codecs.BOM_UTF8, "utf-8-sig"),
        (codecs.BOM_UTF16_LE, "utf-16"),
        (codecs.BOM_UTF16_BE, "utf-16"),
    ):
        if head.startswith(mark):
            return name
    try:
        codecs.getincrementaldecoder("utf-8")().decode(head)
    except UnicodeDecodeError:
        return "cp1252"
    return "utf-8"


def table_layout(head: bytes, header: str = "") -> TableLayout | None:
    """Layout of a table; None where the text is no table with a header.

    Parameters
    ----------
    head : bytes
        First bytes of the file.
    header : str
        Header row for a table that has none, separated by commas; or the unit of the times, as in ``time=ms``.
    """
    said = _SAID_UNIT.fullmatch(header.strip())
    unit_ns = _TIME_UNITS_NS[said[1].lower()] if said else None
    encoding = encoding_of(head)
    text = head.decode(encoding, errors="replace")
    lines = [line.replace("\x00", "") for line in text.splitlines()[: _MAX_PREAMBLE_ROWS + _SAMPLE_ROWS]]
    if len(lines) > 2 and not text.endswith(("\n", "\r")) and len(head) >= 4096:
        lines.pop()
    delimiter = _delimiter(lines)
    if delimiter is None:
        return None
    rows = [split_row(line, delimiter) for line in lines]
    style = number_style((cell for row in rows for cell in row), delimiter)
    if header and not said:
        header_row, names, units = -1, [cell.strip() for cell in header.split(",")], list[str]()
        first_row = next((index for index, row in enumerate(rows) if _is_numeric(row, style, len(row))), -1)
    elif (found := _header(rows, style)) is not None:
        header_row, units_row, first_row = found
        names, units = rows[header_row], [] if units_row is None else rows[units_row]
    else:
        return None
    if first_row < 0:
        return None
    values = [row for row in rows[first_row:] if len(row) > 1]
    samples = [[row[index] for row in values if index < len(row)] for index in range(len(names))]
    columns = _columns(names, units, samples, style)
    time = _time_column(columns, samples, style, unit_ns)
    return TableLayout(
        encoding=encoding,
        delimiter=delimiter,
        style=style,
        header_row=header_row,
        first_row=first_row,
        columns=columns,
        time=time,
        long=None if time is None else _long_table(columns, samples, time),
    )


def split_row(line: str, delimiter: str) -> list[str]:
    """Cells of one line, quotes taken off."""
    if '"' not in line:
        return line.split(delimiter)
    try:
        return next(csv.reader([line], delimiter=delimiter), [""])
    except csv.Error:
        return line.split(delimiter)


def _delimiter(lines: Sequence[str]) -> str | None:
    """The mark that cuts most lines into the same number of cells, at least two."""
    best, best_score = None, 0.0
    filled_count = max(sum(bool(line.strip()) for line in lines), 1)
    for rank, delimiter in enumerate(DELIMITERS):
        counts = [len(split_row(line, delimiter)) for line in lines if delimiter in line]
        counts = [count for count in counts if count > 1]
        if not counts:
            continue
        usual = mode(counts)
        # A decimal comma cuts lines too, but less evenly than the delimiter does.
        score = counts.count(usual) / filled_count - 0.01 * rank
        if score > best_score + 1e-9:
            best, best_score = delimiter, score
    return best if best_score > 0.5 else None


def _is_numeric(row: Sequence[str], style: NumberStyle, width: int) -> bool:
    """Whether a row looks like values: some of its cells that are not blank are numbers or times."""
    cells = [cell for cell in row if cell.strip().lower() not in BLANKS]
    if not cells or len(row) < max(2, width // 2):
        return False
    return sum(style.is_number(cell) or moment(cell) is not None for cell in cells) >= 0.25 * len(cells)


def _header(rows: Sequence[Sequence[str]], style: NumberStyle) -> tuple[int, int | None, int] | None:
    """Rows of the header, of the units and of the first values; None where no row of text has values below it."""
    width = mode(len(row) for row in rows if len(row) > 1)
    texts: list[int] = []
    for index, row in enumerate(rows[: _MAX_PREAMBLE_ROWS + 1]):
        if _is_numeric(row, style, width):
            if texts:
                has_units = len(texts) > 1 and _names_units(rows[texts[-1]])
                return (texts[-2], texts[-1], index) if has_units else (texts[-1], None, index)
        elif len(row) >= max(2, width // 2) and sum(bool(cell.strip()) for cell in row) >= 2:
            texts.append(index)
    return None


def _names_units(row: Sequence[str]) -> bool:
    cells = [cell.strip() for cell in row if cell.strip()]
    return sum(bool(_UNIT.match(cell)) for cell in cells) >= 0.5 * len(cells)


def _columns(
    header: Sequence[str], units: Sequence[str], samples: Sequence[Sequence[str]], style: NumberStyle
) -> tuple[TableColumn, ...]:
    columns: list[TableColumn] = []
    taken: dict[str, int] = {}
    for index, cell in enumerate(header):
        name, unit = split_header(cell)
        if index < len(units) and units[index].strip():
            unit = unit or units[index].strip(" []()\t")
        if not name and all(sample.strip() == "" for sample in samples[index]):
            columns.append(TableColumn(header=cell, name="", unit="", kind=ColumnKind.IGNORED))
            continue
        name = name or f"column {index + 1}"
        taken[name] = taken.get(name, 0) + 1
        if taken[name] > 1:
            name = f"{name} ({taken[name]})"
        kind = _kind(samples[index], style)
        if kind is ColumnKind.TEXT and _is_quantity(unit):
            kind = ColumnKind.NUMBER
        columns.append(TableColumn(header=cell.strip(), name=name, unit=unit, kind=kind))
    return tuple(columns)


def _long_table(columns: Sequence[TableColumn], samples: Sequence[Sequence[str]], time: TimeColumn) -> LongTable | None:
    """The columns of a table that has one value in a row; None where each quantity has its own column."""
    taken = {time.index, time.date_index}
    numbers = [k for k, column in enumerate(columns) if column.kind is ColumnKind.NUMBER and k not in taken]
    texts = [k for k, column in enumerate(columns) if column.kind is ColumnKind.TEXT and k not in taken]
    values = [k for k in numbers if _VALUE_NAME.match(columns[k].name)] or (numbers if len(numbers) == 1 else [])
    named = [k for k in texts if _QUANTITY_NAME.match(columns[k].name)]
    names = [k for k in named if _VALUE_NAME.match(columns[values[0]].name)] if values else []
    names = names or [k for k in texts if len(values) == 1 and _alternates(samples[k])]
    if not names:
        return None
    units = [k for k in texts if k != names[0] and re.match(r"units?$|einheit$", columns[k].name, re.IGNORECASE)]
    return LongTable(value=values[0], name=names[0], unit=units[0] if units else None)


def _alternates(cells: Sequence[str]) -> bool:
    """Whether a column of words changes from row to row and comes back to the same words: names, not states."""
    changes = sum(a != b for a, b in pairwise(cells))
    return len(cells) > 3 and 1 < len(set(cells)) <= 0.5 * len(cells) and changes > 0.5 * len(cells)


def split_header(cell: str) -> tuple[str, str]:
    """Name and unit of a header cell; the unit is empty where the cell has none.

    A unit in brackets is taken out of the name; one that the name ends in, such as ``speed_kph``, is left in.
    """
    text = " ".join(cell.replace("﻿", "").split()).strip("\"'")
    if match := _BRACKETED.match(text):
        if match["name"].strip():
            return match["name"].strip(), match["unit"].strip()
        return text, ""
    if match := _SUFFIXED.match(text):
        return text, match["unit"]
    return text, ""


def _kind(cells: Sequence[str], style: NumberStyle) -> ColumnKind:
    filled = [cell for cell in cells if cell.strip().lower() not in BLANKS]
    is_number = sum(style.is_number(cell) for cell in filled) >= 0.5 * len(filled)
    return ColumnKind.NUMBER if is_number else ColumnKind.TEXT


def _is_quantity(unit: str) -> bool:
    """Whether a unit stands for numbers, whatever the cells hold: words below ``km/h`` are faults, not codes."""
    if not unit or unit.lower() in _TIME_UNITS_NS:
        return False
    from logan.channels.vocabulary import is_known_unit

    return is_known_unit(unit)


def _time_column(
    columns: Sequence[TableColumn], samples: Sequence[Sequence[str]], style: NumberStyle, said: float | None
) -> TimeColumn | None:
    named = [index for index, column in enumerate(columns) if _TIME_NAME.match(column.name) or _time_unit(column)]
    dates = [index for index, column in enumerate(columns) if _DATE_NAME.match(column.name)]
    for index in named:
        found = _as_time(index, columns, samples, style, dates, said)
        if found is not None:
            return found
    for index in dates or range(min(1, len(columns))):
        # A first column of full dates is the time whatever it is called.
        moments = _moments(samples[index])
        if moments and all(each.day_ns is not None and each.clock_ns is not None for each in moments):
            return _as_time(index, columns, samples, style, [], said)
    return None


def _time_unit(column: TableColumn) -> float | None:
    """Length of a time unit, where the column is called like a time: ``t_ms``, ``Time (s)``."""
    if not column.unit and column.name.lower() in _TIME_UNITS_NS and len(column.name) > 3:
        return _TIME_UNITS_NS[column.name.lower()]
    stem = re.sub(rf"[_ ]{re.escape(column.unit)}$", "", column.name) if column.unit else column.name
    return _TIME_UNITS_NS.get(column.unit.lower()) if _TIME_NAME.match(stem) else None


def _as_time(
    index: int,
    columns: Sequence[TableColumn],
    samples: Sequence[Sequence[str]],
    style: NumberStyle,
    dates: Sequence[int],
    said: float | None,
) -> TimeColumn | None:
    column, cells = columns[index], [cell for cell in samples[index] if cell.strip()]
    if not cells:
        return None
    if column.kind is ColumnKind.NUMBER:
        unit_ns = said or _TIME_UNITS_NS.get(column.unit.lower()) or _time_unit(column)
        if unit_ns is not None:
            return TimeColumn(index=index, unit_ns=unit_ns)
        unit_ns, note = _guess_unit([style.number(cell) for cell in cells if style.is_number(cell)], column.name)
        return TimeColumn(index=index, unit_ns=unit_ns, note=note)
    moments = _moments(cells)
    if not moments or all(each.clock_ns is None for each in moments):
        return None
    apart = next((other for other in dates if other != index and _moments(samples[other])), None)
    has_date = moments[0].day_ns is not None
    date_index = None if has_date else apart
    dated = cells if has_date else samples[date_index] if date_index is not None else []
    is_day_first = dates_are_day_first(dated)
    note = (
        ""
        if is_day_first is not None or not dated or "/" not in dated[0]
        else (f"dates such as {dated[0].split()[0]} are read as month/day/year")
    )
    return TimeColumn(index=index, date_index=date_index, is_day_first=bool(is_day_first), note=note)


def _moments(cells: Sequence[str]) -> list[Moment]:
    """Moments in the cells, if most of them hold one; else nothing."""
    filled = [cell for cell in cells if cell.strip()]
    found = [each for cell in filled if (each := moment(cell)) is not None]
    return found if filled and len(found) >= 0.5 * len(filled) else []


def _guess_unit(values: Sequence[float], name: str) -> tuple[float, str]:
    """Unit of times that do not name it, by how far rows are apart."""
    unit, reason = unit_of_rows(values)
    if not unit:
        return 1e9, f"column '{name}' names no unit; its values are read as s (else: --columns time=ms)"
    return UNIT_S[unit] * 1e9, f"column '{name}' names no unit; its values are read as {unit}: {reason}"

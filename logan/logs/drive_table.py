"""Tables of channels (CSV, TSV): one column each, a header with names and units, one row a moment.

A block of lines in which every cell is a plain number is parsed in one go; any other block line by
line, so that what is wrong costs its own cell or row, and is counted with its line.

* A blank cell, or one of the usual words for "no value", is absent; so are not-a-number and infinity.
* Text where the column holds numbers is absent and counted. A column of words (``P``, ``R``, ``on``)
  becomes codes with a value table, in the order in which the words turn up; on and off, true and
  false are 1 and 0.
* A row with too few cells, or without a time, is dropped and counted; the header in the middle of a
  file (two logs put together) is dropped too. A cut-off last row is normal.
* Clock times without a date count on over midnight; without a zone they are taken as they stand.
"""

import codecs
import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any, BinaryIO, Final

import numpy as np
from numpy.typing import NDArray

from logan.errors import LogReadError
from logan.frames.table import SignalColumn, SignalTable
from logan.logs.log_format import HEAD_BYTES, Block, LogFormat, ReadOptions, ReadReport
from logan.logs.table_cells import BLANKS, DAY_NS, moment
from logan.logs.table_layout import (
    ColumnKind,
    LongTable,
    TableColumn,
    TableLayout,
    split_header,
    split_row,
    table_layout,
)
from logan.logs.text_lines import LATEST_NS
from logan.units import FloatArray, IntArray

BLOCK_BYTES: Final = 256 * 1024
"""Text parsed at once: an error slows down no more than this. [bytes]"""

MAX_WORDS: Final = 64
"""A column with more different words than this holds free text, and is left out."""

MAX_NAMES: Final = 2000
"""Quantities of a long table."""

_HEADER_AGAIN: Final = "the header again"
_MAX_LINE_BYTES: Final = 1024 * 1024
_SWITCH_WORDS: Final = {
    **dict.fromkeys(("on", "true", "yes", "active", "enabled"), 1),
    **dict.fromkeys(("off", "false", "no", "inactive", "disabled"), 0),
}
_NULL_CELLS: Final = sorted({form for blank in BLANKS for form in (blank, blank.upper(), blank.title(), "NaN")})
_COMMON_SINCE_1970_NS: Final = 1e17


def looks_like(head: bytes) -> bool:
    """Whether a text is a table with a header; texts of frames are asked for first."""
    if b"\x00" in head[:64] and not head.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return False
    return table_layout(head) is not None


def read(stream: BinaryIO, path: Path, options: ReadOptions, report: ReadReport) -> Iterator[Block]:
    """Read a table of channels into one block.

    Raises
    ------
    LogReadError
        If it has no header, or no column that holds the time.
    """
    blocks = _blocks(stream)
    first = next(blocks, b"")
    layout = table_layout(first[:HEAD_BYTES], options.column_layout)
    if layout is None:
        raise LogReadError(
            "the table has no header with values below it",
            "Put a row with names and units above the values, or give the names with --columns 'Time [s],Speed [km/h]'",
            path,
        )
    if layout.time is None:
        row = first[:HEAD_BYTES].decode(layout.encoding, errors="replace").splitlines()[layout.first_row]
        seen = "".join(one if one.isprintable() else " " for one in row[:80])
        raise LogReadError(
            f"no column of the table holds the time (columns: {', '.join(_shown(layout.columns))}; first row: {seen})",
            "Name the column 'Time [s]' (or [ms]), or export it with date and time",
            path,
            layout.header_row + 1,
        )
    if layout.time.note:
        report.notes.append(f"{path}: {layout.time.note}")
    table = _Table(layout, options, report)
    table.add(first, is_first=True)
    for block in blocks:
        table.add(block)
    yield table.finish()


def _shown(columns: tuple[TableColumn, ...]) -> list[str]:
    names = [column.header for column in columns]
    return names if len(names) <= 8 else [*names[:8], "..."]


def _blocks(stream: BinaryIO) -> Iterator[bytes]:
    """Whole lines in UTF-8 or a single-byte encoding, each ending in a newline but perhaps the last."""
    first = stream.read(HEAD_BYTES)
    wide = first.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE))
    decoder = codecs.getincrementaldecoder("utf-16")(errors="replace") if wide else None
    # Files of old systems end their lines in a carriage return alone.
    has_newline = (b"\n\x00" in first or b"\x00\n" in first) if wide else b"\n" in first
    carried, block = b"", first
    while block:
        text = decoder.decode(block).encode() if decoder else block
        carried += text if has_newline else text.replace(b"\r", b"\n")
        cut = carried.rfind(b"\n") + 1
        if cut == 0 and len(carried) > _MAX_LINE_BYTES:
            cut = len(carried)
        if cut and (len(carried) >= HEAD_BYTES or cut == len(carried)):
            yield carried[:cut]
            carried = carried[cut:]
        block = stream.read(BLOCK_BYTES)
    if carried:
        yield carried


class _Table:
    """Columns of a table as they grow."""

    def __init__(self, layout: TableLayout, options: ReadOptions, report: ReadReport) -> None:
        assert layout.time is not None  # read() looked
        self._layout, self._time, self._report = layout, layout.time, report
        self._asked = options.wanted
        self._most_words = MAX_WORDS if layout.long is None else MAX_NAMES
        self._line = 1
        skipped = {self._time.index, self._time.date_index}
        self._wanted = [
            index
            for index, column in enumerate(layout.columns)
            if index not in skipped
            and column.kind is not ColumnKind.IGNORED
            and (layout.long is not None or _is_wanted(column, options.wanted))
        ]
        self._words: dict[int, dict[str, int]] = {
            index: {} for index in self._wanted if layout.columns[index].kind is ColumnKind.TEXT
        }
        self._time_parts: list[IntArray] = []
        self._value_parts: list[list[FloatArray]] = [[] for _ in self._wanted]
        self._last_clock_ns = 0
        self._rollover_ns = 0

    def add(self, block: bytes, *, is_first: bool = False) -> None:
        if is_first:
            lines = block.split(b"\n", self._layout.first_row)
            block = lines[-1] if len(lines) > self._layout.first_row else b""
            self._line += self._layout.first_row
        line_count = block.count(b"\n")
        if not self._add_fast(block, line_count):
            self._add_slowly(block)
        self._line += line_count

    def _add_fast(self, block: bytes, line_count: int) -> bool:
        """Parse a block in which every line has all its cells, and every cell is what it should be."""
        if not line_count or not _is_even(block, line_count, self._layout):
            return False
        import pyarrow as pa
        import pyarrow.csv as pa_csv

        names = [f"c{index}" for index in range(len(self._layout.columns))]
        dated = () if self._time.date_index is None else (self._time.date_index,)
        used = sorted({*self._wanted, self._time.index, *dated})
        types = {names[i]: pa.binary() if self._is_text(i) else pa.float64() for i in used}
        try:
            table = pa_csv.read_csv(
                pa.py_buffer(block),
                read_options=pa_csv.ReadOptions(column_names=names, use_threads=False, block_size=2 * len(block)),
                parse_options=pa_csv.ParseOptions(delimiter=self._layout.delimiter, quote_char=False),
                convert_options=pa_csv.ConvertOptions(
                    column_types=types,
                    include_columns=[names[i] for i in used],
                    null_values=_NULL_CELLS,
                    decimal_point=self._layout.style.decimal,
                ),
            )
        except pa.ArrowInvalid:
            return False
        if table.num_rows != line_count:
            return False
        cells = {i: _cells(table.column(names[i]), self._layout.encoding, self._is_text(i)) for i in used}
        time_ns = self._times(cells)
        if time_ns is None:
            return False
        self._time_parts.append(time_ns)
        for parts, index in zip(self._value_parts, self._wanted, strict=True):
            parts.append(self._codes(index, cells[index]) if index in self._words else cells[index])
        return True

    def _is_text(self, index: int) -> bool:
        if index in (self._time.index, self._time.date_index):
            return self._time.unit_ns is None
        return index in self._words

    def _times(self, cells: dict[int, Any]) -> IntArray | None:
        """Times of a block; None if any cell holds none."""
        column = cells[self._time.index]
        if self._time.unit_ns is not None:
            # Not-a-number is not below the limit either.
            is_good = bool((np.abs(column) * self._time.unit_ns < LATEST_NS).all())
            return _whole_ns(column, self._time.unit_ns) if is_good else None
        dates = cells[self._time.date_index] if self._time.date_index is not None else [""] * len(column)
        state = self._last_clock_ns, self._rollover_ns
        times = [self._moment_ns(cell, date) for cell, date in zip(column, dates, strict=True)]
        if None in times:
            self._last_clock_ns, self._rollover_ns = state
            return None
        return np.array(times, np.int64)

    def _moment_ns(self, cell: str, date_cell: str) -> int | None:
        found = moment(cell, is_day_first=self._time.is_day_first)
        if found is None:
            return None
        day_ns = found.day_ns
        if self._time.date_index is not None:
            date = moment(date_cell, is_day_first=self._time.is_day_first)
            day_ns = date.day_ns if date is not None else None
            if day_ns is None:
                return None
        clock_ns = found.clock_ns or 0
        if day_ns is not None:
            return day_ns + clock_ns if abs(day_ns) < LATEST_NS else None
        if clock_ns < self._last_clock_ns - DAY_NS // 2:
            self._rollover_ns += DAY_NS
        self._last_clock_ns = clock_ns
        return self._rollover_ns + clock_ns

    def _codes(self, index: int, words: list[str]) -> FloatArray:
        return np.array([self._code(index, word) for word in words])

    def _code(self, index: int, word: str) -> float:
        """Code of a word; NaN for a blank, and for every word of a column of free text."""
        known = self._words[index]
        word = word.strip()
        if word.lower() in BLANKS:
            return math.nan
        if word not in known:
            if len(known) > self._most_words:
                return math.nan
            switch = _SWITCH_WORDS.get(word.lower())
            free = (code for code in range(self._most_words + 2) if code not in known.values())
            known[word] = switch if switch is not None and switch not in known.values() else next(free)
        return float(known[word])

    def _add_slowly(self, block: bytes) -> None:
        """Parse line by line, and say what is wrong where."""
        lines = block.decode(self._layout.encoding.removesuffix("-sig"), errors="replace").split("\n")
        is_cut_off = lines[-1] != ""
        times: list[int] = []
        rows: list[list[float]] = []
        for number, line in enumerate(lines if is_cut_off else lines[:-1]):
            is_last = is_cut_off and number == len(lines) - 1
            row = self._row(line.rstrip("\r"), self._line + number, is_last=is_last)
            if row is not None:
                times.append(row[0])
                rows.append(row[1])
        self._time_parts.append(np.array(times, np.int64))
        values = np.array(rows, np.float64).reshape(len(rows), len(self._wanted))
        for position, parts in enumerate(self._value_parts):
            parts.append(values[:, position])

    def _row(self, line: str, number: int, *, is_last: bool) -> tuple[int, list[float]] | None:
        width = len(self._layout.columns)
        cells = split_row(line, self._layout.delimiter)
        if not line.strip() or not any(cell.strip() for cell in cells):
            return None
        if is_last and ("\x00" in line or len(cells) < width):
            self._report.is_truncated = True
            return None
        if fault := self._fault(line, cells, width):
            self._report.skip(fault, line=number, is_lost=fault != _HEADER_AGAIN)
            return None
        time_ns = self._time_ns(cells)
        if time_ns is None:
            self._report.skip(f"'{_short(cells[self._time.index])}' is no time", line=number)
            return None
        return time_ns, [self._value(index, cells[index], number) for index in self._wanted]

    def _fault(self, line: str, cells: list[str], width: int) -> str:
        if "\x00" in line:
            return "the row holds NUL bytes"
        if [cell.strip() for cell in cells[:width]] == [column.header for column in self._layout.columns]:
            return _HEADER_AGAIN
        if len(cells) < width or any(cell.strip() for cell in cells[width:]):
            return f"the row has {len(cells)} cells, and the header {width}"
        return ""

    def _time_ns(self, cells: list[str]) -> int | None:
        if self._time.unit_ns is None:
            date = cells[self._time.date_index] if self._time.date_index is not None else ""
            return self._moment_ns(cells[self._time.index], date)
        try:
            value = self._layout.style.number(cells[self._time.index])
        except ValueError:
            return None
        if not abs(value) * self._time.unit_ns < LATEST_NS:
            return None
        return int(_whole_ns(np.array([value]), self._time.unit_ns)[0])

    def _value(self, index: int, cell: str, line: int) -> float:
        if index in self._words:
            return self._code(index, cell)
        try:
            return self._layout.style.number(cell)
        except ValueError:
            self._report.skip_cell(self._layout.columns[index].name, _short(cell), line)
            return math.nan

    def finish(self) -> SignalTable:
        """All columns; a column's times leave out the rows where it is absent."""
        time_ns = np.concatenate([np.empty(0, np.int64), *self._time_parts])
        columns: list[SignalColumn] = []
        found: dict[int, FloatArray] = {}
        for parts, index in zip(self._value_parts, self._wanted, strict=True):
            if index in self._words and len(self._words[index]) > self._most_words:
                self._report.notes.append(f"column '{self._layout.columns[index].name}' holds free text, left out")
                continue
            value = np.concatenate([np.empty(0), *parts])
            parts.clear()
            columns.append(self._column(index, time_ns, value))
            if self._layout.long is not None:
                found[index] = value
        if self._layout.long is not None:
            columns = list(self._turned(self._layout.long, time_ns, found))
        return SignalTable(columns=tuple(columns), log_format=FORMAT.name)

    def _turned(self, long: LongTable, time_ns: IntArray, found: dict[int, FloatArray]) -> Iterator[SignalColumn]:
        """One column a quantity, from a table that has one value in a row."""
        words = self._words.get(long.name, {})
        unit_of = {code: word for word, code in self._words.get(long.unit, {}).items()} if long.unit is not None else {}
        self._report.notes.append(
            f"{self._report.path}: a long table, one value in a row, turned round by its column "
            f"'{self._layout.columns[long.name].header}' into {len(words)} quantities"
        )
        for word, code in words.items():
            rows = (found[long.name] == code) & np.isfinite(found[long.value])
            codes = found[long.unit][rows] if long.unit is not None else np.empty(0)
            units = {unit_of.get(int(each), "") for each in np.unique(codes[np.isfinite(codes)])}
            name, own_unit = split_header(word)
            if self._asked is None or not self._asked.isdisjoint((name, word)):
                unit = units.pop() if len(units) == 1 else own_unit
                value = found[long.value][rows]
                yield SignalColumn(name=name, unit=unit, time_ns=time_ns[rows], value=value, comment=word)

    def _column(self, index: int, time_ns: IntArray, value: FloatArray) -> SignalColumn:
        present = np.isfinite(value)
        if not present.all():
            time_ns, value = time_ns[present], value[present]
        column = self._layout.columns[index]
        choices = {code: word for word, code in self._words.get(index, {}).items()}
        return SignalColumn(
            name=column.name, unit=column.unit, time_ns=time_ns, value=value, comment=column.header, choices=choices
        )


def _is_wanted(column: TableColumn, wanted: frozenset[str] | None) -> bool:
    return wanted is None or column.name in wanted or column.header in wanted


def _is_even(block: bytes, line_count: int, layout: TableLayout) -> bool:
    """Whether every line of a block has all its cells, and none is quoted."""
    if b'"' in block or b"\x00" in block or not block.endswith(b"\n"):
        return False
    text = np.frombuffer(block, np.uint8)
    ends = np.flatnonzero(text == ord("\n"))
    marks = np.flatnonzero(text == ord(layout.delimiter))
    cells_before = np.searchsorted(marks, ends)
    return bool(np.all(np.diff(cells_before, prepend=0) == len(layout.columns) - 1))


def _cells(column: Any, encoding: str, is_text: bool) -> Any:
    if is_text:
        return [(cell or b"").decode(encoding.removesuffix("-sig"), errors="replace") for cell in column.to_pylist()]
    values: NDArray[np.float64] = column.to_numpy()
    return values


def _whole_ns(value: FloatArray, unit_ns: float) -> IntArray:
    """Times in whole nanoseconds; since 1970, in whole microseconds, which is all that a float holds."""
    if np.abs(value).max(initial=0.0) * unit_ns > _COMMON_SINCE_1970_NS:
        return np.rint(value * (unit_ns / 1e3)).astype(np.int64) * 1000
    return np.rint(value * unit_ns).astype(np.int64)


def _short(cell: str) -> str:
    text = cell.strip()
    return text if len(text) <= 24 else f"{text[:24]}..."


FORMAT: Final = LogFormat(
    name="table",
    description="table of channels with a header (CSV, TSV)",
    looks_like=looks_like,
    read=read,
    holds_frames=False,
    suffixes=(".csv", ".tsv", ".txt"),
    rank=2,
)

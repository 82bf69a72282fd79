"""Where the data bytes of a text of frames are, and which column says how many: the ways to see its lines."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

from logan.logs.frame_text_cells import BYTE, BYTES, MARKS
from logan.logs.frame_text_layout import Bytes, Wishes
from logan.logs.frame_text_times import FoundTime
from logan.logs.text_lines import FD_BYTES, FD_LENGTHS

NEARLY_ALL: Final = 0.75
"""Share of lines that must agree: a log may be damaged, or two may be mixed."""

LETTER: Final = re.compile(r"[A-Fa-f]")
"""What makes a number hexadecimal."""

_MOST_COLUMNS: Final = 40


@dataclass(slots=True)
class Draft:
    """One way to see the lines: where the data bytes are, and what is known of the rest."""

    delimiter: str
    bytes_are: Bytes
    data: int
    counts: list[int]
    length: int | None
    score: float
    byte_count: int = 0
    names: dict[int, tuple[str, str]] = field(default_factory=dict)
    header: str = ""
    rows: list[list[str]] = field(default_factory=list)
    bytes_text: list[str] = field(default_factory=list)
    has_labels: bool = False
    identifier: int = -1
    time: FoundTime | None = None
    reasons: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    problem: str = ""
    remedy: str = ""

    def column(self, index: int) -> list[str]:
        """Cells of one column; empty where a row is too short."""
        return [row[index] if index < len(row) else "" for row in self.rows]


def data_drafts(
    rows: Sequence[Sequence[str]], delimiter: str, names: dict[int, tuple[str, str]], wishes: Wishes
) -> Iterator[Draft]:
    """Every column that the data bytes could begin in, with every column that could say how many they are."""
    width = min(max(map(len, rows)), _MOST_COLUMNS)
    lengths = [
        column
        for column in range(width)
        if _share(rows, column, lambda cell: cell.isdecimal() and len(cell) < 3 and int(cell) <= FD_BYTES) > NEARLY_ALL
    ]
    runs = [_runs(row) for row in rows]
    forced = wishes.places.get("bytes", wishes.places.get("data"))
    base = 10 if "dec" in (wishes.kinds.get("bytes"), wishes.kinds.get("data")) else 16
    for column in range(width) if forced is None else (forced,):
        counts = [_count(row[column], base) if column < len(row) else 0 for row in rows]
        if "bytes" not in wishes.places and sum(count is not None for count in counts) > NEARLY_ALL * len(rows):
            yield from _with_length(
                Draft(delimiter, Bytes.CELL, column, [count or 0 for count in counts], None, 0.0),
                rows, lengths, names, wishes,
            )  # fmt: skip
        if "data" in wishes.places and delimiter != " ":
            continue
        starts = [run[column] if column < len(run) else 0 for run in runs]
        is_start = [
            not (column < len(row) and row[column]) or count > 0 for row, count in zip(rows, starts, strict=True)
        ]
        if (sum(is_start) > NEARLY_ALL * len(rows) and max(starts) > 1) or forced is not None:
            kind = Bytes.REST if delimiter == " " else Bytes.COLUMNS
            draft = Draft(delimiter, kind, column, starts, None, 0.0)
            draft.byte_count = 0 if delimiter == " " else _byte_columns(draft, rows, names)
            yield from _with_length(draft, rows, lengths, names, wishes)


def _share(rows: Sequence[Sequence[str]], column: int, is_so: object) -> float:
    assert callable(is_so)
    return sum(column < len(row) and bool(is_so(row[column])) for row in rows) / len(rows)


def _count(text: str, base: int) -> int | None:
    """Data bytes in one cell; None where it holds something else."""
    words = [word for word in MARKS.split(text) if word]
    if not all(BYTES[base].fullmatch(word) for word in words):
        return None
    if base == 10:
        return len(words) if all(int(word) < 256 for word in words) else None
    return sum((len(word.removeprefix("0x").removeprefix("0X")) + 1) // 2 for word in words)


def _runs(row: Sequence[str]) -> list[int]:
    """How many cells from each on hold one byte each, one behind the other."""
    runs = [0] * (len(row) + 1)
    for column in range(len(row) - 1, -1, -1):
        is_byte = bool(BYTE[16].fullmatch(row[column])) or (
            len(row[column]) == 3 and row[column].isdecimal() and int(row[column]) < 256
        )
        runs[column] = runs[column + 1] + 1 if is_byte else 0
    return runs


def _byte_columns(draft: Draft, rows: Sequence[Sequence[str]], names: dict[int, tuple[str, str]]) -> int:
    """How many columns hold a byte each: those named so, else as many as the longest row has."""
    named = 0
    while names.get(draft.data + named, ("", ""))[0] == "bytes":
        named += 1
    return named or min(max(draft.counts), FD_BYTES)


def _with_length(
    draft: Draft,
    rows: Sequence[Sequence[str]],
    lengths: Sequence[int],
    names: dict[int, tuple[str, str]],
    wishes: Wishes,
) -> Iterator[Draft]:
    """The draft with each column that says how many bytes there are, and without one; scored."""
    is_cell = draft.bytes_are is Bytes.CELL
    cells = [
        text
        for row, count in zip(rows, draft.counts, strict=True)
        for text in row[draft.data : draft.data + (1 if is_cell else count)]
    ]
    filled = [text for text in cells if text]
    score = min(2.0, 10.0 * sum(bool(LETTER.search(text)) for text in filled) / max(len(filled), 1))
    score += 0.1 * sum(draft.counts) / len(rows) + 0.5 * (
        sum(len(text) % 2 == 0 for text in filled) > 0.9 * len(filled)
    )
    score += 5.0 * (names.get(draft.data, ("", ""))[0] in ("data", "bytes"))
    score -= 5.0 * (names.get(draft.data, ("", ""))[0] in ("time", "id", "length", "bus"))
    score -= 2.0 * (not filled)
    said = wishes.places.get("length")
    named = [column for column in lengths if names.get(column, ("", ""))[0] == "length"]
    for column in (named or (None, *lengths)) if said is None else (said,):
        if wishes.is_whole and said is None and column is not None:
            continue
        if column is not None and (column == draft.data or (not is_cell and column >= draft.data)):
            continue
        more = (
            0.0
            if column is None or said is not None
            else _agreement(draft, [row[column] if column < len(row) else "" for row in rows])
        )
        more += 3.0 * (column is not None and names.get(column, ("", ""))[0] == "length")
        if column is not None and more == 0.0 and said is None:
            continue
        yield replace(draft, length=column, score=score + more, rows=[], bytes_text=[], reasons=[], notes=[])


def _agreement(draft: Draft, cells: Sequence[str]) -> float:
    """How far a column tells the number of data bytes; 0 where it does not."""
    told = [int(cell) if cell.isdecimal() else -1 for cell in cells]
    pairs = list(zip(told, draft.counts, strict=True))
    equal = sum(number == count or (8 < number < 16 and FD_LENGTHS[number] == count) for number, count in pairs) / len(
        pairs
    )
    varied = sum(count >= max(2, 0.02 * len(told)) for number, count in Counter(told).items() if number >= 0) > 1
    if equal > NEARLY_ALL:
        return 6.0 if varied else 2.0 * (max(told) > 1)
    at_most = sum(0 < number <= count for number, count in pairs)
    if draft.bytes_are is not Bytes.CELL and varied and at_most > 0.95 * len(pairs) and equal > 0.2:
        # Columns behind the last byte may be filled, and a time may stand behind it.
        return 4.0
    return 0.0


def compact(draft: Draft, rows: Sequence[Sequence[str]], names: dict[int, tuple[str, str]]) -> None:
    """Take the data bytes of each row for one cell, and move the names likewise."""
    width = max(draft.byte_count, 1)
    shift = width - 1 if draft.bytes_are is Bytes.COLUMNS else 0
    for row, count in zip(rows, draft.counts, strict=True):
        if draft.bytes_are is Bytes.REST:
            if draft.length is not None and draft.length < len(row) and row[draft.length].isdecimal():
                count = min(count, int(row[draft.length]))
            width = count
        draft.bytes_text += [text for text in row[draft.data : draft.data + width] if text]
        draft.rows.append([*row[: draft.data], "", *row[draft.data + width :]])
    draft.names = {
        (column if column <= draft.data else column - shift): name
        for column, name in names.items()
        if column <= draft.data or column >= draft.data + width
    }

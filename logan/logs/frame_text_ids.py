"""Which columns of a text of frames hold identifiers and data, by their names and by what stands in them."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

from logan.logs.frame_text_layout import BYTE, BYTES, MARKS, STRIPPED, TIME_UNITS_NS, Bytes, Wishes
from logan.logs.frame_text_times import FoundTime
from logan.logs.table_layout import TIME_UNITS, WORDS, split_header
from logan.logs.text_lines import FD_BYTES, FD_LENGTHS, MAX_STANDARD_ID

_NAMES: Final = tuple((role, re.compile(pattern, re.I)) for role, pattern in WORDS["frames"].items())
_BASE_WORD: Final = re.compile(r"[\[( _](hex|dec)(imal)?[\])]?$", re.I)


def header_roles(lines: Sequence[str], delimiter: str) -> tuple[dict[int, tuple[str, str]], str]:
    """Role and kind of each column that has a name, and the line that names the most; empty where none names two."""
    best: dict[int, tuple[str, str]] = {}
    header = ""
    for line in lines:
        if delimiter in line and not line[:1].isdecimal():
            cells = _by_blanks(line) if delimiter == " " else line.split(delimiter)
            found = {column: role for column, cell in enumerate(cells) if (role := role_of(cell))[0]}
            roles = {role for role, _ in found.values()}
            is_header = len(roles) > 1 and len(found) >= 0.6 * sum(bool(cell.strip()) for cell in cells)
            if roles & {"id", "data", "bytes"} and is_header and len(found) > len(best):
                best, header = found, line
    return best, header


def _by_blanks(line: str) -> list[str]:
    """Names separated by blanks, of which some have two words."""
    apart = re.split("  +|\t", line.strip())
    words, cells = line.split(), []
    if len(apart) > 2:
        return apart
    while words:
        both = role_of(" ".join(words[:2]))[0]
        count = 2 if both == "id" or (both and len(words) > 1 and not role_of(words[1])[0]) else 1
        cells.append(" ".join(words[:count]))
        words = words[count:]
    return cells


def role_of(cell: str) -> tuple[str, str]:
    """What a name says: the role of the column, and its unit or base of numbers; empty where it says nothing."""
    text = (
        cell.encode("latin-1", "replace")
        .decode("utf-8", "replace")
        .strip(STRIPPED.replace("(", "").replace(")", "").replace("[", "").replace("]", "") + "\ufeff")
    )
    base = _BASE_WORD.search(text)
    text = _BASE_WORD.sub("", text).strip()
    name, unit = split_header(text)
    name = re.sub(rf"[ _]{re.escape(unit)}$", "", name) if unit else name
    role = next((role for role, pattern in _NAMES if pattern.match(name)), "")
    kind = base[1].lower() if base else ""
    unit = TIME_UNITS.get(unit.lower(), "")
    return role, (kind if role != "time" else unit if unit in TIME_UNITS_NS else "")


ID: Final = re.compile(r"(?:0[xX])?[0-9A-Fa-f]{1,8}[xXhH]?|[0-9]{1,10}")
"""What an identifier looks like."""

SPREADSHEET_ID: Final = re.compile(r"([1-9])(?:\.0+)?E\+0*([0-9]+)")
"""What a spreadsheet makes of an identifier of digits with one E among them."""


def find_identifier(draft: Draft, said: int | None, known: frozenset[tuple[int, bool]]) -> tuple[int, float]:
    """The column that is most like identifiers, and how much it is; -1 where none is."""
    if said is not None:
        return said, 5.0
    best, best_score = -1, 0.0
    usual = Counter(draft.counts).most_common(1)[0][1]
    for index in range(max(map(len, draft.rows))):
        cells = draft.column(index)
        if index in (draft.data, draft.length):
            continue
        good = [cell for cell in cells if ID.fullmatch(cell) or SPREADSHEET_ID.fullmatch(cell)]
        if len(good) < NEARLY_ALL * len(cells):
            continue
        score = _likeness(draft, index, cells, usual) + 4.0 * (_known_share(good, known) > 0.3)
        if score > best_score:
            best, best_score = index, score
    return best, best_score


def _likeness(draft: Draft, index: int, cells: Sequence[str], usual: int) -> float:
    """How much a column is like identifiers."""
    number, name = len(cells), draft.names.get(index, ("", ""))[0]
    distinct = Counter(cells)
    score = 4.0 * (name == "id") - 3.0 * (name not in ("", "id"))
    score += 1.0 * (len(distinct) > 1) + 1.0 * (number < 8 or len(distinct) <= 0.6 * number)
    score -= 2.0 * (number >= 8 and len(distinct) > 0.9 * number)
    by_id: dict[str, Counter[int]] = {}
    for cell, count in zip(cells, draft.counts, strict=True):
        by_id.setdefault(cell, Counter())[count] += 1
    settled = sum(counts.most_common(1)[0][1] for counts in by_id.values())
    if usual < 0.95 * number and len(distinct) < 0.7 * number:
        score += 2.0 * (settled > 0.97 * number)
    score += 1.0 * any(LETTER.search(cell) or cell[:2] in ("0x", "0X") for cell in cells)
    score += 0.5 * (index in (draft.data - 1, (draft.length or 0) - 1)) + 0.5 * (max(map(len, cells)) > 2)
    score -= 2.0 * all(len(cell) == 1 for cell in cells) + 1.5 * all(BYTE[16].fullmatch(cell) for cell in cells)
    return score


def _known_share(cells: Sequence[str], known: frozenset[tuple[int, bool]], base: int = 0) -> float:
    """Share of identifiers that the DBC has, hexadecimal or decimal."""
    numbers = {number for number, _ in known}
    if not numbers or not cells:
        return 0.0
    bases = (base,) if base else (16, 10)
    return max(sum(_number(cell, each) in numbers for cell in cells) / len(cells) for each in bases)


def _number(cell: str, base: int) -> int:
    text = SPREADSHEET_ID.sub(r"\1E\2", cell).rstrip("xXhH")
    try:
        return int(text, base) & 0x7FFFFFFF
    except ValueError:
        return -1


def base_of_bytes(draft: Draft, wishes: Wishes) -> int:
    """Base of the data bytes, 16 or 10; 0 where nothing tells it."""
    said = wishes.kinds.get("bytes") or wishes.kinds.get("data") or draft.names.get(draft.data, ("", ""))[1]
    if said in ("hex", "dec"):
        return 16 if said == "hex" else 10
    words = [word for text in draft.bytes_text for word in MARKS.split(text) if word]
    if any(LETTER.search(word) or word[:2] in ("0x", "0X") for word in words):
        return 16
    if any(len(word) == 3 for word in words):
        return 10
    if words and draft.bytes_are is Bytes.CELL and any(len(word) > 3 for word in words):
        return 16
    return 16 if not words or (all(len(word) == 2 for word in words) and any(word[0] == "0" for word in words)) else 0


def base_of_identifiers(
    draft: Draft, ids: Sequence[str], byte_base: int, wishes: Wishes, known: frozenset[tuple[int, bool]]
) -> int:
    """Base of the identifiers, 16 or 10; 0 where nothing tells it."""
    said = wishes.kinds.get("id") or draft.names.get(draft.identifier, ("", ""))[1]
    if said in ("hex", "dec"):
        return 16 if said == "hex" else 10
    cells = [cell for cell in ids if cell]
    if any(re.search(r"^0x|[a-fh]|x$|E\+", cell, re.I) for cell in cells):
        return 16
    as_hex, as_dec = _known_share(cells, known, 16), _known_share(cells, known, 10)
    if as_hex != as_dec:
        return 16 if as_hex > as_dec else 10
    if cells and all(len(cell) in (3, 8) for cell in cells) and any(cell.startswith("0") for cell in cells):
        return 16
    if any(len(cell) > 8 for cell in cells):
        return 10
    has_letters = any(LETTER.search(text) for text in draft.bytes_text)
    has_thousands = any(len(cell) == 4 and 1000 <= _number(cell, 10) <= MAX_STANDARD_ID for cell in cells)
    if has_letters and not has_thousands:
        draft.notes.append("the identifiers are taken for hexadecimal, as the data are (else: --columns id=dec)")
        return 16
    if byte_base == 10 or has_thousands:
        draft.notes.append("the identifiers are taken for decimal (else: --columns id=hex)")
        return 10
    return 0


def are_padded_extended(ids: Sequence[str], known: frozenset[tuple[int, bool]]) -> bool:
    """Whether eight digits make an identifier up to 7FF one of 29 bits."""
    digits = [re.sub("^0[xX]", "", cell) for cell in ids]
    if sum(len(text) == 8 for text in digits) < 0.95 * len(digits):
        return any(len(text) == 8 for text in digits)
    numbers = [_number(text, 16) for text in digits]
    extended = sum((number, True) in known and (number, False) not in known for number in numbers)
    return 2 * extended > sum((number, False) in known for number in numbers) + extended


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

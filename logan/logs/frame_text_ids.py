"""Which column of a text of frames holds the identifiers, and in which base numbers are written."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from typing import Final

from logan.logs.frame_text_cells import BYTE, MARKS
from logan.logs.frame_text_data import LETTER, NEARLY_ALL, Draft
from logan.logs.frame_text_layout import Bytes, Wishes
from logan.logs.text_lines import MAX_STANDARD_ID

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

"""Which column of a text of frames holds the time, and how it counts."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from logan.logs.frame_text_layout import CLOCK, Wishes
from logan.logs.table_cells import dates_are_day_first, moment

_NUMBER: Final = re.compile(r"[+-]?[0-9]{1,19}(?:[.,]([0-9]{1,18}))?")
_FRACTION: Final = re.compile(r"(.*\d+:\d+:\d+)[.,:](\d{1,9})")
_NEARLY_ALL: Final = 0.75
_LEAST_SCORE: Final = 0.5
_WITHOUT: Final = (
    "the lines hold frames, and no column rises as times do: it is a capture without times, so nothing can be computed",
    "Record again with time stamps switched on; if a column is the time, say which with --columns time=2",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundTime:
    """A time column: where, of which kind (empty: still open), with how many decimals, and how sure."""

    column: int
    kind: str = ""
    decimals: int = 0
    cells: int = 1
    fraction_digits: int = 0
    is_day_first: bool = False
    is_dated: bool = False
    score: float = 0.0
    reason: str = ""
    note: str = ""
    problem: str = ""
    remedy: str = ""


def find_time(
    columns: Sequence[Sequence[str]],
    names: Mapping[int, tuple[str, str]],
    taken: set[int],
    wishes: Wishes,
    delimiter: str,
) -> FoundTime:
    """The column that is most like times; with a problem where none is."""
    said = wishes.places.get("time")
    best, best_score = -1, -9.0
    for column in range(len(columns)) if said is None else (said,):
        if said is None and column in taken:
            continue
        score = _likeness(columns, column, names) if column < len(columns) else -9.0
        if score > best_score or said is not None:
            best, best_score = column, score
    is_named = names.get(best, ("", ""))[0] == "time"
    if best < 0 or (said is None and not is_named and best_score < _LEAST_SCORE):
        return FoundTime(column=-1, problem=_WITHOUT[0], remedy=_WITHOUT[1])
    kind = wishes.kinds.get("time", "") or names.get(best, ("", ""))[1]
    is_clock = _is_clock(columns[best]) or _is_date_and_clock(columns, best)
    if kind == CLOCK or (is_clock and kind not in ("s", "ms", "us", "ns")):
        return _clock(columns, best, best_score, wishes, delimiter)
    return _number(columns[best], best, best_score, kind, wishes)


def _is_clock(cells: Sequence[str]) -> bool:
    found = [moment(cell) for cell in cells if ":" in cell]
    return sum(each is not None and each.clock_ns is not None for each in found) > _NEARLY_ALL * len(cells)


def _is_date(cells: Sequence[str]) -> bool:
    found = [moment(cell) for cell in cells if len(cell) > 5 and ":" not in cell]
    return sum(each is not None and each.day_ns is not None for each in found) > _NEARLY_ALL * len(cells)


def has_date(rows: Sequence[Sequence[str]]) -> bool:
    """Whether the first two cells of most rows are a date and a time of day."""
    columns = [[row[at] if at < len(row) else "" for row in rows] for at in range(2)]
    return _is_date_and_clock(columns, 0)


def _is_date_and_clock(columns: Sequence[Sequence[str]], column: int) -> bool:
    return column + 1 < len(columns) and _is_date(columns[column]) and _is_clock(columns[column + 1])


def _likeness(columns: Sequence[Sequence[str]], column: int, names: Mapping[int, tuple[str, str]]) -> float:
    """How much a column is like times."""
    cells, name = columns[column], names.get(column, ("", ""))[0]
    score = 4.0 * (name == "time") - 3.0 * (name not in ("", "time"))
    if _is_date_and_clock(columns, column):
        return score + 3.5
    if _is_clock(cells):
        return score + 3.0 * (len(set(cells)) > 1)
    numbers = [cell for cell in cells if _NUMBER.fullmatch(cell)]
    if len(numbers) < _NEARLY_ALL * len(cells) and (name != "time" or not numbers):
        return -9.0
    values = np.array([float(cell.replace(",", ".")) for cell in numbers])
    distinct = np.unique(values)
    if distinct.size < 2:
        return score - 4.0
    rises = float(np.mean(np.diff(values) >= 0))
    score += 2.0 * (rises > 0.95 and distinct.size >= max(3, 0.05 * values.size))
    score += 1.0 * any("." in cell or "," in cell for cell in numbers)
    score += min(1.0, 2.0 * distinct.size / values.size) - 0.5
    # A counter has every number once, one after the other.
    is_counter = distinct.size == values.size and bool(np.all(distinct == np.rint(distinct))) and values.size > 3
    score -= 5.0 * (is_counter and float(np.median(np.diff(distinct))) == 1.0 and name != "time")
    is_small = float(np.abs(values).max()) <= 255 and bool(np.all(values == np.rint(values)))
    return score - (rises < 0.95) * (1.5 * (distinct.size < 0.3 * values.size) + 1.0 * is_small)


def _number(
    cells: Sequence[str],
    column: int,
    score: float,
    kind: str,
    wishes: Wishes,
) -> FoundTime:
    parts = [cell.replace(",", ".").partition(".") for cell in cells if _NUMBER.fullmatch(cell)]
    digits = _lost_zeros([(whole, fraction) for whole, _, fraction in parts])
    reason = "as you say" if wishes.kinds.get("time") else "as its name says"
    return FoundTime(
        column=column,
        kind=kind,
        decimals=max((len(fraction) for _, _, fraction in parts), default=0),
        score=score,
        fraction_digits=digits,
        reason=f"column {column + 1}, in {kind}: {reason}",
        note=_of_lost_zeros(digits),
    )


def _of_lost_zeros(digits: int) -> str:
    return f"fractions of a second lost their leading zeros; they are read as {digits} digits" if digits else ""


def _lost_zeros(parts: Sequence[tuple[str, str]]) -> int:
    """Digits of fractions that are written as whole numbers, without leading zeros; 0 where they are not."""
    most = max((len(part) for _, part in parts), default=0)
    if len({len(part) for _, part in parts}) < 2 or not 2 <= most <= 9:
        return 0
    digits = 3 if most <= 3 else 6 if most <= 6 else 9

    def falls(pad: bool) -> int:
        values = [float(f"{whole}.{part.rjust(digits, '0') if pad else part or '0'}") for whole, part in parts]
        return int(np.sum(np.diff(values) < 0))

    return digits if falls(True) < 0.2 * falls(False) and falls(False) > 0.02 * len(parts) else 0


def _clock(columns: Sequence[Sequence[str]], column: int, score: float, wishes: Wishes, delimiter: str) -> FoundTime:
    cells = columns[column]
    count = wishes.time_cells
    if count == 1 and "time" not in wishes.places:
        count += _is_date_and_clock(columns, column)
    if delimiter == " " and column + count < len(columns) and not wishes.is_whole:
        count += sum(cell.upper() in ("AM", "PM") for cell in columns[column + count]) > _NEARLY_ALL * len(cells)
    whole = [" ".join(parts) for parts in zip(*columns[column : column + count], strict=True)]
    is_dated = sum((found := moment(text)) is not None and found.day_ns is not None for text in whole) > 0.5 * len(
        whole
    )
    fractions = [(re.sub(r"\D", "", match[1]), match[2]) for text in whole if (match := _FRACTION.fullmatch(text))]
    digits, is_day_first = _lost_zeros(fractions), dates_are_day_first(whole)
    is_open = is_dated and is_day_first is None and "/" in whole[0]
    note = f"dates such as {whole[0].split()[0]} are read as month/day/year" if is_open else ""
    return FoundTime(
        column=column,
        kind=CLOCK,
        cells=count,
        fraction_digits=digits,
        is_day_first=bool(is_day_first),
        is_dated=is_dated,
        score=score,
        reason=f"column {column + 1}, {'date and ' if is_dated else ''}time of day",
        note=note or _of_lost_zeros(digits),
    )

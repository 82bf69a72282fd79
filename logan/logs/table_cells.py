"""Cells of tables written by people's tools: numbers in any national style, and times in any notation."""

import math
import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Final

BLANKS: Final = frozenset({"", "nan", "na", "n/a", "#n/a", "null", "none", "-", "--", "---", "?", "nil"})
"""Cells that mean "no value", in lower case."""

NS_PER_S: Final = 1_000_000_000
DAY_NS: Final = 86_400 * NS_PER_S

_GROUP_SPACES: Final = re.compile(r"(?<=\d)[\s  ']+(?=\d{3})|(?<=\d)(?<!\d{4})_(?=\d{3}(?!\d))")
_PLAIN: Final = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?")
_GROUPED: Final = {mark: re.compile(rf"[+-]?\d{{1,3}}(\{mark}\d{{3}})+(?!\d)") for mark in ",."}


@dataclass(frozen=True, slots=True)
class NumberStyle:
    """How a table writes numbers.

    Parameters
    ----------
    decimal : str
        Decimal point: ``"."`` or ``","``.
    thousands : str
        Mark between groups of three digits: ``","``, ``"."`` or empty. Blanks are always taken for one.
    """

    decimal: str = "."
    thousands: str = ""

    def number(self, cell: str) -> float:
        """Number in a cell; NaN for a blank one.

        Raises
        ------
        ValueError
            If the cell holds something else.
        """
        text = cell.strip()
        if text.lower() in BLANKS:
            return math.nan
        if self.thousands and _GROUPED[self.thousands].match(text):
            text = text.replace(self.thousands, "")
        if self.decimal != ".":
            text = text.replace(self.decimal, ".")
        if not _PLAIN.fullmatch(text):
            text = _GROUP_SPACES.sub("", text)
            if not _PLAIN.fullmatch(text):
                raise ValueError(cell)
        return float(text)

    def is_number(self, cell: str) -> bool:
        """Whether a cell holds a number, or is blank."""
        try:
            self.number(cell)
        except ValueError:
            return False
        return True


def number_style(cells: Iterable[str], delimiter: str) -> NumberStyle:
    """Tell decimal commas from thousands commas by the cells of a table.

    A comma is the decimal mark when the cell before it is not a group of three digits, when it comes
    last of both marks, or when the table is not separated by commas and nothing speaks against it.
    """
    votes = {",": 0, ".": 0}
    is_grouped = {",": False, ".": False}
    for cell in cells:
        text = cell.strip().lstrip("+-")
        marks = [mark for mark in text if mark in ",."]
        if not marks or not re.fullmatch(r"[\d.,'\s]+([eE][+-]?\d+)?", text):
            continue
        last = marks[-1]
        if len(set(marks)) == 2:
            votes[last] += 10
            is_grouped[marks[0]] = True
        elif len(marks) > 1:
            is_grouped[last] = True
            votes["." if last == "," else ","] += 1
        elif not _GROUPED[last].fullmatch(text) or text.startswith("0"):
            votes[last] += 5
        else:
            votes[last] += 1 if last == "." or delimiter != "," else -1
    decimal = "," if votes[","] > votes["."] else "."
    other = "." if decimal == "," else ","
    return NumberStyle(decimal, other if is_grouped[other] or votes[other] != 0 else "")


_CLOCK: Final = (
    r"(?P<h>\d{1,3}):(?P<m>\d{1,2})(?::(?P<s>\d{1,2})(?:[.,:](?P<f>\d{1,9})(?::(?P<us>\d{1,3})(?:[.,](?P<part>\d{1,3}))?)?)?)?"
    r"(?:\s*+(?P<half>[AaPp]\.?[Mm]\.?))?"
)
_DATE: Final = r"(?P<date>\d{1,4}[-./]\d{1,2}[-./]\d{1,4}|\d{1,2}[- ][A-Za-z]{3,9}[- ]\d{2,4}|\d{8})"
_ZONE: Final = r"(?P<zone>Z|UTC|GMT|[+-]\d{2}:?\d{2})?"
# Nothing blank can be taken in two ways: sixty blanks before a stray letter must not take a minute.
_MOMENT: Final = re.compile(rf"\s*+(?:{_DATE})?(?:[T ,;|\0_]\s*+)*+(?:{_CLOCK})?\s*+{_ZONE}\s*+")
_FILE_NAME: Final = re.compile(
    r"\s*(\d{4})([-_.])(\d\d)\2(\d\d)[T _]+(\d\d)([-_.])(\d\d)\6(\d\d)(?:[.,_](\d{1,9}))?"
    r"\s*(Z|UTC|GMT|[+-]\d{2}:?\d{2})?\s*"
)
"""Year first and two digits each, as in names of files: 2024_05_01 10_00_00 can be one moment only."""
_MONTHS: Final = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")


@dataclass(frozen=True, slots=True)
class Moment:
    """What a cell says about the time.

    Parameters
    ----------
    day_ns : int or None
        Midnight of the date, since 1970 UTC; None without a date. [ns]
    clock_ns : int or None
        Since midnight; None without a clock time. [ns]
    """

    day_ns: int | None
    clock_ns: int | None


def moment(cell: str, *, is_day_first: bool = False, fraction_digits: int = 0) -> Moment | None:
    """Date, clock time or both in a cell; None where it holds neither.

    Microseconds may follow milliseconds, as in 17:18:39.303:400; fractions that lost their leading zeros have
    ``fraction_digits``.
    Times without a zone are taken as they stand; with one they are turned into UTC.
    """
    if found := _FILE_NAME.fullmatch(cell):
        cell = found.expand(r"\1-\3-\4 \5:\7:\8") + (f".{found[9]}" if found[9] else "") + (found[10] or "")
    match = _MOMENT.fullmatch(cell)
    if match is None or (match["date"] is None and match["h"] is None):
        return None
    day = _day(match["date"], is_day_first) if match["date"] else None
    if match["date"] and day is None:
        return None
    clock_ns = _clock_ns(match, fraction_digits) if match["h"] is not None else None
    if clock_ns is not None and (zone := match["zone"]) and zone[0] in "+-":
        minutes = int(zone[1:3]) * 60 + int(zone[-2:])
        clock_ns -= (-minutes if zone[0] == "-" else minutes) * 60 * NS_PER_S
    return Moment(None if day is None else day * DAY_NS, clock_ns)


def dates_are_day_first(cells: Iterable[str]) -> bool | None:
    """Whether dates such as 03/04/2025 put the day first; None where the cells do not tell."""
    for cell in cells:
        match = _MOMENT.fullmatch(cell)
        if match is None or not match["date"]:
            continue
        parts = re.split(r"[-./ ]", match["date"])
        if len(parts) != 3 or len(parts[0]) == 4 or not parts[1].isdecimal():
            return True
        if "." in match["date"] or int(parts[0]) > 12:
            return True
        if int(parts[1]) > 12:
            return False
    return None


def _clock_ns(match: re.Match[str], fraction_digits: int) -> int:
    hours = int(match["h"])
    if match["half"]:
        hours = hours % 12 + (12 if match["half"][0] in "pP" else 0)
    seconds = hours * 3600 + int(match["m"]) * 60 + int(match["s"] or 0)
    finer_ns = int(match["us"] or 0) * 1000 + int((match["part"] or "0").ljust(3, "0"))
    return seconds * NS_PER_S + int((match["f"] or "0").rjust(fraction_digits, "0").ljust(9, "0")) + finer_ns


def _day(text: str, is_day_first: bool) -> int | None:
    """Days since 1970-01-01; None for a date that does not exist."""
    try:
        if text.isdecimal():
            found = date(int(text[:4]), int(text[4:6]), int(text[6:]))
        else:
            found = _date_of(re.split(r"[-./ ]", text), is_day_first or "." in text)
    except ValueError:
        return None
    return (datetime(found.year, found.month, found.day, tzinfo=UTC) - datetime(1970, 1, 1, tzinfo=UTC)).days


def _date_of(parts: list[str], is_day_first: bool) -> date:
    first, second, third = parts
    if second.isalpha():
        return date(_year(third), _MONTHS.index(second[:3].lower()) + 1, int(first))
    if len(first) == 4:
        return date(int(first), int(second), int(third))
    is_day_first = is_day_first or int(first) > 12
    day, month = (int(first), int(second)) if is_day_first else (int(second), int(first))
    return date(_year(third), month, day)


def _year(text: str) -> int:
    return int(text) + (2000 if len(text) == 2 else 0)

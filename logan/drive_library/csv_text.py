"""CSV that a spreadsheet opens without running anything in it."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from typing import Final

_FORMULA_STARTS: Final = ("=", "+", "-", "@", "\t", "\r", "\n")


def safe_cell(value: object) -> str:
    """A cell: numbers as they are; text that a spreadsheet would run as a formula gets a leading quote mark.

    References
    ----------
    .. [1] OWASP, CSV injection.
    """
    if value is None or (isinstance(value, float) and value != value):
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float):
        return repr(value)
    text = str(value)
    return f"'{text}" if text.startswith(_FORMULA_STARTS) else text


def csv_text(headings: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    """A table as CSV (RFC 4180), every text cell made safe."""
    stream = io.StringIO()
    writer = csv.writer(stream)
    writer.writerow([safe_cell(heading) for heading in headings])
    writer.writerows([safe_cell(value) for value in row] for row in rows)
    return stream.getvalue()

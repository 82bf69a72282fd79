"""What the names above the columns of a text of frames say."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Final

from logan.logs.frame_text_layout import STRIPPED
from logan.logs.table_layout import split_header

_NAMES: Final = (
    ("bytes", re.compile(r"^(data|byte|b|d)[ _]?\d{1,2}$", re.I)),
    (
        "time",
        re.compile(
            r"^(log|abs(olute)?|rel(ative)?|sample|sys(tem)?|rx)?[ _.]*"
            r"(time|timestamp|time[ _]stamp|t|zeit|zeitstempel|date|clock)([ _.]*(scale|stamp|offset|abs|rel))?$",
            re.I,
        ),
    ),
    ("delta", re.compile(r"^.*(delta|diff|interval|period|cycle).*$", re.I)),
    (
        "id",
        re.compile(
            r"^((arbitration|can|msg|message|frame|pgn)?[ _-]?(id|identifier)|arb(itration)?|can[ _]?addr(ess)?)$", re.I
        ),
    ),
    ("data", re.compile(r"^((frame|msg|raw|can)?[ _]?(data|payload|bytes)([ _]?(bytes?|field|frame))?)$", re.I)),
    ("length", re.compile(r"^((data[ _]?)?(len|length|dlc|size)|bytecount|byte[ _]count|dl|n)$", re.I)),
    ("bus", re.compile(r"^(bus|channel|ch|chn|interface|can|port|source)([ _.]?(no|number|id|name))?\.?$", re.I)),
    ("extended", re.compile(r"^(is[ _]?)?(ext(ended)?|ide|xtd)([ _]?(id|frame))?$", re.I)),
    ("remote", re.compile(r"^(is[ _]?)?(rtr|remote)([ _]?frame)?$", re.I)),
    ("error", re.compile(r"^(is[ _]?)?err(or)?([ _]?frame)?$", re.I)),
    ("fd", re.compile(r"^(is[ _]?)?(can[ _]?)?(fd|edl)$", re.I)),
    ("other", re.compile(r"^(no|nr|count(er)?|index|#|seq|dir(ection)?|note|comment|ascii|name)\.?$", re.I)),
)
_BASE_WORD: Final = re.compile(r"[\[( _](hex|dec)(imal)?[\])]?$", re.I)
_UNIT_WORDS: Final = {
    **dict.fromkeys(("s", "sec", "secs", "second", "seconds"), "s"),
    **dict.fromkeys(("ms", "msec", "millis", "milliseconds"), "ms"),
    **dict.fromkeys(("us", "µs", "μs", "usec", "microseconds", "micros"), "us"),
    **dict.fromkeys(("ns", "nsec", "nanoseconds"), "ns"),
}


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
    return role, (_UNIT_WORDS.get(unit.lower(), "") if role == "time" else kind)

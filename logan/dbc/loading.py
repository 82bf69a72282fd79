"""Load a DBC, or say precisely why not."""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from logan.dbc import plan_cache
from logan.dbc.garbage import collector_paused
from logan.errors import DbcError
from logan.frames.signal_layout import MessageLayout

MAX_DBC_BYTES: Final = 64 * 1024 * 1024
"""A DBC larger than this is refused. [bytes]"""

MAX_SELECTOR_RANGE: Final = 65_536
"""A range of selector values wider than this is refused: it would be held value by value."""

_MAX_REPAIRS: Final = 32
_LINE: Final = re.compile(r"at line (\d+)")
_IN_MESSAGE: Final = re.compile(r"in message (\w+)")
_TOO_LARGE: Final = re.compile(r"frame id 0x[0-9a-f]+ is more than")
_MESSAGE: Final = re.compile(r"^BO_\s+(\d+)\s+(\w+)\s*:.*\n(?:[ \t]*SG_\s.*\n?)*", re.MULTILINE)
_STATEMENT: Final = re.compile(r"\s*(?:BO_|SG_|CM_|BA_|BA_DEF_|VAL_|VAL_TABLE_|EV_|SIG_|BU_|BS_|NS_|VERSION)\w*\b")
_NO_MESSAGE: Final = 0xC000_0000
"""Number that tools give to signals which belong to no message."""
_UNUSED: Final = re.compile(r"unused (SIG_VALTYPE_|VAL_) entries")
_SELECTOR_RANGE: Final = re.compile(r"^\s*SG_MUL_VAL_\s[^;]*", re.MULTILINE)
_RANGE: Final = re.compile(r"\b(\d+)\s*-\s*(\d+)\b")


@dataclass(frozen=True, slots=True, kw_only=True)
class Dbc:
    """What a DBC says, as far as it can be used.

    Parameters
    ----------
    path : Path
        The file.
    sha256 : str
        Of its content.
    size_bytes : int
        Its size. [bytes]
    messages : tuple of MessageLayout
        In the order of the file.
    faults : tuple of str
        What is wrong with it, one line each; every fault costs only the message or signal it names.
    """

    path: Path
    sha256: str
    size_bytes: int
    messages: tuple[MessageLayout, ...]
    faults: tuple[str, ...] = ()


def load_dbc(path: Path, *, cache_folder: Path | None = None) -> Dbc:
    """Load a DBC and keep the compiled plan, so that the next time is quick.

    Parameters
    ----------
    path : Path
        DBC file, UTF-8 or Windows-1252.
    cache_folder : Path, optional
        Where compiled plans are kept; the user's cache folder by default.

    Raises
    ------
    DbcError
        If there is no such file, or nothing in it can be used; with the line where it is known.
    """
    content = _content(path)
    sha256 = hashlib.sha256(content).hexdigest()
    with collector_paused():
        plan = plan_cache.load(sha256, cache_folder)
    if plan is None:
        plan = compile_dbc(content, path)
        plan_cache.store(sha256, plan, cache_folder)
    messages, faults = plan
    return Dbc(path=path, sha256=sha256, size_bytes=len(content), messages=messages, faults=faults)


def compile_dbc(content: bytes, path: Path) -> plan_cache.Plan:
    """Turn the bytes of a DBC into message layouts and faults, without any cache.

    Raises
    ------
    DbcError
        If nothing in it can be used.
    """
    text = _decoded(content)
    if "BO_" not in text:
        raise DbcError("this is no DBC: it defines no message (BO_)", "Give the DBC that belongs to the log", path)
    _refuse_wide_ranges(text, path)
    from logan.dbc.layouts import message_layouts

    with collector_paused():
        database, faults = _parse(text, path)
        messages, more = message_layouts(database)
    if not any(message.signals for message in messages):
        detail = f" ({'; '.join((*faults, *more)[:3])})" if faults or more else ""
        raise DbcError(f"the DBC defines no signal that can be decoded{detail}", "Give a DBC with signals (SG_)", path)
    return messages, (*faults, *more)


def _content(path: Path) -> bytes:
    if not path.exists():
        raise DbcError("there is no such DBC", "Check the path", path)
    if not path.is_file():
        raise DbcError("this is not a file", "Give the path of a DBC file", path)
    if path.stat().st_size > MAX_DBC_BYTES:
        raise DbcError("this is too large to be a DBC", "Give the DBC, not the log", path)
    try:
        return path.read_bytes()
    except OSError as error:
        raise DbcError(f"the DBC cannot be opened ({error.strerror})", "Check its permissions", path) from error


def _decoded(content: bytes) -> str:
    """DBCs are Windows-1252 by custom, but many are saved as UTF-8."""
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError:
        return content.decode("cp1252", errors="replace")


def _refuse_wide_ranges(text: str, path: Path) -> None:
    for entry in _SELECTOR_RANGE.finditer(text):
        for first, last in _RANGE.findall(entry[0]):
            if int(last) - int(first) > MAX_SELECTOR_RANGE:
                line = text.count("\n", 0, entry.start()) + 1
                raise DbcError(
                    f"a signal is multiplexed over {first}-{last}, more than {MAX_SELECTOR_RANGE} values",
                    "Narrow the range in SG_MUL_VAL_",
                    path,
                    line,
                )


def _parse(text: str, path: Path) -> tuple[Any, tuple[str, ...]]:
    """Parse strictly; where that is refused, leniently, leaving out what the refusal names."""
    from cantools.database import load_string
    from cantools.database.errors import UnsupportedDatabaseFormatError

    faults: list[str] = []
    is_strict = True
    for _ in range(_MAX_REPAIRS):
        try:
            return load_string(text, database_format="dbc", strict=is_strict), tuple(faults)
        except UnsupportedDatabaseFormatError as error:
            problem = _problem(error)
            found = _LINE.search(problem)
            line = int(found[1]) if found else None
            if line is not None:
                repaired = _without_statement(text, line)
            else:
                repaired = text if is_strict else _without(text, problem)
            if repaired == text and (line is not None or not is_strict):
                raise DbcError(f"the DBC cannot be read: {problem}", _CURE, path, line) from error
            faults += [one for one in (problem, *_too_large(text, repaired)) if one not in faults]
            text, is_strict = repaired, is_strict and line is not None
        except (ValueError, LookupError, TypeError, AttributeError, AssertionError, RecursionError) as error:
            # The parser lets some faults of a DBC through as bare built-in errors.
            detail = f"{type(error).__name__}: {error}".splitlines()[0]
            raise DbcError(f"the DBC cannot be read ({detail})", _CURE, path) from error
    raise DbcError(f"the DBC has too many faults: {'; '.join(faults[:3])}; ...", _CURE, path)


_CURE: Final = "Correct that place in a text editor, or export the DBC again"


def _too_large(text: str, repaired: str) -> list[str]:
    """Messages that were left out because their number is no identifier, one line each."""
    if text == repaired:
        return []
    return [
        f"frame id 0x{int(found[1]):x} is no identifier in message {found[2]}"
        for found in _MESSAGE.finditer(text)
        if not _is_identifier(int(found[1])) and found[0] not in repaired
    ]


def _is_identifier(number: int) -> bool:
    """Whether a BO_ number is a standard identifier, an extended one, or that of signals without a message."""
    return number <= 0x7FF or 0x8000_0000 <= number <= 0x9FFF_FFFF or number == _NO_MESSAGE


def _problem(error: Exception) -> str:
    text = " ".join(str(error).split())
    return text.removeprefix("DBC: ").strip('"').rstrip(".")


def _without_statement(text: str, number: int) -> str:
    """The DBC with the statement at a line left blank: a signal, a message with its signals, or up to a semicolon."""
    lines = text.split("\n")
    first = last = number - 1
    if not 0 <= first < len(lines):
        return text
    if lines[first].lstrip().startswith("BO_ "):
        while last + 1 < len(lines) and lines[last + 1].lstrip().startswith("SG_ "):
            last += 1
    elif not lines[first].lstrip().startswith("SG_ "):
        while first > 0 and not _STATEMENT.match(lines[first]):
            first -= 1
        while last + 1 < len(lines) and ";" not in lines[last] and not _STATEMENT.match(lines[last + 1]):
            last += 1
    return "\n".join((*lines[:first], *([""] * (last + 1 - first)), *lines[last + 1 :]))


def _without(text: str, problem: str) -> str:
    """The DBC without the messages, or the entries, that the refusal names."""
    if _TOO_LARGE.search(problem):
        return _MESSAGE.sub(lambda found: found[0] if _is_identifier(int(found[1])) else "", text)
    if message := _IN_MESSAGE.search(problem):
        name = re.escape(message[1])
        return re.sub(rf"^BO_\s+\d+\s+{name}\s*:.*\n(?:[ \t]*SG_\s.*\n?)*", "", text, flags=re.MULTILINE)
    if unused := _UNUSED.search(problem):
        for number, signal in re.findall(rf"{unused[1]}\s+(\d+)\s+(\w+)", problem):
            text = re.sub(rf"^\s*{unused[1]}\s+{number}\s+{signal}\b[^;]*;", "", text, flags=re.MULTILINE)
    return text

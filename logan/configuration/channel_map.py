"""Read and write ``channels.toml``: which signal is which channel.

One table a channel, all keys but ``signal`` optional::

    [channels.pack_current]
    signal = "battery/PackStatus.Current"
    unit = "A"
    sign = -1
"""

from __future__ import annotations

import math
import os
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from logan.channels.units import is_unit_of, unit_examples
from logan.channels.vocabulary import channel_kind, channel_names
from logan.configuration.problems import load, refusal
from logan.errors import ConfigurationError
from logan.settings import ChannelMap, ChannelSource

if TYPE_CHECKING:
    from tomlkit import TOMLDocument

MOST_CHANNELS: Final = 500
_LONGEST_TEXT: Final = 300
_DEFAULTS: Final = ChannelSource(channel="", signal="")
# Key of the file -> field of ChannelSource, in the order in which they are written.
_KEYS: Final = {
    "signal": "signal",
    "unit": "unit",
    "sign": "sign",
    "scale": "scale",
    "offset": "offset",
    "not_available": "not_available",
    "signed": "signed",
    "byte_order": "byte_order",
    "delay_s": "delay_s",
    "averaged": "is_averaged",
}
_HEADING: Final = (
    "Which signal is which channel. Your comments here are kept.",
    "sign = -1 turns a sign round; pack current and power count positive on discharge.",
)


def read_channel_map(path: Path) -> ChannelMap:
    """Read a channel map; every problem in one message.

    Parameters
    ----------
    path : Path
        ``channels.toml``.

    Raises
    ------
    ConfigurationError
        If the file cannot be read or any entry is wrong.
    """
    content = load(path)
    problems = [
        f"{key}: unknown key{_nearest(key, ('channels',))}; a channel is a table [channels.NAME]"
        for key in content
        if key != "channels"
    ]
    tables = content.get("channels", {})
    if not isinstance(tables, dict):
        problems.append("channels: expected one table a channel, such as [channels.pack_current]")
        tables = {}
    if len(tables) > MOST_CHANNELS:
        problems.append(f"channels: {len(tables)} channels; at most {MOST_CHANNELS} are read")
        tables = {}
    sources = [_source(name, table, problems) for name, table in tables.items()]
    if problems:
        raise refusal(path, tuple(problems))
    return ChannelMap(tuple(source for source in sources if source is not None))


def write_channel_map(path: Path, channel_map: ChannelMap, *, remarks: Mapping[str, str] | None = None) -> None:
    """Write a channel map; comments and order of an existing file are kept.

    Parameters
    ----------
    path : Path
        ``channels.toml``; it is replaced whole or not at all.
    channel_map : ChannelMap
        What the file shall say; a channel that is not in it is taken out.
    remarks : mapping of str to str, optional
        A comment for a channel that is new in the file, such as why it was suggested.

    Raises
    ------
    ConfigurationError
        If the existing file is not valid TOML, or the new one cannot be written.
    """
    document = _existing(path)
    _update(document, channel_map, remarks or {})
    import tomlkit

    text = tomlkit.dumps(document)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, temporary = tempfile.mkstemp(dir=path.parent, prefix=".channels-", suffix=".toml")
        with os.fdopen(handle, "w", encoding="utf-8") as stream:
            stream.write(text)
            stream.flush()
            os.fsync(stream.fileno())
        Path(temporary).replace(path)
    except OSError as error:
        raise ConfigurationError(f"cannot be written: {error.strerror}", "Check the folder", path) from None


def _existing(path: Path) -> TOMLDocument:
    import tomlkit
    from tomlkit.exceptions import TOMLKitError

    if path.exists():
        load(path)  # the errors of a settings file, with path and remedy
        try:
            return tomlkit.parse(path.read_text(encoding="utf-8-sig"))
        except TOMLKitError as error:
            raise ConfigurationError(f"not valid TOML: {error}", "Correct the line", path) from None
    document = tomlkit.document()
    for line in _HEADING:
        document.add(tomlkit.comment(line))
    return document


def _update(document: TOMLDocument, channel_map: ChannelMap, remarks: Mapping[str, str]) -> None:
    import tomlkit

    tables = document.get("channels")
    if tables is None:
        tables = tomlkit.table(is_super_table=True)
        document["channels"] = tables
    wanted = {source.channel: source for source in channel_map.sources}
    for name in [name for name in tables if name not in wanted]:
        del tables[name]
    for name, source in wanted.items():
        is_new = name not in tables
        table = tomlkit.table() if is_new else tables[name]
        if is_new and name in remarks:
            table.add(tomlkit.comment(_one_line(remarks[name])))
        for key, field in _KEYS.items():
            value = getattr(source, field)
            if key == "signal" or value != getattr(_DEFAULTS, field):
                _set(table, key, list(value) if isinstance(value, tuple) else value)
            elif key in table:
                del table[key]
        if is_new:
            table.add(tomlkit.nl())
            tables[name] = table


def _set(table: Any, key: str, value: object) -> None:
    """Set a key unless it says the same already, so that its comment and way of writing stay."""
    if key in table:
        if table[key] != value:
            table[key] = value
        return
    # Blank lines and comments at the end of a table belong to what follows it.
    body = table.value.body
    count = len(body) if any(name is not None for name, _ in body) else 0
    while count and body[count - 1][0] is None:
        count -= 1
    trailing = body[count:] if count else []
    del body[count or len(body) :]
    table[key] = value
    body.extend(trailing)


def _one_line(text: str) -> str:
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())[:_LONGEST_TEXT]


def _source(name: str, table: object, problems: list[str]) -> ChannelSource | None:
    """Check one table; add every problem in it."""
    where = f"channels.{name}"
    kind = channel_kind(name)
    before = len(problems)
    if kind is None:
        problems.append(f"{where}: unknown channel{_nearest(name, channel_names())}")
    if not isinstance(table, dict):
        problems.append(f'{where}: expected a table with signal = "..."')
        return None
    problems += [f"{where}.{key}: unknown key{_nearest(key, tuple(_KEYS))}" for key in table if key not in _KEYS]
    if "signal" not in table:
        problems.append(f"{where}.signal: missing; write the signal's name as 'logan channels' lists it")
    values = {_KEYS[key]: _checked(f"{where}.{key}", key, table[key], problems) for key in table if key in _KEYS}
    unit = values.get("unit")
    if kind is not None and isinstance(unit, str) and unit and not is_unit_of(unit, kind):
        examples = ", ".join(unit_examples(kind))
        problems.append(f"{where}.unit: '{unit}' is no known unit of {kind.meaning}; use for example {examples}")
    return None if len(problems) > before else ChannelSource(channel=name, **values)


def _checked(where: str, key: str, value: object, problems: list[str]) -> Any:
    """A value in the type of its field, or None with the problem added."""
    match key:
        case "signal" | "unit":
            if isinstance(value, str) and len(value) <= _LONGEST_TEXT and (value or key == "unit"):
                return value
            allowed = f"a text of at most {_LONGEST_TEXT} characters"
        case "sign":
            if value in (1, -1) and not isinstance(value, bool):
                return value
            allowed = "1 or -1"
        case "signed" | "averaged":
            if isinstance(value, bool):
                return value
            allowed = "true or false"
        case "byte_order":
            if value in ("little_endian", "big_endian"):
                return value
            allowed = '"little_endian" or "big_endian"'
        case "not_available":
            numbers = [_number(item) for item in (value if isinstance(value, list) else [value])]
            if len(numbers) <= 100 and None not in numbers:
                return tuple(numbers)
            allowed = "a list of at most 100 numbers"
        case "delay_s":
            number = _number(value)
            if number is not None and abs(number) <= 3600.0:
                return number
            allowed = "-3600 to 3600 s"
        case _:
            number = _number(value)
            if number is not None and not (key == "scale" and number == 0.0):
                return number
            allowed = "a number other than 0" if key == "scale" else "a number"
    problems.append(f"{where}: expected {allowed}, got {str(value)[:60]!r}")
    return None


def _number(value: object) -> float | None:
    """A finite number, or None."""
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        return None
    return float(value)


def _nearest(word: str, known: tuple[str, ...]) -> str:
    from logan.configuration.schema import nearest

    return nearest(word, known)

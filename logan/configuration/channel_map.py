"""``channels.toml`` read, and what a changed one shall say: which signal is which channel.

One table a channel, all keys but ``signal`` optional::

    [channels.pack_current]
    signal = "battery/PackStatus.Current"
    unit = "A"
    sign = -1
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from logan.channels.vocabulary import channel_kind, channel_names, is_unit_of, unit_examples
from logan.configuration.declared import YES_NO, Key, Parsed, Table, nearest, number, one_of, read_table, text
from logan.configuration.problems import load, refusal
from logan.errors import ConfigurationError
from logan.settings import ChannelMap, ChannelSource

if TYPE_CHECKING:
    from tomlkit import TOMLDocument

MOST_CHANNELS: Final = 500
_LONGEST_TEXT: Final = 300
_DEFAULTS: Final = ChannelSource(channel="", signal="")


def _sign(raw: object) -> int:
    if raw not in (1, -1) or isinstance(raw, bool):
        raise ValueError(f"expected 1 or -1, got {str(raw)[:60]!r}")
    return 1 if raw == 1 else -1


def _codes(raw: object) -> tuple[float, ...]:
    items = raw if isinstance(raw, list) else [raw]
    if len(items) > 100:
        raise ValueError("expected a list of at most 100 numbers")
    return tuple(float(number().read(item)) for item in items)


def _scale(raw: object) -> float:
    if number().read(raw) == 0:
        raise ValueError(f"expected a number other than 0, got {raw!r}")
    return float(number().read(raw))


_CHANNEL: Final = Table(
    (
        Key("signal", text(_LONGEST_TEXT, 1)),
        Key("unit", text(_LONGEST_TEXT)),
        Key("sign", Parsed(_sign)),
        Key("scale", Parsed(_scale)),
        Key("offset", number()),
        Key("not_available", Parsed(_codes)),
        Key("signed", YES_NO),
        Key("byte_order", one_of("little_endian", "big_endian", is_needed=True)),
        Key("delay_s", number(-3600.0, 3600.0, wanted="-3600 to 3600 s")),
        Key("averaged", YES_NO, field="is_averaged"),
    )
)
"""In the order in which they are written."""
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
        f"{key}: unknown key{nearest(key, ('channels',))}; a channel is a table [channels.NAME]"
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


def channel_map_text(path: Path, channel_map: ChannelMap, remarks: Mapping[str, str]) -> str:
    """What a file that is there, or a new one, shall say: comments and order of an existing file are kept.

    Parameters
    ----------
    path : Path
        ``channels.toml``.
    channel_map : ChannelMap
        What the file shall say; a channel that is not in it is taken out.
    remarks : mapping of str to str
        A comment for a channel that is new in the file, such as why it was suggested.

    Raises
    ------
    ConfigurationError
        If the existing file is not valid TOML.
    """
    document = _existing(path)
    _update(document, channel_map, remarks)
    return str(document.as_string())


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
        for declared in _CHANNEL.keys:
            key, field = declared.name, declared.field or declared.name
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


def _source(name: str, raw: object, problems: list[str]) -> ChannelSource | None:
    """Check one table; add every problem in it."""
    where = f"channels.{name}"
    kind = channel_kind(name)
    before = len(problems)
    if kind is None:
        problems.append(f"{where}: unknown channel{nearest(name, channel_names())}")
    if not isinstance(raw, dict):
        problems.append(f'{where}: expected a table with signal = "..."')
        return None
    given = read_table(raw, _CHANNEL, where, problems)
    if "signal" not in raw:
        problems.append(f"{where}.signal: missing; write the signal's name as 'logan channels' lists it")
    unit = given["unit"]
    if kind is not None and unit and not is_unit_of(unit, kind):
        examples = ", ".join(unit_examples(kind))
        problems.append(f"{where}.unit: '{unit}' is no known unit of {kind.meaning}; use for example {examples}")
    return None if len(problems) > before else ChannelSource(channel=name, **given.typed(ChannelSource))

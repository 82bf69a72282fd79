"""Find, list, accept and edit channels: from a log or DBC to ``channels.toml``."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import fields, replace
from difflib import get_close_matches
from pathlib import Path
from typing import Any, Final

import numpy as np

from logan.channels.matching import Candidate as Candidate, Suggestion as Suggestion, suggest
from logan.channels.vocabulary import CHANNEL_KINDS, ChannelKind, channel_kind, channel_names, is_switch, is_unit_of
from logan.configuration.channel_map import channel_map_text, read_channel_map
from logan.dbc.loading import load_dbc
from logan.drive_library.durable import set_aside
from logan.errors import ChannelError, ConfigurationError, UsageError, in_our_words
from logan.frames.decode import column_of
from logan.frames.table import SignalTable
from logan.pipeline.builds import BuildFolder
from logan.pipeline.logs_reader import PLAINLY, Reading
from logan.pipeline.look import LogSummary, look
from logan.results import result
from logan.settings import ChannelMap, ChannelSource

_EDITABLE: Final = {field.name: field for field in fields(ChannelSource) if field.name != "channel"}
_KEYS: Final = {"averaged": "is_averaged"}


@result("found-channels/1")
class FoundChannels:
    """What could be which channel, and every signal that there is.

    Parameters
    ----------
    suggestions : tuple of Suggestion
        In the order of the catalogue.
    units : mapping of str to str
        Unit that each signal declares, by its key.
    """

    suggestions: tuple[Suggestion, ...]
    units: Mapping[str, str]

    @classmethod
    def of(cls, summary: LogSummary) -> FoundChannels:
        """Those of a log that was looked at."""
        return cls(suggestions=summary.suggestions, units={each.signal: each.unit for each in summary.signals})


def write_channel_map(path: Path, channel_map: ChannelMap, *, remarks: Mapping[str, str] | None = None) -> None:
    """Write a channel map, whole or not at all; arguments as in ``channel_map_text``.

    Raises
    ------
    ConfigurationError
        If the existing file is not valid TOML, or the new one would be wrong or cannot be written.
    """
    text = channel_map_text(path, channel_map, remarks or {})
    refused = in_our_words(ConfigurationError, "cannot be written: {}", "Check the folder", path)
    with refused, set_aside(path) as draft:
        draft.parent.mkdir(parents=True, exist_ok=True)
        draft.write_bytes(text.encode())
        try:
            read_channel_map(draft)  # here, where nobody else reads it yet
        except ConfigurationError as error:
            raise ConfigurationError(error.problem, error.remedy, path, problems=error.problems) from None


@result("accepted-channels/1")
class AcceptedChannels:
    """What became of suggestions.

    Parameters
    ----------
    written : tuple of ChannelSource
        New in the map.
    kept : tuple of str
        Channels that the map had already, left as they are.
    replaced : tuple of (str, str)
        Channel, and the signal that it had before it was chosen anew.
    open_ties : tuple of Suggestion
        Those whose best signals cannot be told apart.
    unsure : tuple of Suggestion
        Those that must be asked; the first candidate says why.
    without_unit : tuple of Suggestion
        Those whose unit nothing tells.
    """

    written: tuple[ChannelSource, ...]
    kept: tuple[str, ...] = ()
    replaced: tuple[tuple[str, str], ...] = ()
    open_ties: tuple[Suggestion, ...] = ()
    unsure: tuple[Suggestion, ...] = ()
    without_unit: tuple[Suggestion, ...] = ()


def catalogue() -> tuple[ChannelKind, ...]:
    """Every kind of channel that there is."""
    return CHANNEL_KINDS


def suggest_channels(paths: Sequence[Path], reading: Reading = PLAINLY) -> FoundChannels:
    """Suggest channels for logs, or for DBCs alone.

    Parameters
    ----------
    paths : sequence of Path
        Logs, or files that end in ``.dbc`` and have no data.
    reading : Reading
        How logs are read.

    Raises
    ------
    UsageError
        If logs and DBCs are mixed.
    LoganError
        If one of them cannot be read.
    """
    are_dbcs = [path.suffix.lower() == ".dbc" for path in paths]
    if all(are_dbcs):
        table = signals_of_dbcs(paths)
        return FoundChannels(suggestions=suggest(table), units={column.key: column.unit for column in table})
    if any(are_dbcs):
        raise UsageError("logs and DBCs are given together", "Give the log, and its DBC with --dbc FILE")
    return FoundChannels.of(look(paths, reading))


def signals_of_dbcs(paths: Sequence[Path]) -> SignalTable:
    """Signals that DBCs declare, without data.

    Raises
    ------
    DbcError
        If one of them cannot be used.
    """
    no_time, no_value = np.empty(0, dtype=np.int64), np.empty(0)
    columns = [
        column_of(signal, message.name, "", no_time, no_value)
        for path in paths
        for message in load_dbc(path).messages
        for signal in message.signals
    ]
    return SignalTable(columns=tuple(columns), log_format="dbc")


def mapped_channels(folder: BuildFolder) -> ChannelMap:
    """The build's channel map; an empty one where there is no file yet.

    Raises
    ------
    ConfigurationError
        With every problem of the file.
    """
    return read_channel_map(folder.channels_file) if folder.channels_file.exists() else ChannelMap()


def accept_channels(
    folder: BuildFolder, found: FoundChannels, *, chosen: Mapping[str, str] | None = None
) -> AcceptedChannels:
    """Write suggestions into the build's ``channels.toml``.

    What the map has already stays as it is, unless it is named in ``chosen``.

    Parameters
    ----------
    folder : BuildFolder
        The build.
    found : FoundChannels
        In a log or DBC.
    chosen : mapping of str to str, optional
        Channel to signal; an empty signal takes the best candidate. Without it everything that
        is sure is accepted.

    Raises
    ------
    ChannelError
        If there is no such channel, or no such signal.
    """
    current = mapped_channels(folder)
    by_channel = {source.channel: source for source in current.sources}
    if chosen is not None:
        picked = {channel: _pick(channel, signal, found) for channel, signal in chosen.items()}
        outcome = AcceptedChannels(
            written=tuple(_source(*pair) for pair in picked.items()),
            replaced=tuple(
                (channel, by_channel[channel].signal)
                for channel, candidate in picked.items()
                if channel in by_channel and by_channel[channel].signal != candidate.signal
            ),
        )
    else:
        picked, outcome = _sort_out(found.suggestions, by_channel)
    by_channel.update({source.channel: source for source in outcome.written})
    remarks = {channel: "suggested: " + "; ".join(candidate.evidence) for channel, candidate in picked.items()}
    if outcome.written:
        write_channel_map(folder.channels_file, ChannelMap(tuple(by_channel.values())), remarks=remarks)
    return outcome


def edit_channels(
    folder: BuildFolder, *, changes: Mapping[str, str] | None = None, removed: Sequence[str] = ()
) -> ChannelMap:
    """Change or take out channels of the build's map.

    Parameters
    ----------
    folder : BuildFolder
        The build.
    changes : mapping of str to str, optional
        ``channel.key`` to its value as it would stand in the file, such as ``pack_current.sign`` to ``-1``.
    removed : sequence of str
        Channels to take out.

    Raises
    ------
    UsageError
        If a channel or key is unknown.
    ConfigurationError
        If the map as it would be is wrong; the file then stays as it is.
    """
    before = mapped_channels(folder)
    sources = {source.channel: source for source in before.sources}
    for channel in removed:
        if channel not in sources:
            raise UsageError(f"the map has no channel '{channel}'", _nearest(channel, tuple(sources)))
        del sources[channel]
    for address, text in (changes or {}).items():
        channel, _, key = address.rpartition(".")
        if channel_kind(channel) is None:
            raise UsageError(f"'{channel or address}' is no channel", _nearest(channel or address, channel_names()))
        name = _KEYS.get(key, key)
        if name not in _EDITABLE:
            raise UsageError(f"a channel has no key '{key}'", _nearest(key, (*_EDITABLE, *_KEYS)))
        source = sources.get(channel, ChannelSource(channel=channel, signal=""))
        changed: Any = {name: _value(text, name)}
        sources[channel] = replace(source, **changed)
    after = ChannelMap(tuple(sources.values()))
    write_channel_map(folder.channels_file, after)
    return after


def _pick(channel: str, signal: str, found: FoundChannels) -> Candidate:
    kind = channel_kind(channel)
    if kind is None:
        raise ChannelError(f"'{channel}' is no channel", _nearest(channel, channel_names()))
    offered = [each for suggested in found.suggestions if suggested.channel == channel for each in suggested.candidates]
    if not signal:
        if not offered:
            raise ChannelError(f"no signal was found for {channel}", f"Name it: --accept {channel}=SIGNAL")
        return offered[0]
    keys = [key for key in found.units if key == signal] or [
        key for key in found.units if signal in (key.rpartition("/")[2], key.rpartition(".")[2])
    ]
    if len(keys) != 1:
        near = ", ".join(keys[:4] or get_close_matches(signal, list(found.units), n=3, cutoff=0.4))
        problem = f"'{signal}' is {len(keys)} signals" if keys else f"there is no signal '{signal}'"
        raise ChannelError(f"{channel}: {problem}", f"Write one in full{f', such as {near}' if near else ''}")
    unit = found.units[keys[0]]
    chosen = Candidate(
        signal=keys[0], score=0.0, evidence=("chosen by hand",), unit=unit if is_unit_of(unit, kind) else ""
    )
    return next((candidate for candidate in offered if candidate.signal == keys[0]), chosen)


def _sort_out(
    suggestions: Sequence[Suggestion], current: Mapping[str, ChannelSource]
) -> tuple[dict[str, Candidate], AcceptedChannels]:
    picked: dict[str, Candidate] = {}
    kept: list[str] = []
    ties: list[Suggestion] = []
    unsure: list[Suggestion] = []
    without_unit: list[Suggestion] = []
    for found in suggestions:
        best, kind = found.candidates[0], channel_kind(found.channel)
        has_unit = bool(best.unit) or kind is None or is_switch(kind)
        if found.channel in current:
            kept.append(found.channel)
        elif found.is_tie:
            ties.append(found)
        elif not has_unit and best.score >= 0.5:
            without_unit.append(found)
        elif not found.is_sure or not has_unit:
            unsure.append(found)
        else:
            picked[found.channel] = best
    outcome = AcceptedChannels(
        written=tuple(_source(channel, candidate) for channel, candidate in picked.items()),
        kept=tuple(kept),
        open_ties=tuple(ties),
        unsure=tuple(unsure),
        without_unit=tuple(without_unit),
    )
    return picked, outcome


def _source(channel: str, candidate: Candidate) -> ChannelSource:
    return ChannelSource(channel=channel, signal=candidate.signal, unit=candidate.unit, sign=candidate.sign)


def _value(text: str, field: str) -> object:
    """A value as TOML would read it; text without quotes is text."""
    if field in {"signal", "unit", "byte_order"}:
        return text
    try:
        value = tomllib.loads(f"value = {text}")["value"]
    except tomllib.TOMLDecodeError:
        raise UsageError(
            f"'{text}' is no value for {field}", "Write it as in channels.toml, such as -1 or true"
        ) from None
    if field == "not_available":
        return tuple(value) if isinstance(value, list) else (value,)
    return value


def _nearest(word: str, known: Sequence[str]) -> str:
    near = get_close_matches(word, known, n=1)
    return f"Did you mean '{near[0]}'?" if near else "'logan channels --catalog' lists them"

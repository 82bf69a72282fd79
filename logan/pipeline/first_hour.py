"""The first hour with a build: how far it has come, and a suggested channel map with a plot of each candidate."""

import tomllib
from collections.abc import Callable, Collection, Sized
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

import numpy as np

from logan.channels.matching import Suggestion, suggest
from logan.channels.vocabulary import channel_kind, channel_names
from logan.configuration.channel_map import read_channel_map
from logan.configuration.problems import template
from logan.errors import ConfigurationError, ConflictError, LoganError
from logan.frames.table import SignalColumn
from logan.pipeline.builds import BuildFolder, open_library, shown_units
from logan.pipeline.channels import write_channel_map
from logan.pipeline.dbc_files import named_dbcs
from logan.pipeline.ingest import read_logs
from logan.pipeline.logs_reader import PLAINLY, Reading
from logan.pipeline.refine import kept_answer
from logan.pipeline.settings_form import SAVING, version_of
from logan.results import result
from logan.settings import ChannelMap, ChannelSource

ESSENTIAL: Final = (
    "vehicle.mass", "vehicle.body_class", "vehicle.tire", "gearing.reductions", "motor.max_power", "motor.max_torque",
    "pack.cells_in_series", "pack.cells_in_parallel", "pack.cell_capacity", "pack.cell_nominal_voltage",
    "target.range", "target.scenario",
)  # fmt: skip
"""What a plan needs of a vehicle at the least: asked before anything is judged."""


def first_hour(folder: BuildFolder) -> dict[str, Any]:
    """How far a build has come, in numbers; ``is_untouched`` while its vehicle still is the template's example."""
    with open_library(folder.path, create=True) as library:
        records = [record for record in library.drives() if not record.damage]
    try:
        folder.settings()
        problems = 0
    except ConfigurationError as error:
        problems = len(error.problems) or 1
    return {
        "schema": "first-hour/1",
        "problems": problems,
        "is_untouched": _is_untouched(folder),
        "essential": ESSENTIAL,
        "dbcs": _count(lambda: named_dbcs(folder)[0]),
        "mapped": _count(lambda: folder.channel_map().sources),
        "drives": len(records),
        "red": sum(bool(record.summary.flag_counts.get("red")) for record in records),
        "taken": sum(not record.takes_no_part for record in records),
        "has_answer": _count(lambda: () if kept_answer(folder) is None else (1,)) > 0,
    }


def _is_untouched(folder: BuildFolder) -> bool:
    try:
        own = tomllib.loads(folder.settings_file.read_text(encoding="utf-8-sig"))
    except (OSError, ValueError):
        return False
    example = tomllib.loads(template(folder.settings_file.name, shown_units(folder.path)))
    return all(own.get(table) == example.get(table) for table in ("vehicle", "gearing", "motor", "pack"))


def _count(read: Callable[[], Sized]) -> int:
    try:
        return len(read())
    except LoganError:
        return 0


@dataclass(frozen=True, slots=True, kw_only=True)
class SignalSketch:
    """A signal in a hundred points, enough to see what it is.

    Parameters
    ----------
    signal, unit, comment : str
        Address, declared unit, and what the DBC says about it.
    low, high : float or None
        Range in the log.
    points : tuple of float
        Values at even times; extremes kept by taking the largest deviation of each part.
    """

    signal: str
    unit: str
    low: float | None
    high: float | None
    points: tuple[float, ...]
    comment: str = ""


@result("channel-proposal/1")
class ChannelProposal:
    """Suggestions for a log, its signals, and the map as it stands.

    Parameters
    ----------
    suggestions : tuple of Suggestion
        Best first.
    signals : tuple of SignalSketch
        Every signal of the log.
    mapped : tuple of ChannelSource
        What channels.toml says now.
    channels : tuple of (str, str)
        Every channel that there is, with its meaning.
    version : str
        Of the map; a save that names it is refused once the map is another.
    """

    suggestions: tuple[Suggestion, ...]
    signals: tuple[SignalSketch, ...]
    mapped: tuple[ChannelSource, ...]
    channels: tuple[tuple[str, str], ...]
    version: str = ""


def suggest_with_plots(
    folder: BuildFolder,
    path: Path,
    reading: Reading = PLAINLY,
    *,
    points: int = 120,
) -> ChannelProposal:
    """Suggest channels for a log, with a sketch of every signal.

    Raises
    ------
    LoganError
        If the log or a DBC cannot be read.
    """
    table = read_logs([path], reading.with_dbcs_of(folder.settings())).signals
    mapped, version = channels_with_version(folder)
    return ChannelProposal(
        suggestions=suggest(table),
        signals=tuple(_sketch(column, points) for column in table),
        mapped=mapped,
        channels=tuple((name, kind.meaning) for name in channel_names() if (kind := channel_kind(name)) is not None),
        version=version,
    )


def _sketch(column: SignalColumn, points: int) -> SignalSketch:
    value = np.asarray(column.value, dtype=np.float64)
    finite = value[np.isfinite(value)]
    parts = np.array_split(finite, min(points, finite.size)) if finite.size else []
    middle = float(np.median(finite)) if finite.size else 0.0
    shown = tuple(float(part[np.argmax(np.abs(part - middle))]) for part in parts)
    return SignalSketch(
        signal=column.key,
        unit=column.unit,
        low=float(finite.min()) if finite.size else None,
        high=float(finite.max()) if finite.size else None,
        points=shown,
        comment=column.comment,
    )


def channels_with_version(folder: BuildFolder) -> tuple[tuple[ChannelSource, ...], str]:
    """The channel map as it stands, and the name of it by its content."""
    with SAVING:
        text = folder.channels_file.read_text(encoding="utf-8") if folder.channels_file.exists() else ""
        return saved_channels(folder), version_of(text)


def save_channels(
    folder: BuildFolder,
    sources: tuple[ChannelSource, ...],
    *,
    left_out: Collection[str] = (),
    version: str | None = None,
) -> ChannelMap:
    """Change these channels of the map and leave some out; the others stay, as does what is written beside one.

    Raises
    ------
    ConflictError
        If the map was changed since that version; nothing is written.
    ConfigurationError
        If a channel or a unit is unknown, or the file cannot be written.
    """
    with SAVING:
        sources_now, version_now = channels_with_version(folder)
        before = {source.channel: source for source in sources_now}
        if version not in (None, version_now):
            yours = dict.fromkeys(left_out) | {source.channel: source for source in sources}
            texts = ((channel, _told(yours[channel]), _told(before.get(channel))) for channel in yours)
            raise ConflictError("the channels were", tuple(texts))
        changed = before | {source.channel: _merged(source, before.get(source.channel)) for source in sources}
        kept = (source for channel, source in changed.items() if channel not in left_out)
        write_channel_map(folder.channels_file, ChannelMap(tuple(kept)))
        return read_channel_map(folder.channels_file)


def saved_channels(folder: BuildFolder) -> tuple[ChannelSource, ...]:
    """The map as it stands; empty where there is none that can be read."""
    try:
        return read_channel_map(folder.channels_file).sources
    except ConfigurationError:
        return ()


def _told(source: ChannelSource | None) -> str:
    """A channel's source as both texts of a conflict show it; empty for none."""
    return "" if source is None else f"{source.signal} [{source.unit}]" + (", turned" if source.sign < 0 else "")


def _merged(source: ChannelSource, before: ChannelSource | None) -> ChannelSource:
    """A choice of the page keeps the finer settings that the file already had for the same signal."""
    if before is None or before.signal != source.signal:
        return source
    return replace(before, unit=source.unit, sign=source.sign)

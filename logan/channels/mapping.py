"""From signals as the file has them to channels in SI, by the user's map."""

from collections.abc import Callable, Sequence
from dataclasses import replace
from difflib import get_close_matches
from typing import Final

import numpy as np

from logan.channels.mapped import (
    Impossibility,
    MappedChannel,
    MappedChannels,
    contradictions,
    impossibility_of,
)
from logan.channels.matching import suggest
from logan.channels.raw_codes import not_available_codes, reread_signed, signed_code
from logan.channels.vocabulary import ChannelKind, channel_kind, channel_names, conversion_to_si
from logan.errors import ChannelError
from logan.frames.table import SignalColumn, SignalTable
from logan.results import DataFlag, Severity, Step
from logan.settings import ChannelMap, ChannelSource
from logan.units import FloatArray
from logan.units.algebra import UnitConversion

_LEAST_NAMED: Final = 0.75
FIRST_ABSOLUTE_NS: Final = 946_684_800_000_000_000
"""2000-01-01 UTC: a log that starts earlier has no absolute time. [ns]"""


def map_channels(
    table: SignalTable, channel_map: ChannelMap, *, drop_not_available: bool = True, is_strict: bool = True
) -> MappedChannels:
    """Turn the signals that the map names into channels in SI.

    Parameters
    ----------
    table : SignalTable
        Signals of one log (one clock).
    channel_map : ChannelMap
        Which signal is which channel; sources whose signal the table lacks are left out
        with a flag, unless none is there at all.
    drop_not_available : bool
        Turn not-available codes, declared or recognised, into NaN.
    is_strict : bool
        Refuse an impossible map; False turns the refusal into a red flag.

    Raises
    ------
    ChannelError
        If a unit is unknown or does not fit, an address is ambiguous, or the map is impossible.
    """
    flags: list[DataFlag] = []
    faults: list[str] = []
    impossible: list[Impossibility] = []
    channels: dict[str, MappedChannel] = {}
    steps: list[Step] = []
    present = _present_sources(table, channel_map, flags, faults)
    for source, column in present:
        try:
            channel, changes, reasons = _map_one(source, column, drop_not_available=drop_not_available)
        except ChannelError as error:
            faults.append(f"{error.problem} ({error.remedy})")
            continue
        channels[source.channel] = channel
        steps += changes
        impossible += reasons
    if faults:
        raise ChannelError("the channel map does not fit the log: " + "; ".join(faults), "Put it right in the map")
    if impossible and is_strict:
        raise ChannelError("the channel map is impossible: " + "; ".join(map(str, impossible)), "")
    flags += [_impossible_flag(one) for one in impossible]
    flags += [*contradictions(channels), *_unused_columns(table, channel_map)]
    return MappedChannels(channels=channels, flags=tuple(flags), steps=tuple(steps))


def map_sources(
    tables: Sequence[SignalTable], channel_map: ChannelMap, *, drop_not_available: bool = True, is_strict: bool = True
) -> tuple[MappedChannels, ...]:
    """Map several logs of one drive, each on its own clock.

    A channel is taken from the first log that has its signal. A column that carries a
    channel's own name, as those of a track do, is taken where no log has the signal that the map names for it.

    Parameters
    ----------
    tables : sequence of SignalTable
        One a clock; the first leads.
    channel_map, drop_not_available, is_strict
        As in ``map_channels``.

    Raises
    ------
    ChannelError
        As in ``map_channels``; also when no log has any signal of the map.
    """
    left = list(channel_map.sources)
    named = {source.channel for source in left if any(table.find(source.signal) for table in tables)}
    mapped: list[MappedChannels] = []
    for number, table in enumerate(tables):
        here = [source for source in left if table.find(source.signal)]
        left = [source for source in left if source not in here]
        if number:
            own = {
                column.name: ChannelSource(channel=column.name, signal=column.key)
                for column in table
                if column.name not in named and channel_kind(column.name) is not None
            }
            here += own.values()
            left = [source for source in left if source.channel not in own]
        if here:
            part = ChannelMap(tuple(here))
            mapped.append(map_channels(table, part, drop_not_available=drop_not_available, is_strict=is_strict))
    if not mapped:
        raise ChannelError(
            "no signal of the channel map is in any of the logs",
            "Check that the logs and their DBCs belong to this map, or make a map with 'logan channels'",
        )
    missing = tuple(_missing_flag(source, tables[0]) for source in left)
    return (replace(mapped[0], flags=(*mapped[0].flags, *missing)), *mapped[1:])


def _present_sources(
    table: SignalTable, channel_map: ChannelMap, flags: list[DataFlag], faults: list[str]
) -> list[tuple[ChannelSource, SignalColumn]]:
    """Pair each source with its column; note those that are missing, unknown or ambiguous."""
    present: list[tuple[ChannelSource, SignalColumn]] = []
    missing: list[ChannelSource] = []
    for source in channel_map.sources:
        if channel_kind(source.channel) is None:
            near = get_close_matches(source.channel, channel_names(), n=1)
            hint = f"; did you mean '{near[0]}'?" if near else ""
            faults.append(f"'{source.channel}' is no channel{hint}")
            continue
        found = table.find(source.signal)
        if len(found) > 1:
            faults.append(
                f"{source.channel}: '{source.signal}' fits {len(found)} signals "
                f"({', '.join(column.key for column in found[:4])}); write one of them in full"
            )
        elif found:
            present.append((source, found[0]))
        else:
            missing.append(source)
    if missing and not present and not faults:
        wanted = ", ".join(source.signal for source in missing[:4])
        raise ChannelError(
            f"no signal of the channel map is in the log (such as {wanted}){_nearest_signal(missing[0].signal, table)}",
            "Check that the log and its DBC belong to this map, or make a map with 'logan channels'",
        )
    flags += [_missing_flag(source, table) for source in missing]
    return present


def _map_one(
    source: ChannelSource, column: SignalColumn, *, drop_not_available: bool
) -> tuple[MappedChannel, list[Step], list[Impossibility]]:
    kind = channel_kind(source.channel)
    if kind is None:  # the caller has checked it
        raise ValueError(f"no channel {source.channel}")
    conversion = conversion_to_si(source.unit or column.unit, kind, place=source.channel)
    value = np.array(column.value, dtype=np.float64)
    changes: list[Step] = []

    def note(action: str, detail: str, reason: str) -> None:
        changes.append(Step(action=action, detail=detail, reason=reason, channels=(source.channel,)))

    if conversion.guess:
        note("unit", f"'{source.unit or column.unit}' read as {conversion.guess}", f"rather than {conversion.literal}")
    if source.byte_order:
        _check_byte_order(source, column)
        note("byte_order", f"bits read as {source.byte_order.replace('_', ' ')}", "asked for in the channel map")
    if source.signed is not None:
        # A log with frames was decoded with the override already; its column says so.
        if source.signed is not column.is_signed:
            value = reread_signed(column, value, is_signed=source.signed)
        note("signed", f"code read as {'signed' if source.signed else 'unsigned'}", "asked for in the channel map")
    value = _without_codes(source, column, value, kind, conversion, note, is_wanted=drop_not_available)
    if source.scale != 1.0 or source.offset != 0.0:
        value = source.scale * value + source.offset
        note("scale", f"x * {source.scale:g} + {source.offset:g}", "asked for in the channel map")
    impossible = impossibility_of(source.channel, column, value, kind, conversion)
    si = conversion.to_si(value)
    if source.sign < 0:
        si = -si
        note("sign", "turned round", "asked for in the channel map")
    time_ns = np.asarray(column.time_ns, dtype=np.int64)
    if source.delay_s:
        time_ns = time_ns - round(source.delay_s * 1e9)
        note("delay", f"moved {source.delay_s:g} s earlier", "asked for in the channel map")
    if source.is_averaged and time_ns.size > 1:
        half_s = 0.5e-9 * float(np.median(np.diff(time_ns)))
        time_ns = time_ns - round(half_s * 1e9)
        note(
            "averaged",
            f"moved {half_s:g} s earlier",
            "the logger averages: a value belongs to the middle of its window",
        )
    channel = MappedChannel(
        name=source.channel, time_ns=time_ns, value=si, source=column.key, is_averaged=source.is_averaged
    )
    return channel, changes, [impossible] if impossible else []


def _check_byte_order(source: ChannelSource, column: SignalColumn) -> None:
    if column.bit_length == 0:
        raise ChannelError(
            f"{source.channel}: 'byte_order' is given, but {column.key} is a column of a table, not bits of a frame",
            "Leave 'byte_order' out",
        )


def _without_codes(
    source: ChannelSource,
    column: SignalColumn,
    value: FloatArray,
    kind: ChannelKind,
    conversion: UnitConversion,
    note: Callable[[str, str, str], None],
    *,
    is_wanted: bool,
) -> FloatArray:
    """Blank the not-available codes: those that the map declares always, recognised ones if wanted."""
    if source.signed is not None:
        column = replace(column, is_signed=source.signed)
    for code in source.not_available:
        hit = np.abs(value - _as_read(code, column)) <= 1e-6 * max(1.0, abs(code))
        if hit.any():
            value = np.where(hit, np.nan, value)
            note("not_available", f"{code:g} blanked in {np.count_nonzero(hit)} samples", "declared in the channel map")
    if not is_wanted:
        return value
    low, high = sorted(float(bound) for bound in conversion.from_si(np.array([kind.low, kind.high])))
    if source.scale:
        low, high = sorted(((low - source.offset) / source.scale, (high - source.offset) / source.scale))
    for found in not_available_codes(column, value, kind, low, high):
        hit = np.abs(value - found.value) <= 1e-6 * max(1.0, abs(found.value))
        value = np.where(hit, np.nan, value)
        note("not_available", f"{found.value:g} blanked in {found.count} samples", found.reason)
    return value


def _as_read(code: float, column: SignalColumn) -> float:
    """A code in the column's unit as it is read now: the user may give it as it was read without the override."""
    raw = (code - column.offset) / column.scale
    return float(signed_code(raw, column) * column.scale + column.offset) if column.bit_length else code


def _nearest_signal(address: str, table: SignalTable) -> str:
    near = get_close_matches(address, [column.key for column in table], n=1, cutoff=0.5)
    return f"; the nearest is '{near[0]}'" if near else ""


def _missing_flag(source: ChannelSource, table: SignalTable) -> DataFlag:
    return DataFlag(
        code="signal_missing",
        severity=Severity.AMBER,
        channels=(source.channel,),
        title=f"{source.channel} is not in this log",
        evidence=f"the map names '{source.signal}'{_nearest_signal(source.signal, table)}",
        remedy="Check the logger's list, or the name in the channel map; what needs the channel is not shown",
    )


def _unused_columns(table: SignalTable, channel_map: ChannelMap) -> list[DataFlag]:
    """Name the columns of a table that look like channels which the map lacks, such as a receiver's place."""
    mapped = {source.channel for source in channel_map.sources}
    used = {column.key for source in channel_map.sources for column in table.find(source.signal)}
    own = [
        replace(column, time_ns=column.time_ns[:0], value=column.value[:0])
        for column in table
        if not column.message and column.key not in used
    ]
    left = [*own, *table.unused]
    unused = [
        f"{suggestion.channel} ({best.signal})"
        for suggestion in (suggest(replace(table, columns=tuple(left), unused=())) if left else ())
        if (best := suggestion.candidates[0]).score >= _LEAST_NAMED and suggestion.channel not in mapped
    ]
    if not unused:
        return []
    return [
        DataFlag(
            code="columns_unused",
            severity=Severity.NOTE,
            title="The log has columns that are not used",
            evidence=", ".join(unused[:12]) + (f" and {len(unused) - 12} more" if len(unused) > 12 else ""),
            remedy="Map them with 'logan channels LOG', then 'logan library decode'",
        )
    ]


def _impossible_flag(found: Impossibility) -> DataFlag:
    return DataFlag(
        code="impossible_map",
        severity=Severity.RED,
        channels=(found.channel,),
        title=f"{found.channel} cannot be what the map says",
        evidence=found.evidence,
        remedy=found.remedy,
        refuses=("net_energy", "regen") if found.channel in {"pack_current", "pack_power", "pack_voltage"} else (),
    )

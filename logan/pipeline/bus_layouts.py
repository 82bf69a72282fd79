"""Which DBCs speak for which bus, with the user's overrides."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from logan.dbc.loading import Dbc, load_dbc
from logan.drive.drive import LogSource
from logan.frames.grouping import FrameKey
from logan.frames.signal_layout import ByteOrder, LayoutIndex, MessageLayout, SignalLayout
from logan.settings import ChannelSource


class BusLayouts:
    """The messages of every bus.

    Parameters
    ----------
    dbcs : sequence of Path
        DBCs for every bus that has none of its own.
    dbc_by_bus : mapping of str to sequence of Path
        DBCs of named buses; of two that define one identifier, the first counts.
    overrides : iterable of ChannelSource
        Signals whose signedness or byte order the user knows better than the DBC.

    Raises
    ------
    DbcError
        If a DBC cannot be used.
    """

    def __init__(
        self,
        dbcs: Sequence[Path],
        dbc_by_bus: Mapping[str, Sequence[Path]],
        overrides: Iterable[ChannelSource] = (),
    ) -> None:
        paths = dict.fromkeys([*dbcs, *(path for bus in dbc_by_bus.values() for path in bus)])
        loaded = {path: load_dbc(path) for path in paths}
        self._overrides = tuple(source for source in overrides if source.signed is not None or source.byte_order)
        self._general = [loaded[path] for path in dbcs]
        self._by_bus = {bus: [loaded[path] for path in bus_paths] for bus, bus_paths in dbc_by_bus.items()}
        self._indexes: dict[str, LayoutIndex] = {}
        self._found: dict[FrameKey, MessageLayout | None] = {}
        self._orders: dict[str, dict[int, int]] = {}
        self.dbcs = tuple(loaded.values())
        self.faults = tuple(f"{dbc.path}: {fault}" for dbc in self.dbcs for fault in dbc.faults) + self._conflicts()

    def __bool__(self) -> bool:
        return bool(self.dbcs)

    @property
    def sources(self) -> tuple[LogSource, ...]:
        """What a drive keeps to say which DBCs it was read with."""
        return tuple(
            LogSource(name=dbc.path.name, sha256=dbc.sha256, size_bytes=dbc.size_bytes, log_format="dbc")
            for dbc in self.dbcs
        )

    @property
    def identifiers(self) -> frozenset[tuple[int, bool]]:
        """Every identifier that a DBC has, and whether it is extended."""
        return frozenset((message.can_id, message.is_extended) for dbc in self.dbcs for message in dbc.messages)

    def find(self, key: FrameKey) -> MessageLayout | None:
        """Message of a bus and identifier; None where no DBC of that bus has one."""
        if key not in self._found:
            if key.bus not in self._indexes:
                self._indexes[key.bus] = self._index(key.bus)
            self._found[key] = self._indexes[key.bus].find(key.can_id, key.is_extended)
        return self._found[key]

    def order(self, key: FrameKey) -> int:
        """Place of a key's message among those of its bus."""
        layout = self.find(key)
        if key.bus not in self._orders:
            self._orders[key.bus] = {id(each): place for place, each in enumerate(self._indexes[key.bus].messages)}
        order = self._orders[key.bus]
        return order.get(id(layout), len(order))

    def _index(self, bus: str) -> LayoutIndex:
        dbcs = self._by_bus.get(bus, self._general)
        messages = _named_apart([(dbc, message) for dbc in dbcs for message in dbc.messages])
        return LayoutIndex(_overridden(message, bus, self._overrides) for message in messages)

    def _conflicts(self) -> tuple[str, ...]:
        """Identifiers that two DBCs of one bus define differently."""
        faults: dict[str, None] = {}
        for dbcs in (self._general, *self._by_bus.values()):
            first: dict[tuple[int, bool], tuple[Dbc, MessageLayout]] = {}
            for dbc in dbcs:
                for message in dbc.messages:
                    other_dbc, other = first.setdefault((message.can_id, message.is_extended), (dbc, message))
                    if other.signals != message.signals:
                        faults[
                            f"identifier {message.can_id:X} is {other.name} in {other_dbc.path.name} and "
                            f"{message.name} in {dbc.path.name}; the first counts"
                        ] = None
        return tuple(faults)


def _named_apart(messages: Sequence[tuple[Dbc, MessageLayout]]) -> list[MessageLayout]:
    """Messages whose name another DBC of the bus has for another identifier get the DBC's name behind theirs."""
    identifiers: dict[str, tuple[int, bool]] = {}
    named: list[MessageLayout] = []
    for dbc, message in messages:
        identifier = (message.can_id, message.is_extended)
        if identifiers.setdefault(message.name, identifier) != identifier:
            message = replace(message, name=f"{message.name}@{dbc.path.stem}")
        named.append(message)
    return named


def _overridden(message: MessageLayout, bus: str, overrides: Sequence[ChannelSource]) -> MessageLayout:
    if not overrides:
        return message
    signals = tuple(_overridden_signal(signal, message.name, bus, overrides) for signal in message.signals)
    return message if signals == message.signals else replace(message, signals=signals)


def _overridden_signal(
    signal: SignalLayout, message: str, bus: str, overrides: Sequence[ChannelSource]
) -> SignalLayout:
    addresses = signal_addresses(bus, message, signal.name)
    for source in overrides:
        if source.signal in addresses:
            if source.signed is not None and not signal.is_float:
                signal = replace(signal, is_signed=source.signed)
            if source.byte_order:
                signal = in_byte_order(signal, ByteOrder(source.byte_order))
    return signal


def in_byte_order(signal: SignalLayout, byte_order: ByteOrder) -> SignalLayout:
    """The signal read the other way round: it keeps its first byte, and starts at that byte's edge."""
    if signal.byte_order is byte_order:
        return signal
    first_byte = signal.start_bit // 8
    start_bit = 8 * first_byte + (7 if byte_order is ByteOrder.BIG_ENDIAN else 0)
    return replace(signal, byte_order=byte_order, start_bit=start_bit)


def signal_addresses(bus: str, message: str, name: str) -> tuple[str, str, str]:
    """Every way to write which signal is meant: with its bus, with its message, or the bare name."""
    return f"{bus}/{message}.{name}", f"{message}.{name}", name

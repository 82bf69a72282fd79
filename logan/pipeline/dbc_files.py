"""The DBCs of a build: kept in its ``dbc_user`` folder, named in ``build.toml``, for all buses or for one."""

import hashlib
import json
import re
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

from logan.dbc.loading import MAX_DBC_BYTES, Dbc, load_dbc
from logan.drive.drive import LogSource
from logan.drive_library.durable import write_durably
from logan.errors import ConflictError, LoganError, UsageError
from logan.frames.grouping import FrameKey
from logan.frames.signal_layout import ByteOrder, LayoutIndex, MessageLayout, SignalLayout
from logan.logs.compression import read_head
from logan.logs.log_format import HEAD_BYTES
from logan.logs.registry import identify
from logan.pipeline.builds import BuildFolder, dbcs_near
from logan.pipeline.settings_form import SAVING, save_text, toml_document, version_of
from logan.results import result
from logan.settings import ChannelSource

DBC_FOLDER: Final = "dbc_user"
ALL_BUSES: Final = "all"
_DEFINES_MESSAGE: Final = re.compile(rb"^[ \t]*BO_[ \t]+\d+[ \t]+\w+[ \t]*:", re.MULTILINE)


@result("named-dbc/1")
class NamedDbc:
    """One DBC that the settings name.

    Parameters
    ----------
    file : str
        As the settings name it.
    bus : str
        The buses that it is for, with commas; empty for all.
    message_count, signal_count : int
        What it defines.
    faults : tuple of str
        What had to be mended or left out in it.
    problem : str
        Why it cannot be used; empty where it can.
    """

    file: str
    bus: str = ""
    message_count: int = 0
    signal_count: int = 0
    faults: tuple[str, ...] = ()
    problem: str = ""


def is_dbc(path: Path) -> bool:
    """True for a file that defines CAN messages as DBCs do, whatever it is called."""
    if path.stat().st_size > MAX_DBC_BYTES:
        return False
    return _DEFINES_MESSAGE.search(path.read_bytes()) is not None


def refuse_unknown(path: Path) -> None:
    """Refuse a file that is no log, by what it seems to be; its content is not read through.

    Raises
    ------
    LogReadError
        With what it seems to be, what can be read, and how to come by it.
    """
    identify(path, read_head(path, HEAD_BYTES))


def named_dbcs(folder: BuildFolder) -> tuple[tuple[NamedDbc, ...], str]:
    """DBCs that the settings name, with what they define; and the version of these names, by their content."""
    entries = _entries(_document(folder))
    return tuple(_named(folder, file, bus) for file, bus in entries.items()), _version(entries)


def dbc_conflicts(folder: BuildFolder) -> tuple[str, ...]:
    """Identifiers that DBCs of one bus define differently: as long as it is not said which bus each is for."""
    try:
        return BusLayouts(*dbcs_near(folder.path)).conflicts
    except LoganError:
        return ()  # which DBC cannot be used, and why, is said beside it


def keep_dbc(folder: BuildFolder, source: Path, name: str) -> NamedDbc:
    """Copy a DBC into the build and name it in the settings, for all buses.

    The same DBC again changes nothing; another of the same name is kept beside it under a name of its own.

    Parameters
    ----------
    folder : BuildFolder
        The build.
    source : Path
        The DBC.
    name : str
        What the user calls it; only letters, digits, points, dashes and underscores of it are used.

    Raises
    ------
    DbcError
        If nothing in it can be used; nothing is kept then.
    ConfigurationError
        If the settings cannot be changed; they are left alone.
    """
    load_dbc(source)
    content = source.read_bytes()
    with SAVING:  # two of one name that come at once are not taken for one
        target = _free_name(folder.path / DBC_FOLDER, name, content)
        if not target.exists():
            target.parent.mkdir(exist_ok=True)
            write_durably(target, content)
        file = f"{DBC_FOLDER}/{target.name}"
        if file not in _entries(_document(folder)):
            name_dbcs(folder, {file: ""})
        return _named(folder, file, _entries(_document(folder))[file])


def name_dbcs(
    folder: BuildFolder, chosen: Mapping[str, str], *, left_out: Collection[str] = (), version: str | None = None
) -> None:
    """Name these DBCs in the settings, each with the buses it is for (empty: all); leave some out; the others stay.

    Raises
    ------
    ConflictError
        If others were named since that version; nothing is changed.
    UsageError
        If one is neither named already nor kept in the build: no other file of this machine is looked at.
    ConfigurationError
        If the settings would not be valid; they are left alone.
    """
    import tomlkit

    with SAVING:
        document = _document(folder)
        known = _entries(document)
        if version not in (None, _version(known)):
            asked = {**chosen, **dict.fromkeys(left_out, "no more used")}
            raise ConflictError("the DBCs were", tuple((file, asked[file], known.get(file, "")) for file in asked))
        for file in chosen:
            kept = folder.path / DBC_FOLDER / Path(file).name
            if file not in known and (file != f"{DBC_FOLDER}/{kept.name}" or not kept.is_file()):
                raise UsageError(f"'{file}' is no DBC of this build", "Drop the DBC on the logs page first")
        by_bus: dict[str, list[str]] = {}
        for file, buses in {**known, **chosen}.items():
            for bus in [] if file in left_out else dict.fromkeys(bus.strip() for bus in buses.split(",")):
                by_bus.setdefault("" if bus == ALL_BUSES else bus, []).append(file)
        table: Any = document.setdefault("build", tomlkit.table())
        table["dbc"] = by_bus.pop("", [])
        table.pop("dbc_by_bus", None)
        if by_bus:
            inline = tomlkit.inline_table()
            inline.update(by_bus)
            table["dbc_by_bus"] = inline
        save_text(folder, tomlkit.dumps(document))


def _version(entries: Mapping[str, str]) -> str:
    return version_of(json.dumps(entries))


def _document(folder: BuildFolder) -> Any:
    return toml_document(folder.settings_file, "Mend it on the settings page first")[1]


def _entries(document: Any) -> dict[str, str]:
    """Buses of every DBC named, empty for all; what is no name of a file is left to the settings' own check."""
    table = document.get("build", {})
    files, by_bus = table.get("dbc", []), table.get("dbc_by_bus", {})
    entries = {str(file): "" for file in files} if isinstance(files, list) else {}
    for bus, named in by_bus.items() if isinstance(by_bus, dict) else ():
        for file in map(str, named):
            entries[file] = f"{entries[file] or ALL_BUSES}, {bus}" if file in entries else str(bus)
    return entries


def _named(folder: BuildFolder, file: str, bus: str) -> NamedDbc:
    try:
        dbc = load_dbc(folder.path / file)
    except LoganError as error:
        return NamedDbc(file=file, bus=bus, problem=f"{error.problem}. {error.remedy}")
    return NamedDbc(
        file=file,
        bus=bus,
        message_count=len(dbc.messages),
        signal_count=sum(len(message.signals) for message in dbc.messages),
        faults=dbc.faults,
    )


def _free_name(folder: Path, name: str, content: bytes) -> Path:
    """A harmless name in the folder, of this very content or of none."""
    stem = re.sub(r"[^A-Za-z0-9._-]+", "_", name.replace("\\", "/").rsplit("/", 1)[-1]).strip("._-")
    stem = stem.removesuffix(".dbc").removesuffix(".DBC")[-80:] or "vehicle"
    target = folder / f"{stem}.dbc"
    if target.exists() and target.read_bytes() != content:
        target = folder / f"{stem}-{hashlib.sha256(content).hexdigest()[:8]}.dbc"
    return target


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
        self.conflicts = self._conflicts()
        self.faults = tuple(f"{dbc.path}: {fault}" for dbc in self.dbcs for fault in dbc.faults) + self.conflicts

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

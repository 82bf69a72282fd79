"""The DBCs of a build: kept in its ``dbc_user`` folder, named in ``build.toml``, for all buses or for one."""

from __future__ import annotations

import hashlib
import re
from pathlib import Path
from typing import Any, Final

from logan.dbc.loading import MAX_DBC_BYTES, load_dbc
from logan.drive_library.durable import write_durably
from logan.errors import LoganError, UsageError
from logan.logs.compression import read_head
from logan.logs.log_format import HEAD_BYTES
from logan.logs.registry import identify
from logan.pipeline.builds import BuildFolder
from logan.pipeline.settings_form import SAVING, save_text
from logan.results import result

DBC_FOLDER: Final = "dbc_user"
_DEFINES_MESSAGE: Final = re.compile(rb"^[ \t]*BO_[ \t]+\d+[ \t]+\w+[ \t]*:", re.MULTILINE)


@result("named-dbc/1")
class NamedDbc:
    """One DBC that the settings name.

    Parameters
    ----------
    file : str
        As the settings name it.
    bus : str
        The only bus that it is for; empty for all.
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


def named_dbcs(folder: BuildFolder) -> tuple[NamedDbc, ...]:
    """DBCs that the settings name, with what they define."""
    return tuple(_named(folder, file, bus) for file, bus in _entries(_document(folder)))


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
    target = _free_name(folder.path / DBC_FOLDER, name, content)
    if not target.exists():
        target.parent.mkdir(exist_ok=True)
        write_durably(target, content, target.parent)
    file = f"{DBC_FOLDER}/{target.name}"
    with SAVING:
        named = _entries(_document(folder))
        if file not in [known for known, _ in named]:
            name_dbcs(folder, [*named, (file, "")])
    return _named(folder, file, dict(_entries(_document(folder)))[file])


def name_dbcs(folder: BuildFolder, chosen: list[tuple[str, str]]) -> None:
    """Name these DBCs in the settings, each with the bus it is for (empty: all), in place of those named before.

    Raises
    ------
    UsageError
        If one is neither named already nor kept in the build: no other file of this machine is looked at.
    ConfigurationError
        If the settings would not be valid; they are left alone.
    """
    import tomlkit

    document = _document(folder)
    known = {file for file, _ in _entries(document)}
    by_bus: dict[str, list[str]] = {}
    for file, bus in chosen:
        kept = folder.path / DBC_FOLDER / Path(file).name
        if file not in known and (file != f"{DBC_FOLDER}/{kept.name}" or not kept.is_file()):
            raise UsageError(f"'{file}' is no DBC of this build", "Drop the DBC on the logs page first")
        by_bus.setdefault(bus.strip(), []).append(file)
    table: Any = document.setdefault("build", tomlkit.table())
    table["dbc"] = by_bus.pop("", [])
    table.pop("dbc_by_bus", None)
    if by_bus:
        inline = tomlkit.inline_table()
        inline.update(by_bus)
        table["dbc_by_bus"] = inline
    save_text(folder, tomlkit.dumps(document))


def _document(folder: BuildFolder) -> Any:
    import tomlkit
    from tomlkit.exceptions import TOMLKitError

    try:
        return tomlkit.parse(folder.settings_file.read_text(encoding="utf-8-sig"))
    except (OSError, UnicodeDecodeError, TOMLKitError) as error:
        raise UsageError(f"build.toml cannot be read ({error})", "Mend it on the settings page first") from None


def _entries(document: Any) -> list[tuple[str, str]]:
    """File and bus of every DBC named; what is no name of a file is left to the settings' own check."""
    table = document.get("build", {})
    files, by_bus = table.get("dbc", []), table.get("dbc_by_bus", {})
    general = [(str(file), "") for file in files] if isinstance(files, list) else []
    if not isinstance(by_bus, dict):
        return general
    return [*general, *((str(file), str(bus)) for bus, named in by_bus.items() for file in named)]


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

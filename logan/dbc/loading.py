"""Load a DBC, or say precisely why not."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from logan.dbc.layouts import message_layouts
from logan.dbc.statements import MOST_SIGNALS, read_statements
from logan.errors import DbcError
from logan.frames.signal_layout import MessageLayout

MAX_DBC_BYTES: Final = 64 * 1024 * 1024
"""A DBC larger than this is refused. [bytes]"""


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


def load_dbc(path: Path) -> Dbc:
    """Load a DBC.

    Parameters
    ----------
    path : Path
        DBC file, UTF-8 or Windows-1252.

    Raises
    ------
    DbcError
        If there is no such file, or nothing in it can be used; with the line where it is known.
    """
    content = _content(path)
    messages, faults = compile_dbc(content, path)
    sha256 = hashlib.sha256(content).hexdigest()
    return Dbc(path=path, sha256=sha256, size_bytes=len(content), messages=messages, faults=faults)


def compile_dbc(content: bytes, path: Path) -> tuple[tuple[MessageLayout, ...], tuple[str, ...]]:
    """Turn the bytes of a DBC into message layouts and faults.

    Raises
    ------
    DbcError
        If nothing in it can be used.
    """
    text = _decoded(content)
    if "BO_" not in text:
        raise DbcError("this is no DBC: it defines no message (BO_)", "Give the DBC that belongs to the log", path)
    said = read_statements(text)
    if said.signal_count > MOST_SIGNALS:
        raise DbcError(f"the DBC defines more than {MOST_SIGNALS} signals", "Give the DBC of one vehicle", path)
    messages = message_layouts(said)
    faults = tuple(said.faults)
    if said.fault_count > len(faults):
        faults = (*faults, f"and {said.fault_count - len(faults)} more faults")
    if not any(message.signals for message in messages):
        detail = f" ({'; '.join(faults[:3])})" if faults else ""
        raise DbcError(f"the DBC defines no signal that can be decoded{detail}", "Give a DBC with signals (SG_)", path)
    return messages, faults


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

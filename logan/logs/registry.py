"""The log formats logan reads, and which of them a file is.

To add one: write a module with a ``FORMAT`` that keeps to ``logan.logs.log_format``, and add it
to ``LOG_FORMATS``; the contract test runs over every format in it.
"""

from __future__ import annotations

import codecs
import re
from collections.abc import Iterable
from pathlib import Path
from typing import Final

from logan.errors import LogReadError, UnknownLogFormatError
from logan.logs import (
    asc,
    blf,
    can_csv,
    candump,
    candump_console,
    drive_table,
    frame_text,
    gpx_track,
    mf4,
    sqlite_frames,
    trc,
)
from logan.logs.log_format import Formats, LogFormat

LOG_FORMATS: Final[Formats] = (
    asc.FORMAT,
    blf.FORMAT,
    can_csv.FORMAT,
    candump.FORMAT,
    candump_console.FORMAT,
    drive_table.FORMAT,
    frame_text.FORMAT,
    gpx_track.FORMAT,
    mf4.FORMAT,
    sqlite_frames.FORMAT,
    trc.FORMAT,
)
"""Every format, in no order of preference but their rank: a file that two of one rank recognise is refused."""


_HEADING_ALONE: Final = re.compile(rb"(?:\xef\xbb\xbf)?[^\x00-\x08\x0a-\x1f]+[,;\t][^\x00-\x08\x0a-\x1f]+[\r\n]*")
"""One line of several cells."""


def identify(path: Path, head: bytes, formats: Iterable[LogFormat] = LOG_FORMATS) -> LogFormat:
    """Return the one format that recognises ``head``; never choose between two.

    Parameters
    ----------
    path : Path
        File that an error names.
    head : bytes
        First ``HEAD_BYTES`` of the decompressed file.
    formats : iterable of LogFormat
        Formats to choose from.

    Raises
    ------
    UnknownLogFormatError
        If no format, or more than one, recognises it.
    LogReadError
        If the file is empty, or a heading without a row.
    """
    known = tuple(formats)
    if not head.strip(b"\x00\r\n\t \xef\xbb\xbf"):
        raise LogReadError("the log is empty", "Check that the logger wrote it and that it was copied whole", path)
    text = plain_text(head)
    matches: list[LogFormat] = []
    for rank in sorted({log_format.rank for log_format in known}):
        asked = [log_format for log_format in known if log_format.rank == rank]
        matches = [each for each in asked if each.looks_like(head if each.parser is None else text)]
        if matches:
            break
    if len(matches) == 1:
        return matches[0]
    if not matches and _HEADING_ALONE.fullmatch(head):
        raise LogReadError("the table has a heading and no row", "Check that the logger was recording", path)
    problem = "several log formats fit" if matches else "this is no log that is known here"
    names = ", ".join(log_format.name for log_format in matches or known)
    raise UnknownLogFormatError(problem, f"Name its format with --format, one of: {names}", path)


def is_wide(head: bytes) -> bool:
    """Whether a text has two bytes a character, as some shells write."""
    return head.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE))


def plain_text(head: bytes, *, keeps_returns: bool = False) -> bytes:
    """The first bytes of a text as its parser gets it: one byte a character, lines that end in newlines."""
    text = head.decode("utf-16", "replace").encode() if is_wide(head) else head
    return text if b"\n" in text or keeps_returns else text.replace(b"\r", b"\n")


def format_named(name: str, formats: Iterable[LogFormat] = LOG_FORMATS) -> LogFormat:
    """Return the format of a name.

    Raises
    ------
    UnknownLogFormatError
        If there is none of that name.
    """
    known = tuple(formats)
    for log_format in known:
        if log_format.name == name:
            return log_format
    names = ", ".join(log_format.name for log_format in known)
    raise UnknownLogFormatError(f"there is no log format '{name}'", f"Use one of: {names}")

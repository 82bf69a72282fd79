"""The log formats logan reads, and which of them a file is.

To add one: write a module with a ``FORMAT`` that keeps to ``logan.logs.log_format``, and add it
to ``LOG_FORMATS``; the contract test runs over every format in it.
"""

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


_READABLE: Final = (
    "What can be read: candump, ASC, BLF, TRC and MF4 logs, text with time, identifier and data of a frame in each "
    "line, GPX tracks, and tables (CSV) with a time in each row; packed with gzip, zstd or zip too"
)
_UNPACK: Final = "Unpack it, and give the logs in it"
_SEEMINGS: Final = (
    ((b"7z\xbc\xaf", b"Rar!", b"BZh", b"\xfd7zXZ", b"\x04\x22\x4d\x18", b"ustar"), "an archive", _UNPACK),
    ((b"%PDF",), "a PDF", "Ask for the log itself, as text or CSV"),
    ((b"\x89PNG", b"\xff\xd8\xff", b"GIF8", b"BM"), "a picture", "Give the log itself"),
    ((b"\xd0\xcf\x11\xe0",), "a spreadsheet workbook", "Save it as CSV (UTF-8)"),
    ((b"\xd4\xc3\xb2\xa1", b"\xa1\xb2\xc3\xd4", b"\x4d\x3c\xb2\xa1", b"\n\r\r\n"), "a capture of network packets",
     "Convert it into candump's text, or record the bus with a CAN logger"),
    ((b"PAR1",), "a Parquet file", "Write it as CSV with a column for the time"),
    ((b"<!DOCTYPE", b"<!doctype", b"<html", b"<HTML"), "a web page", "Download the log itself"),
    ((b"{", b"[{", b"[\n"), "JSON", "Write it as a table with a column for the time"),
    ((b"\x7fELF", b"MZ"), "a program", "Give the log itself"),
)  # fmt: skip

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
    if matches:
        names = ", ".join(log_format.name for log_format in matches)
        raise UnknownLogFormatError("several log formats fit", f"Name one of them with --format: {names}", path)
    seeming, remedy = _seeming(head)
    raise UnknownLogFormatError(f"this is no log that is known here: it seems to be {seeming}", remedy, path)


def _seeming(head: bytes) -> tuple[str, str]:
    """What an unknown file seems to be, and what to do about it."""
    for marks, seeming, remedy in _SEEMINGS:
        if head.startswith(marks) or (b"ustar" in marks and head[257:262] == b"ustar"):
            return seeming, f"{remedy}. {_READABLE}"
    text = plain_text(head).decode("utf-8", "replace")
    strange = sum(not (each.isprintable() or each in "\r\n\t") or each == "\ufffd" for each in text)
    if strange > 0.05 * len(text):
        return "a file of bytes of some program's own", f"Export it from that program as text. {_READABLE}"
    first = next((line.strip() for line in text.splitlines() if line.strip()), "")
    return (
        f"text of which no line is a frame and no row belongs to a table (it begins '{first[:50]}')",
        f"Export the log with a time in each line or row, and a row of names above. {_READABLE}",
    )


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

"""What is said of a drive: its header, as JSON in the Parquet footer; and its notes, in a small file of their own."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from logan.drive.provenance import DriveConditions, LogSource
from logan.drive_library.durable import write_durably
from logan.drive_library.records import DriveSummary
from logan.errors import DriveLibraryError, plain_words
from logan.results import DataFlag, Figure, Refusal, Step, figure_from_json, json_content, json_ready, result_from_json

if TYPE_CHECKING:
    from logan.drive.drive import Drive

FORMAT_NAME: Final = "logan-drive"
FORMAT_VERSION: Final = 1

Migration = Callable[[dict[str, Any]], dict[str, Any]]
MIGRATIONS: Final[Mapping[int, Migration]] = {}
"""What turns a header of version n into one of version n + 1; files on disk are left as they are."""

_DECODER: Final = json.JSONDecoder()

OF_DRIVE: Final = ("start_ns", "sources", "dbcs", "history", "conditions", "is_averaged", "import_flags")
"""What a header has of its drive, and gives back to it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelHeader:
    """Where one channel lies in the file, and what is known about it.

    Parameters
    ----------
    name, unit, source : str
        Canonical name, SI unit, and the signal it came from.
    row_group : int
        Row group that holds its samples; -1 for a channel without any.
    count : int
        Samples.
    is_derived : bool
        True when computed from other channels.
    sigma : float or None
        One standard uncertainty of a value, in its unit.
    """

    name: str
    unit: str
    source: str
    row_group: int
    count: int
    is_derived: bool = False
    sigma: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class DriveHeader:
    """A drive without its samples.

    Parameters
    ----------
    id : str
        Name of the drive by what it came from.
    start_ns, duration_s, is_averaged, sources, dbcs, history, conditions, import_flags
        As in ``Drive``.
    summary : DriveSummary
        As at import.
    channels : tuple of ChannelHeader
        In the drive's order.
    written_by : str
        Version of logan.
    """

    id: str
    start_ns: int | None
    duration_s: float
    is_averaged: bool = False
    sources: tuple[LogSource, ...] = ()
    dbcs: tuple[LogSource, ...] = ()
    history: tuple[Step, ...] = ()
    conditions: DriveConditions = field(default_factory=DriveConditions)
    summary: DriveSummary = field(default_factory=DriveSummary)
    channels: tuple[ChannelHeader, ...] = ()
    import_flags: tuple[DataFlag, ...] = ()
    written_by: str = ""

    @classmethod
    def of(
        cls, drive: Drive, *, drive_id: str, summary: DriveSummary, channels: tuple[ChannelHeader, ...]
    ) -> DriveHeader:
        """Header of a drive about to be written."""
        from logan.version import VERSION

        own: dict[str, Any] = {name: getattr(drive, name) for name in (*OF_DRIVE, "duration_s")}
        return cls(id=drive_id, summary=summary, channels=channels, written_by=VERSION, **own)

    def to_json(self) -> str:
        """One line of JSON, keys sorted, so that equal headers are equal text."""
        content = {entry.name: json_ready(getattr(self, entry.name)) for entry in fields(self)}
        return json.dumps(
            {**content, "format": FORMAT_NAME, "version": FORMAT_VERSION}, sort_keys=True, separators=(",", ":")
        )

    @classmethod
    def from_json(
        cls, text: str, path: Path | None = None, *, migrations: Mapping[int, Migration] = MIGRATIONS
    ) -> DriveHeader:
        """Read a header of this version or an older one.

        Raises
        ------
        DriveLibraryError
            If a newer logan wrote it.
        ValueError, TypeError, KeyError
            If it is no header at all.
        """
        return result_from_json(cls, upgraded(json_content(text), FORMAT_NAME, FORMAT_VERSION, migrations, path))


def upgraded(
    content: Any, name: str, version: int, migrations: Mapping[int, Migration], path: Path | None
) -> dict[str, Any]:
    """Bring JSON content of an older version up to ``version``, one step at a time.

    Raises
    ------
    DriveLibraryError
        If a newer logan wrote it.
    ValueError
        If it is of another format.
    """
    if not isinstance(content, dict) or content.get("format") != name or not isinstance(content.get("version"), int):
        raise ValueError(f"this is not a {name} header")
    if content["version"] < min((1, *migrations)):
        raise ValueError(f"this is no version of {name}")
    if content["version"] > version:
        raise DriveLibraryError(
            f"this was written as version {content['version']} of {name}, and this logan reads up to {version}",
            "Install a newer logan to read it; nothing was changed",
            path,
        )
    upgrade: dict[str, Any] = content
    for step in range(content["version"], version):
        upgrade = {**migrations[step](upgrade), "version": step + 1}
    return upgrade


class StoredFigures(Mapping[str, Figure]):
    """Figures kept as compact JSON text until one is asked for: a list of a thousand drives shows few of many.

    Parameters
    ----------
    text : str
        One object, as ``json.dumps`` writes it without spaces.
    """

    def __init__(self, text: str) -> None:
        self._text = text

    def __getitem__(self, name: str) -> Figure:
        # Within a JSON string a quotation mark is escaped, so that this is found as a key or not at all.
        key = json.dumps(name) + ":{"
        place = self._text.find(key)
        if place < 0:
            raise KeyError(name)
        try:
            return figure_from_json(_DECODER.raw_decode(self._text, place + len(key) - 1)[0])
        except (ValueError, TypeError, AttributeError, RecursionError):
            return Refusal("the index is damaged here", "Run: logan library rebuild")

    def __iter__(self) -> Iterator[str]:
        return iter(self._content())

    def __len__(self) -> int:
        return len(self._content())

    def _content(self) -> list[str]:
        try:
            content = json_content(self._text)
        except ValueError:
            return []
        # A name that damage left without an object behind it is none.
        return [name for name in content if json.dumps(name) + ":{" in self._text] if isinstance(content, dict) else []

    def __repr__(self) -> str:
        return repr(dict(self))


NOTES_FORMAT: Final = "logan-drive-notes"
NOTES_VERSION: Final = 1
MAX_NOTES_BYTES: Final = 8 * 2**20


@dataclass(frozen=True, slots=True, kw_only=True)
class Notes:
    """What takes the place of the header's conditions and summary; None leaves the header's."""

    conditions: DriveConditions | None = None
    summary: DriveSummary | None = None


def write_notes(path: Path, notes: Notes, staging: Path) -> None:
    """Store notes in one step."""
    content = {
        "format": NOTES_FORMAT,
        "version": NOTES_VERSION,
        "conditions": json_ready(notes.conditions),
        "summary": json_ready(notes.summary),
    }
    write_durably(path, (json.dumps(content, indent=1) + "\n").encode(), staging)


def read_notes(path: Path) -> Notes:
    """Notes of a drive; empty where there are none.

    Raises
    ------
    DriveLibraryError
        If the file is damaged or a newer logan wrote it.
    """
    try:
        if path.stat().st_size > MAX_NOTES_BYTES:
            raise ValueError("too large")
        content = path.read_bytes()
    except FileNotFoundError:
        return Notes()
    except (ValueError, OSError) as error:
        raise _unreadable(error, path) from error
    return notes_from(content, path)


def notes_from(content: bytes, path: Path | None = None) -> Notes:
    """Notes from the bytes of their file.

    Raises
    ------
    DriveLibraryError
        If they are damaged or a newer logan wrote them.
    """
    try:
        known = upgraded(json_content(content), NOTES_FORMAT, NOTES_VERSION, {}, path)
        return result_from_json(Notes, {name: known[name] for name in ("conditions", "summary")})
    except (ValueError, TypeError, KeyError, AttributeError) as error:
        raise _unreadable(error, path) from error


def _unreadable(error: Exception, path: Path | None) -> DriveLibraryError:
    return DriveLibraryError(
        f"the notes of a drive cannot be read ({plain_words(error)})",
        "Mend the JSON, or delete the file to go back to the conditions noted at import",
        path,
    )

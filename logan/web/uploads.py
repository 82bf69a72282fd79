"""Logs from the browser: streamed to disk, bounded, and never trusted by name."""

import contextlib
import json
import re
import secrets
import shutil
import time
import zipfile
import zlib
from collections.abc import AsyncIterator, Callable, Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Final

from logan.errors import LoganError, LogReadError, UsageError
from logan.results import json_content

SPARE_BYTES: Final = 200_000_000
"""Room that is left on the disk. [bytes]"""

MOST_IN_ZIP: Final = 200
"""Files of one zip that are taken."""

_ID: Final = re.compile(r"^[0-9a-f]{16}$")
_ABOUT: Final = "about.json"


@dataclass(frozen=True, slots=True, kw_only=True)
class Upload:
    """A log that was sent and is not imported yet.

    Parameters
    ----------
    id : str
        Made here; the only part of its path.
    name : str
        As the user's machine calls it; shown, never used as a path.
    """

    id: str
    name: str
    size_bytes: int
    path: Path


class Uploads:
    """The folder of sent logs of one build: one folder a log, named by an id made here.

    Parameters
    ----------
    folder : Path
        Where they wait.
    max_bytes : int
        Largest log taken.
    """

    def __init__(self, folder: Path, max_bytes: int) -> None:
        self._folder, self._max_bytes = folder, max_bytes

    async def receive(self, name: str, chunks: AsyncIterator[bytes]) -> Upload:
        """Write a log to disk as it comes in; one that breaks off leaves nothing.

        Raises
        ------
        UsageError
            If it is empty, too large, or does not fit on the disk.
        """
        with self._place(name, self._max_bytes) as (upload_id, take):
            async for chunk in chunks:
                take(chunk)
        return self.find(upload_id)

    @contextlib.contextmanager
    def _place(self, name: str, most: int) -> Iterator[tuple[str, Callable[[bytes], object]]]:
        """Open a place for a log: its id, and what takes every chunk and refuses the one too many."""
        upload_id = secrets.token_hex(8)
        place, unfinished = self._folder / upload_id, self._folder / f"{upload_id}.partial"
        size = 0

        def take(chunk: bytes) -> None:
            nonlocal size
            size += len(chunk)
            if size > most:
                raise UsageError(f"the log is larger than {self._max_bytes / 1e9:.0f} GB", "Split it")
            if shutil.disk_usage(self._folder).free < SPARE_BYTES:
                raise UsageError("the disk is nearly full", "Make room and send the log again")
            stream.write(chunk)

        try:
            unfinished.mkdir(parents=True)
            with (unfinished / _file_name(name)).open("xb") as stream:
                yield upload_id, take
            if size == 0:
                raise UsageError("the log is empty", "Check that the logger was recording")
            shown = "".join(character for character in name if character.isprintable())[:200] or "a log"
            (unfinished / _ABOUT).write_text(json.dumps({"name": shown}), encoding="utf-8")
            unfinished.rename(place)
        except OSError as error:
            if isinstance(error, LoganError):
                raise
            raise UsageError(f"the log cannot be kept: {error.strerror}", "Make room and send it again") from error
        finally:
            shutil.rmtree(unfinished, ignore_errors=True)

    def unpacked(self, upload: Upload) -> tuple[Upload, ...]:
        """The files of a zip of several, each as a log that waits, in place of the zip; anything else as it is.

        Raises
        ------
        UsageError
            If it is damaged, or holds too many files or too much; nothing of it is kept then.
        """
        if not zipfile.is_zipfile(upload.path):
            return (upload,)
        made: list[Upload] = []
        try:
            with zipfile.ZipFile(upload.path) as archive:
                members = [info for info in archive.infolist() if not info.is_dir() and _is_named(info.filename)]
                if len(members) < 2:
                    return (upload,)
                if len(members) > MOST_IN_ZIP:
                    raise UsageError(f"the zip file holds {len(members)} files", f"Send at most {MOST_IN_ZIP} at once")
                room = self._max_bytes
                for info in members:
                    with archive.open(info) as stream, self._place(info.filename, room) as (upload_id, take):
                        for chunk in iter(partial(stream.read, 1 << 20), b""):
                            take(chunk)
                    made.append(self.find(upload_id))
                    room -= made[-1].size_bytes
        except (LoganError, zipfile.BadZipFile, RuntimeError, EOFError, OSError, zlib.error) as error:
            for one in (*made, upload):
                with contextlib.suppress(LogReadError):  # forgotten meanwhile
                    self.remove(one.id)
            if isinstance(error, LoganError):
                raise
            raise UsageError("the zip file is damaged or locked", "Unpack it, and send what was in it") from error
        with contextlib.suppress(LogReadError):
            self.remove(upload.id)
        return tuple(made)

    def list(self) -> tuple[Upload, ...]:
        """Logs that wait, newest first; one that is taken away while we look is not among them."""
        found: list[tuple[float, Upload]] = []
        for path in self._folder.iterdir() if self._folder.is_dir() else ():
            if _ID.match(path.name):
                with contextlib.suppress(OSError, LogReadError):
                    found.append((path.stat().st_mtime, self.find(path.name)))
        return tuple(upload for _, upload in sorted(found, key=lambda one: -one[0]))

    def find(self, upload_id: str) -> Upload:
        """One log by its id.

        Raises
        ------
        LogReadError
            If there is none, or it is just being taken away.
        """
        place = self._folder / upload_id
        try:
            is_there = _ID.match(upload_id) and place.is_dir()
            (path,) = [path for path in place.iterdir() if path.name != _ABOUT] if is_there else []
            size_bytes = path.stat().st_size
        except (OSError, ValueError):
            raise LogReadError("there is no such log", "Send it again") from None
        try:
            name = str(json_content((place / _ABOUT).read_text(encoding="utf-8"))["name"])
        except (OSError, ValueError, KeyError, TypeError):
            name = path.name
        return Upload(id=upload_id, name=name, size_bytes=size_bytes, path=path)

    def remove(self, upload_id: str) -> None:
        """Forget a log: out of sight at once, then off the disk, or by the next sweep where that breaks off."""
        self.find(upload_id)
        gone = self._folder / f"{upload_id}.partial"
        with contextlib.suppress(OSError):  # another request was faster
            (self._folder / upload_id).rename(gone)
        shutil.rmtree(gone, ignore_errors=True)

    def sweep(self, older_than_s: float = 86_400.0) -> None:
        """Remove what broke off long ago."""
        if self._folder.is_dir():
            for path in self._folder.glob("*.partial"):
                with contextlib.suppress(OSError):  # gone meanwhile
                    if time.time() - path.stat().st_mtime > older_than_s:
                        shutil.rmtree(path, ignore_errors=True)


def _is_named(member: str) -> bool:
    """False for what archivers add of their own."""
    parts = member.replace("\\", "/").split("/")
    return bool(parts[-1]) and not any(part.startswith((".", "__MACOSX")) for part in parts)


def _file_name(name: str) -> str:
    """A harmless file name that still reminds of the log's own."""
    stem = re.sub(r"[^A-Za-z0-9._-]+", "_", name.replace("\\", "/").rsplit("/", 1)[-1]).strip("._-")
    return f"{stem[-100:] or 'log'}" if stem != _ABOUT else "log"

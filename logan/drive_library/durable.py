"""Files that are there whole or not at all, after a kill, a full disk or a lost power supply."""

import contextlib
import os
import sys
import time
import uuid
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO, Final

from logan.errors import DriveLibraryBusyError, UsageError

LOCK_PATIENCE_S: Final = 60.0
READER_PATIENCE_S: Final = 2.0
"""A reader waits so long for a writer to end, and then reads what was there before. [s]"""
_RETRY_S: Final = 0.005


def synced(path: Path) -> None:
    """Have the operating system put a file, or the names in a folder, on the medium."""
    if path.is_dir() and sys.platform == "win32":
        return  # Windows has no handle on a folder, and orders renames itself
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def replace_durably(temporary: Path, final: Path) -> None:
    """Rename a finished file to its name; afterwards neither its bytes nor its name can be lost."""
    synced(temporary)
    temporary.replace(final)
    synced(final.parent)


@contextlib.contextmanager
def set_aside(path: Path, staging: Path | None = None) -> Iterator[Path]:
    """A file to be written, beside ``path`` or in ``staging``: at the end of the block it takes its place, whole.

    Raises
    ------
    UsageError
        If a device, a pipe or the like lies at ``path``: it would be gone.
    """
    if path.exists() and not (path.is_file() or path.is_dir()):
        raise UsageError("this is no regular file", "Choose another place", path)
    temporary = (staging or path.parent) / f".{uuid.uuid4().hex}{path.suffix}"
    try:
        yield temporary
        replace_durably(temporary, path)
    finally:
        temporary.unlink(missing_ok=True)


def write_durably(path: Path, content: bytes, staging: Path | None = None) -> None:
    """Put ``content`` at ``path`` in one step; an older file is replaced whole."""
    with set_aside(path, staging) as temporary:
        temporary.write_bytes(content)


@contextlib.contextmanager
def locked(path: Path, *, shared: bool = False, wait_s: float = LOCK_PATIENCE_S) -> Iterator[None]:
    """Hold a lock that the operating system lets go of when the process dies.

    Raises
    ------
    DriveLibraryBusyError
        If somebody else holds it for longer than ``wait_s``.
    """
    with path.open("a+b") as handle:
        deadline = time.monotonic() + wait_s
        while not _try_lock(handle, shared=shared):
            if time.monotonic() >= deadline:
                raise DriveLibraryBusyError(
                    f"another process has held the library for {wait_s:.0f} s",
                    "Wait for it to end, or stop it; a process that died holds nothing",
                    path,
                )
            time.sleep(_RETRY_S)
        try:
            yield
        finally:
            _unlock(handle)


if sys.platform == "win32":
    import msvcrt

    def _try_lock(handle: BinaryIO, *, shared: bool) -> bool:
        # Windows locks bytes and knows no shared lock: a sharer takes one of 64 bytes, an excluder all of them.
        spans = [(slot, 1) for slot in range(64)] if shared else [(0, 64)]
        for start, count in spans:
            handle.seek(start)
            try:
                msvcrt.locking(handle.fileno(), msvcrt.LK_NBLCK, count)
            except OSError:
                continue
            handle.seek(start)
            return True
        return False

    def _unlock(handle: BinaryIO) -> None:
        """Closing the file lets go of its locks."""

else:
    import fcntl

    def _try_lock(handle: BinaryIO, *, shared: bool) -> bool:
        try:
            fcntl.flock(handle, (fcntl.LOCK_SH if shared else fcntl.LOCK_EX) | fcntl.LOCK_NB)
        except (BlockingIOError, InterruptedError):
            return False
        return True

    def _unlock(handle: BinaryIO) -> None:
        fcntl.flock(handle, fcntl.LOCK_UN)

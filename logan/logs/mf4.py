"""MF4 (ASAM MDF 4) logs of CAN frames, read by a process of its own, which may hang, crash or fill its memory alone.

What it reads them with is ``logan.logs.mf4_frames``.
"""

from __future__ import annotations

import atexit
import contextlib
import json
import os
import pickle
import shutil
import subprocess
import sys
import tempfile
import threading
from collections.abc import Iterable, Iterator
from importlib.util import find_spec
from pathlib import Path
from typing import BinaryIO, ClassVar, Final

from logan.errors import LogReadError, MissingExtraError
from logan.frames.table import FrameTable
from logan.logs.log_format import Block, LogFormat, ReadOptions, ReadReport, keep_work_arrays

_MEMORY_PER_BYTE, _MEMORY_BESIDES = 200, 1 << 30
"""What the process that reads may take, twice what packed records may grow to, and besides; its libraries alone
take a third of a gigabyte. [bytes]"""
_IDLE_S: Final = 60.0
"""How long a process that has read a file waits for another."""

_MAGIC: Final = (b"MDF     4.", b"UnFinMF 4.")


def read(stream: BinaryIO, path: Path, options: ReadOptions, report: ReadReport) -> Iterator[Block]:
    """Read the frames of an MF4 log, in a process of its own.

    On a damaged file asammdf may fail in any way, hang, fill the memory, or crash in its compiled part: its process
    then ends alone, by the limits that it was given or by what is waited for here. One that read well waits for more.

    Raises
    ------
    MissingExtraError
        If asammdf is not installed.
    LogReadError
        If the file is damaged, or holds no frames.
    """
    if find_spec("asammdf") is None:
        raise MissingExtraError("mf4", "Reading MF4 logs")
    reader = Reader.waiting()
    try:
        part = reader.ask(str(Path(stream.name).absolute()))
        while isinstance(part, FrameTable):
            reader.request()  # it reads on while this block is worked on
            yield part
            part = reader.answer()
    finally:
        reader.rest()
    if part is None:
        raise LogReadError("the MF4 file is damaged, or cut off", "Copy it from the logger again", path)
    group_count, odd_count = part
    if odd_count:
        report.skip("an identifier of more than 11 bits, or 29 where it is extended", count=odd_count)
    if not group_count:
        remedy = "If it holds channels, export them as CSV and give that file; else export the frames as BLF or ASC"
        raise LogReadError("the MF4 file holds no CAN frames", remedy, path)


def prepare(paths: Iterable[Path]) -> None:
    """Let a process load its libraries, half a second's work, while what comes before the first MF4 file is done."""
    if any(path.suffix.lower() in FORMAT.suffixes for path in paths) and find_spec("asammdf") and not Reader.idle:
        Reader().rest()


class Reader:
    """A process that reads one file after the other, and what it may leave behind.

    It is asked for the first block of a file, or for the next.
    """

    idle: ClassVar[list[Reader]] = []
    """Those that read well and wait for another file."""

    patience_s: float = 60.0
    """Longest wait for an answer."""

    def __init__(self) -> None:
        # asammdf copies a log that was not finished to where temporary files go, and leaves it there if it is killed.
        self.folder = tempfile.mkdtemp(prefix="logan-mf4-")
        # -P: a folder that logan is run in brings no module of its own along.
        self.process = subprocess.Popen(
            [sys.executable, "-P", "-c", "from logan.logs.mf4 import serve; serve()"],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
            env=os.environ | {"TMPDIR": self.folder},
        )  # fmt: skip
        self._is_asked, self._is_well, self._leaving = False, True, threading.Timer(_IDLE_S, self._leave)

    @classmethod
    def waiting(cls) -> Reader:
        """One that waits already, or a new one."""
        with contextlib.suppress(IndexError):
            while True:
                reader = cls.idle.pop()
                reader._leaving.cancel()
                if reader.process.poll() is None:
                    return reader
                reader.end()
        return cls()

    def ask(self, path: str = "") -> FrameTable | tuple[int, int] | None:
        """Answer to a request."""
        self.request(path)
        return self.answer()

    def request(self, path: str = "") -> None:
        """Ask for the first block of a file, or for the next block; of the last, for nothing."""
        assert self.process.stdin is not None
        with contextlib.suppress(OSError):  # it has ended: its answer says so
            os.write(self.process.stdin.fileno(), json.dumps(path).encode() + b"\n")
        self._is_asked = True

    def answer(self) -> FrameTable | tuple[int, int] | None:
        """Frames, or at the end the number of groups and of frames left out; None where it came to nothing."""
        assert self.process.stdout is not None
        patience = threading.Timer(self.patience_s, self.process.kill)
        patience.start()
        self._is_asked, self._is_well = False, False
        try:
            answer: FrameTable | tuple[int, int] | None = pickle.load(self.process.stdout)
        except (EOFError, pickle.UnpicklingError):
            return None
        finally:
            patience.cancel()
        self._is_well = answer is not None
        return answer

    def rest(self) -> None:
        """Wait for the next file if all went well; what lies in memory after a damaged one is not to be trusted."""
        if self._is_asked:
            self.answer()
        if not self._is_well:
            self.end()
            return
        self._leaving = threading.Timer(_IDLE_S, self._leave)
        self._leaving.daemon = True
        self._leaving.start()
        Reader.idle.append(self)

    def _leave(self) -> None:
        with contextlib.suppress(ValueError):  # another file came at this very moment
            Reader.idle.remove(self)
            self.end()

    def end(self) -> None:
        """End the process, and remove what it left."""
        with self.process:
            self.process.kill()
        shutil.rmtree(self.folder, ignore_errors=True)


@atexit.register
def _end_all() -> None:
    while Reader.idle:
        Reader.waiting().end()


def serve() -> None:
    """Answer what is asked on the standard input, within limits; what asammdf says goes nowhere."""
    import asammdf  # noqa: F401 (before a file comes)

    from logan.logs.mf4_frames import read_frames

    keep_work_arrays()
    parts: Iterator[FrameTable | tuple[int, int]] = iter(())
    try:
        with os.fdopen(os.dup(1), "wb") as out:
            os.dup2(2, 1)
            for line in sys.stdin:
                if path := json.loads(line):
                    del parts  # closes what is read no more
                    _limit_memory(Path(path))
                    parts = read_frames(Path(path))
                try:
                    part = next(parts, (0, 0))
                except Exception:  # whatever asammdf does
                    part = None
                pickle.dump(part, out, pickle.HIGHEST_PROTOCOL)
                out.flush()
    finally:
        shutil.rmtree(tempfile.gettempdir(), ignore_errors=True)


def _limit_memory(path: Path) -> None:
    """Never to less than before: what earlier files took may be held for reuse."""
    if find_spec("resource") is not None:
        import resource

        before, hard = resource.getrlimit(resource.RLIMIT_DATA)
        most = _MEMORY_BESIDES + _MEMORY_PER_BYTE * path.stat().st_size
        if hard == resource.RLIM_INFINITY:
            resource.setrlimit(resource.RLIMIT_DATA, (max(before, most), hard))


FORMAT: Final = LogFormat(
    name="mf4",
    description="MF4, ASAM MDF 4 log of CAN frames",
    looks_like=lambda head: head.startswith(_MAGIC),
    read=read,
    extra="mf4",
    needs_file=True,
    suffixes=(".mf4",),
)

"""BLF, the binary log of automotive bus tools: objects in containers that are mostly deflated.

A file without its closing update (the logger lost power) reads as far as it goes: sizes and counts in
the file header are not relied on. Times count from the start that the header gives, in UTC.
"""

import datetime
import zlib
from collections import deque
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import BinaryIO, Final, cast

import numpy as np

from logan.errors import LogReadError
from logan.frames.table import FrameTable
from logan.logs.blf_frames import frames_of
from logan.logs.blf_objects import GATHER_BYTES, find_objects
from logan.logs.log_format import LogFormat, ReadReport
from logan.logs.text_lines import LATEST_NS

GROUP_BYTES: Final = 1024 * 1024
"""Objects read at once; containers are joined up to this size. [bytes]"""

MAX_CONTAINER_BYTES: Final = 64 * 1024 * 1024
"""A container that is larger, packed or unpacked, is broken. [bytes]"""

_LOG_CONTAINER: Final = 10
_STORED, _DEFLATED = 0, 2
_FILE_MAGIC, _OBJECT_MAGIC = b"LOGG", b"LOBJ"
_START_TIME_AT: Final = 40
_READ_BYTES: Final = 1024 * 1024
_SALVAGE_BYTES: Final = 256
_UNPACKED_AHEAD: Final = 24
_DAMAGED: Final = "the packed data of the container is damaged"
_NO_OBJECT: Final = "no object starts where one should"


@dataclass(frozen=True, slots=True)
class _Container:
    """One container as it lies in the file; ``method`` is -1 for an object outside any."""

    file_offset: int
    method: int
    content: bytes
    is_whole: bool


@dataclass(frozen=True, slots=True)
class _Unpacked:
    file_offset: int
    content: bytes
    problem: str


def frame_blocks(
    stream: BinaryIO, path: Path, report: ReadReport, *, threads: int = 1, group_bytes: int = GROUP_BYTES
) -> Iterator[FrameTable]:
    """Blocks of frames of a BLF log.

    Parameters
    ----------
    stream : BinaryIO
        The log, from its start.
    path : Path
        Its name, for errors.
    report : ReadReport
        Filled in passing.
    threads : int
        With two or more, containers are unpacked in another thread, ahead of their reading.
    group_bytes : int
        Objects read at once; changes nothing in what is read. [bytes]

    Raises
    ------
    LogReadError
        If there is no BLF file header.
    """
    file = _File(stream)
    start_ns = _file_header(file, path)
    objects = _ObjectStream(start_ns, report)
    pending: list[_Unpacked] = []
    pending_bytes = 0
    for unpacked in _unpack_all(_containers(file, report), threads):
        pending.append(unpacked)
        pending_bytes += len(unpacked.content)
        if pending_bytes >= group_bytes:
            yield objects.take(pending)
            pending, pending_bytes = [], 0
    if pending:
        yield objects.take(pending)
    yield from objects.finish()


class _File:
    """A stream read in large pieces, from which bytes can be looked for and put back."""

    def __init__(self, stream: BinaryIO) -> None:
        self._stream = stream
        self._buffer = b""
        self._at = 0
        self._buffer_offset = 0

    @property
    def offset(self) -> int:
        """Bytes taken so far."""
        return self._buffer_offset + self._at

    def peek(self, count: int) -> bytes:
        """The next ``count`` bytes, or what is left of them."""
        while len(self._buffer) - self._at < count:
            more = self._stream.read(max(_READ_BYTES, count))
            if not more:
                break
            self._buffer_offset += self._at
            self._buffer, self._at = self._buffer[self._at :] + more, 0
        return self._buffer[self._at : self._at + count]

    def take(self, count: int) -> bytes:
        """The next ``count`` bytes, or what is left of them, and step over them."""
        taken = self.peek(count)
        self._at += len(taken)
        return taken

    def skip_to(self, characters: bytes) -> bool:
        """Step to the next place where ``characters`` stand; False at the end."""
        while True:
            window = self.peek(_READ_BYTES)
            found = window.find(characters)
            if found >= 0:
                self._at += found
                return True
            if len(window) < len(characters):
                return False
            self._at += len(window) - len(characters) + 1


def _file_header(file: _File, path: Path) -> int:
    header = file.take(72)
    if not header.startswith(_FILE_MAGIC) or len(header) < 72:
        raise LogReadError("the BLF file header is missing or cut off", "Copy the log again from the logger", path)
    size = int.from_bytes(header[4:8], "little")
    if not 72 <= size <= 4096:
        raise LogReadError(f"the BLF file header says it is {size} bytes long", "Copy the log again", path)
    file.take(size - 72)
    return _system_time_ns(np.frombuffer(header, "<u2", 8, _START_TIME_AT).tolist())


def _system_time_ns(fields: list[int]) -> int:
    """Year, month, day of the week, day, hour, minute, second, millisecond in UTC; 0 where that is no date."""
    year, month, _, day, hour, minute, second, millisecond = fields
    try:
        moment = datetime.datetime(year, month, day, hour, minute, second, tzinfo=datetime.UTC)
    except ValueError:
        return 0
    start_ns = int(moment.timestamp()) * 1_000_000_000 + millisecond * 1_000_000
    return start_ns if abs(start_ns) < LATEST_NS // 2 else 0  # with room for the times that count from it


def _containers(file: _File, report: ReadReport) -> Iterator[_Container]:
    is_lost = False
    while header := file.peek(16):
        # Up to four bytes of padding stand between containers.
        padding = header[:8].find(_OBJECT_MAGIC)
        if padding > 0:
            file.take(padding)
            continue
        size = int.from_bytes(header[8:12], "little")
        if padding < 0 or not 16 <= size <= MAX_CONTAINER_BYTES:
            if len(header) < 16 or not file.peek(17)[16:]:
                report.is_truncated |= bool(header.strip(b"\0"))
                return
            if not is_lost:
                report.skip("there is no container where one should start", byte_offset=file.offset)
            is_lost = True
            file.take(1)
            file.skip_to(_OBJECT_MAGIC)
            continue
        if len(header) < 16:
            report.is_truncated = True
            return
        is_lost = False
        yield from _container(file, size, report)


def _container(file: _File, size: int, report: ReadReport) -> Iterator[_Container]:
    offset = file.offset
    content = file.take(size)
    is_whole = len(content) == size
    report.is_truncated |= not is_whole
    if int.from_bytes(content[12:16], "little") != _LOG_CONTAINER:
        yield _Container(offset, -1, content, is_whole)
    elif len(content) > 32:
        yield _Container(offset, int.from_bytes(content[16:18], "little"), content[32:], is_whole)


def _unpack_all(containers: Iterator[_Container], threads: int) -> Iterator[_Unpacked]:
    if threads < 2:
        yield from map(_unpack, containers)
        return
    waiting: deque[Future[_Unpacked]] = deque()
    pool = ThreadPoolExecutor(1, thread_name_prefix="logan-unpack")
    try:
        for container in containers:
            waiting.append(pool.submit(_unpack, container))
            if len(waiting) > _UNPACKED_AHEAD:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


def _unpack(container: _Container) -> _Unpacked:
    if container.method in (-1, _STORED):
        content, problem = container.content, ""
    elif container.method == _DEFLATED:
        content, problem = _inflated(container)
    else:
        content, problem = b"", f"the container is packed by method {container.method}, which is not known"
    return _Unpacked(container.file_offset, content, problem)


def _inflated(container: _Container) -> tuple[bytes, str]:
    from isal import igzip_lib, isal_zlib

    inflater = isal_zlib.decompressobj()
    try:
        content = inflater.decompress(container.content, MAX_CONTAINER_BYTES)
    except cast(type[Exception], igzip_lib.IsalError):
        return _unpack_as_far_as_it_goes(container.content), _DAMAGED
    if inflater.unconsumed_tail and not inflater.eof:
        return content, "the container unpacks to more than any logger writes"
    return content, _DAMAGED if container.is_whole and not inflater.eof else ""


def _unpack_as_far_as_it_goes(content: bytes) -> bytes:
    inflater = zlib.decompressobj()
    parts: list[bytes] = []
    # Small steps: what one step unpacked before it met the damage is lost with it.
    for at in range(0, len(content), _SALVAGE_BYTES):
        try:
            parts.append(inflater.decompress(content[at : at + _SALVAGE_BYTES], MAX_CONTAINER_BYTES))
        except zlib.error:
            break
    return b"".join(parts)


@dataclass(slots=True)
class _ObjectStream:
    """The objects of all containers, one after another; an object may lie in two of them."""

    start_ns: int
    report: ReadReport
    _rest: bytes = b""
    _rest_offset: int = 0
    _padding: int = 0
    _is_lost: bool = False
    _is_aligned: bool = True
    _places: list[tuple[int, int]] = field(default_factory=list)

    def take(self, containers: list[_Unpacked]) -> FrameTable:
        """Frames of the objects that these containers complete."""
        self._places = [(0, self._rest_offset)] if self._rest else []
        size = len(self._rest)
        parts = [self._rest]
        for container in containers:
            if container.problem:
                self.report.skip(container.problem, byte_offset=container.file_offset)
            self._places.append((size, container.file_offset))
            parts.append(container.content)
            size += len(container.content)
        data = np.frombuffer(b"".join([*parts, bytes(GATHER_BYTES)]), np.uint8)
        objects = find_objects(data, min(self._padding, size), size, is_lost=self._is_lost, is_aligned=self._is_aligned)
        frames, broken = frames_of(data, objects, self.start_ns)
        for at in objects.broken_at:
            self.report.skip(f"{_NO_OBJECT}, {self._inside(at)}", byte_offset=self._place(at)[1])
        for at in broken.tolist():
            self.report.skip(f"a frame object makes no sense, {self._inside(at)}", byte_offset=self._place(at)[1])
        self._is_lost, self._is_aligned = objects.is_lost, objects.is_aligned
        self._rest = data[objects.next_at : size].tobytes()
        self._rest_offset = self._place(objects.next_at)[1]
        self._padding = max(objects.next_at - size, 0)
        return frames

    def finish(self) -> Iterator[FrameTable]:
        """Note an object that the end of the log cut off, unless others lie in it: then its size is wrong."""
        if not self._rest.strip(b"\0") or self._is_lost:
            return
        data = np.frombuffer(self._rest + bytes(GATHER_BYTES), np.uint8)
        inside = find_objects(data, 1, len(self._rest), is_lost=True)
        self.report.is_truncated = True
        if inside.at.size:
            self.report.skip(_NO_OBJECT, byte_offset=self._rest_offset)
            yield frames_of(data, inside, self.start_ns)[0]

    def _place(self, at: int) -> tuple[int, int]:
        before = [place for place in self._places if place[0] <= at]
        return before[-1] if before else (0, 0)

    def _inside(self, at: int) -> str:
        return f"{at - self._place(at)[0]} bytes into the unpacked container"


FORMAT: Final = LogFormat(
    name="blf",
    description="BLF, binary log of automotive bus tools",
    looks_like=lambda head: head.startswith(_FILE_MAGIC),
    read=lambda stream, path, options, report: frame_blocks(stream, path, report, threads=options.threads),
    suffixes=(".blf",),
)

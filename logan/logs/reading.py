"""Read a log block by block: recognise it, cut text into chunks, use the threads, count."""

import codecs
from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, BinaryIO, Final, TypeAlias, TypeVar

import numpy as np
from numpy.typing import NDArray

from logan.frames.table import FrameTable, SignalTable
from logan.logs.compression import HashingFile, open_log, read_head, unpacked
from logan.logs.log_format import (
    HEAD_BYTES,
    PADDING,
    Formats,
    LogFormat,
    ParsedChunk,
    ReadOptions,
    ReadReport,
    keep_work_arrays,
)
from logan.logs.registry import LOG_FORMATS, format_named, identify, is_wide, plain_text
from logan.logs.text_lines import has_compiled_readers

CHUNK_BYTES: Final = 2 * 1024 * 1024
"""Text handed to a parser at once; larger chunks leave the cache and are slower. [bytes]"""

MAX_LINE_BYTES: Final = 1024 * 1024
"""A line longer than this is no frame; it is dropped and counted. [bytes]"""

_NEWLINE: Final = 10
_RETURN: Final = b"\r"
_MARK_BYTES: Final = 4096
_LONG_TEXT_BYTES: Final = 10 * 1024 * 1024
_READ_SLOWLY: Final = (
    "read line by line, because logan was installed without a C compiler; "
    "install one and logan again to read text logs some thirty times as fast"
)

T = TypeVar("T")
Then: TypeAlias = Callable[[FrameTable], T]


def recognise(path: Path, format_name: str | None = None, formats: Formats = LOG_FORMATS) -> LogFormat:
    """Return the format of a log, by its content or by the name given.

    Raises
    ------
    LogReadError
        If the file cannot be opened, is empty, or is no log that is known.
    """
    head = read_head(path, HEAD_BYTES)
    return format_named(format_name, formats) if format_name else identify(path, head, formats)


def read_blocks(
    path: Path,
    log_format: LogFormat,
    options: ReadOptions,
    report: ReadReport,
    then: Then[T],
    *,
    chunk_bytes: int = CHUNK_BYTES,
) -> Iterator[T | SignalTable]:
    """Read one log, in bounded memory.

    Parameters
    ----------
    path : Path
        The log, compressed or not.
    log_format : LogFormat
        What it is.
    options : ReadOptions
        How to read it.
    report : ReadReport
        Filled while reading; complete when the iterator is exhausted.
    then : callable
        Applied to each block of frames, in the thread that made it. It must not depend on order.
    chunk_bytes : int
        Size of a chunk of text; changes nothing in what is read. [bytes]

    Yields
    ------
    object
        What ``then`` made of each block, in the order of the log; or tables of channels.

    Raises
    ------
    LogReadError
        If the file cannot be read as that format at all.
    """
    if log_format.holds_frames:
        keep_work_arrays()
    report.log_format = log_format.name
    report.size_bytes = path.stat().st_size if path.is_file() else 0
    with ExitStack() as stack:
        stream, file = stack.enter_context(open_log(path, is_hashed=options.is_hashed))
        if log_format.parser is not None:
            text = _Text(stream, file, path, options, report, chunk_bytes)
            yield from text.read(log_format, then)
        else:
            assert log_format.read is not None  # LogFormat has one of the two
            source = stack.enter_context(unpacked(stream, path)) if log_format.needs_file else stream
            for block in log_format.read(source, path, options, report):
                report.bytes_read = max(report.bytes_read, min(file.tell(), report.size_bytes))
                if isinstance(block, SignalTable):
                    yield block
                else:
                    report.frame_count += len(block)
                    yield then(block)
        report.is_truncated |= bool(getattr(stream, "is_truncated", False))
        report.notes += getattr(stream, "notes", ())
        report.sha256 = file.sha256() if options.is_hashed else ""
        report.bytes_read = report.size_bytes


@dataclass(slots=True)
class _Chunk:
    """A reused buffer with whole lines in it; ``is_last_line`` where the file ends without a newline."""

    buffer: NDArray[np.uint8]
    size: int
    is_last_line: bool
    bytes_read: int


class _PlainText:
    """Text in one byte a character with newlines at line ends, whatever the file has."""

    def __init__(self, stream: BinaryIO, head: bytes) -> None:
        self._stream = stream
        self._decoder = codecs.getincrementaldecoder("utf-16")("replace") if is_wide(head) else None
        self._has_returns_alone = plain_text(head) != plain_text(head, keeps_returns=True)
        self._waiting = b""

    def readinto(self, view: memoryview) -> int:
        """Fill a buffer; returns how far, 0 at the end."""
        if self._decoder is None:
            count: int = self._stream.readinto(view)  # type: ignore[attr-defined]
        else:
            while not self._waiting and (block := self._stream.read(len(view))):
                self._waiting = self._decoder.decode(block).encode()
            count = min(len(view), len(self._waiting))
            view[:count] = self._waiting[:count]
            self._waiting = self._waiting[count:]
        if count and self._has_returns_alone:
            text = np.frombuffer(view[:count], np.uint8)
            text[text == _RETURN[0]] = _NEWLINE
        return count


class _Text:
    """Driver of one text file."""

    def __init__(
        self,
        stream: BinaryIO,
        file: HashingFile,
        path: Path,
        options: ReadOptions,
        report: ReadReport,
        chunk_bytes: int,
    ) -> None:
        self._stream, self._file, self._path = _PlainText(stream, read_head(path, _MARK_BYTES)), file, path
        self._options, self._report = options, report
        self._chunk_bytes = chunk_bytes
        self._line = 1
        depth = 1 if options.threads < 2 else 2 * options.threads + 1
        self._free = deque(np.zeros(MAX_LINE_BYTES + chunk_bytes + PADDING, np.uint8) for _ in range(depth))

    def read(self, log_format: LogFormat, then: Then[T]) -> Iterator[T]:
        assert log_format.parser is not None  # read_blocks looked
        if not has_compiled_readers() and self._report.size_bytes > _LONG_TEXT_BYTES:
            self._report.notes.append(_READ_SLOWLY)
        parser = log_format.parser(plain_text(read_head(self._path, HEAD_BYTES)), self._path, self._options)
        notes, layout = getattr(parser, "findings", ((), ()))
        self._report.notes += notes
        self._report.layout += layout
        work = partial(_parse, parser.parse_chunk, None if parser.join else then)
        for chunk, (parsed, made) in self._run(work):
            self._count(chunk, parsed)
            frames = parser.join(parsed.frames) if parser.join else parsed.frames
            result = then(frames) if parser.join else made
            self._free.append(chunk.buffer)
            yield result

    def _run(self, work: Callable[[_Chunk], Any]) -> Iterator[tuple[_Chunk, Any]]:
        if self._options.threads < 2:
            for chunk in self._chunks():
                yield chunk, work(chunk)
            return
        # This thread works too: one thread more than there are processors costs more in switching than it gains.
        helpers = self._options.threads - 1
        waiting: deque[tuple[_Chunk, Future[Any]]] = deque()
        pool = ThreadPoolExecutor(helpers, thread_name_prefix="logan-read")
        try:
            for chunk in self._chunks():
                if sum(not future.done() for _, future in waiting) < 2 * helpers:
                    waiting.append((chunk, pool.submit(work, chunk)))
                else:
                    waiting.append((chunk, _done(work, chunk)))
                while waiting and (waiting[0][1].done() or len(waiting) > 2 * helpers + 1):
                    first, future = waiting.popleft()
                    yield first, future.result()
            while waiting:
                first, future = waiting.popleft()
                yield first, future.result()
        finally:
            pool.shutdown(wait=True, cancel_futures=True)

    def _chunks(self) -> Iterator[_Chunk]:
        """Cut the text at newlines; what is left of the last line goes to the front of the next buffer."""
        carried = b""
        while True:
            buffer = self._free.popleft()
            view = buffer.data
            view[: len(carried)] = carried
            end = len(carried) + self._fill(view[len(carried) : len(carried) + self._chunk_bytes])
            if end == len(carried):
                break
            cut = _behind_last_newline(buffer, len(carried), end)
            if cut == 0:
                # The NUL keeps the rest of an overlong line from passing for a line of its own.
                carried = bytes(view[:end]) if end <= MAX_LINE_BYTES else b"\x00"
                self._free.append(buffer)
                continue
            carried = bytes(view[cut:end])
            yield self._chunk(buffer, cut)
        if carried:
            view[end : end + 1] = b"\n"
            yield self._chunk(buffer, end + 1, is_last_line=True)

    def _chunk(self, buffer: NDArray[np.uint8], size: int, *, is_last_line: bool = False) -> _Chunk:
        buffer[size : size + PADDING] = 0
        return _Chunk(buffer, size, is_last_line, min(self._file.tell(), self._report.size_bytes))

    def _fill(self, view: memoryview) -> int:
        filled = 0
        while filled < len(view):
            count = self._stream.readinto(view[filled:])
            if not count:
                break
            filled += count
        return filled

    def _count(self, chunk: _Chunk, parsed: ParsedChunk) -> None:
        self._report.frame_count += len(parsed.frames)
        self._report.bytes_read = chunk.bytes_read
        if chunk.is_last_line and parsed.skipped_count:
            self._report.is_truncated = True
        else:
            for skipped in parsed.skipped:
                self._report.skip(skipped.reason, line=self._line + skipped.line, is_lost=False)
            self._report.lost_count += parsed.lost_count
            self._report.skipped_count += parsed.skipped_count - len(parsed.skipped)
        self._line += parsed.line_count


def _done(work: Callable[[_Chunk], Any], chunk: _Chunk) -> Future[Any]:
    """The work, done in this thread."""
    future: Future[Any] = Future()
    future.set_result(work(chunk))
    return future


def _behind_last_newline(buffer: NDArray[np.uint8], start: int, end: int) -> int:
    """Where the last line that starts before ``end`` starts; 0 if there is no newline from ``start`` on."""
    # Lines are short, so the last newline is almost always in the last few hundred bytes.
    for low in (max(start, end - 512), start):
        found = np.flatnonzero(buffer[low:end] == _NEWLINE)
        if found.size:
            return low + int(found[-1]) + 1
    return 0


def _parse(
    parse_chunk: Callable[[NDArray[np.uint8], int], ParsedChunk], then: Then[T] | None, chunk: _Chunk
) -> tuple[ParsedChunk, T | None]:
    parsed = parse_chunk(chunk.buffer, chunk.size)
    return parsed, then(parsed.frames) if then is not None else None

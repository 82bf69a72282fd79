"""The contract between a log format and the code that reads logs with it.

A format is one module in ``logan.logs`` and one line in ``registry.LOG_FORMATS``. It comes in
one of two kinds:

*Text formats* are cut at newlines. The format gives ``parser``: called once a file with the
first bytes of the (decompressed) text, it returns a ``TextParser``. The driver
(``logan.logs.reading``) reads, decompresses, cuts into chunks of about 2 MiB that hold whole
lines, runs ``parse_chunk`` in one or two threads, puts the results back in order and counts.
``parse_chunk`` therefore

* must not depend on earlier chunks: all it knows beyond the chunk is what the header said;
  whatever has to be carried on (times counted from line to line) is done in ``join``, which
  the driver calls in the order of the file, in one thread;
* must give the same frames however the text is cut into chunks;
* gets ``text``, a uint8 array that may only be used during the call (the driver reuses it):
  ``text[:size]`` are whole lines ending in a newline, ``text[size:]`` at least ``PADDING``
  zero bytes, so that a gather of fixed width near the end stays inside;
* meets the header, comment and end lines too, and passes over them without counting them;
* never raises for what is in the text: a line that is no frame is one ``SkippedLine``. The
  last line of a file without a newline is given to it as a chunk of its own; if it is no
  frame there, the driver notes a truncated end rather than a broken line.

*Other formats* give ``read``: a generator over blocks from a binary stream that is positioned
at its start, decompressed, and perhaps not seekable; it calls ``report.skip(...)`` for what
cannot be read and sets ``report.is_truncated``. A format with ``needs_file`` always gets a real
file, whose path is ``stream.name`` (a compressed log is unpacked to a temporary one first).

Either kind yields ``FrameTable`` blocks (any number of rows, also zero; ``buses`` may differ
from block to block, they are matched by name), or, for tables of channels, ``SignalTable``.
Columns that are the same in every row may be zero-stride (``np.broadcast_to``).
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import BinaryIO, Final, Protocol, TypeAlias

import numpy as np
from numpy.typing import NDArray

from logan.errors import UsageError
from logan.frames.table import FrameTable, SignalTable, SkippedPart

HEAD_BYTES: Final = 64 * 1024
"""How much of a file ``looks_like`` and ``parser`` are given, at most. [bytes]"""

PADDING: Final = 256
"""Zero bytes readable behind a chunk. [bytes]"""

SHOWN_SKIPS: Final = 8
"""How many skipped parts of a log are kept with their place."""

Block: TypeAlias = FrameTable | SignalTable


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadOptions:
    """What the user may say about how a log is laid out.

    Parameters
    ----------
    column_layout : str
        What the user says about columns, such as ``"time_ms,bus,id_hex,length,data"`` or ``"time=ms"``; empty
        to infer all of it.
    known_ids : frozenset of (int, bool)
        Identifiers that a DBC has, each with whether it is extended: they settle what a text leaves open.
    bus : str
        Name for the bus of a format that does not carry one.
    threads : int
        1 or more; readers that can use a second thread may.
    wanted : frozenset of str or None
        Columns of a channel table to read; None reads all.
    is_hashed : bool
        Hash the file while it is read.
    """

    column_layout: str = ""
    known_ids: frozenset[tuple[int, bool]] = frozenset()
    bus: str = ""
    threads: int = 1
    wanted: frozenset[str] | None = None
    is_hashed: bool = True


@dataclass(slots=True)
class ReadReport:
    """What happened while a log was read; filled by the reader as it goes.

    Parameters
    ----------
    path : Path
        File that places are given in.
    log_format : str
        Name of the format.
    size_bytes, bytes_read : int
        Of the file on disk, for progress. [bytes]
    frame_count : int
        Frames handed on so far.
    skipped_count : int
        Lines or objects that could not be read.
    lost_count : int
        Those of them that look like frames or rows, or are objects: what is missing.
    skipped : list of SkippedPart
        The first few of them.
    is_truncated : bool
        The log ends in the middle of a line or object.
    layout : list of str
        What was inferred of the layout and why, one line each.
    notes : list of str
        What had to be assumed to read it.
    sha256 : str
        Of the file on disk, once it was read to the end; empty where it is not hashed.
    text_cells : dict of str to SkippedPart
        First cell of a column of numbers that holds text, by the column's name.
    """

    path: Path
    log_format: str = ""
    size_bytes: int = 0
    bytes_read: int = 0
    frame_count: int = 0
    skipped_count: int = 0
    lost_count: int = 0
    skipped: list[SkippedPart] = field(default_factory=list)
    is_truncated: bool = False
    layout: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    sha256: str = ""
    text_cells: dict[str, SkippedPart] = field(default_factory=dict)

    def skip(
        self,
        reason: str,
        *,
        line: int | None = None,
        byte_offset: int | None = None,
        count: int = 1,
        is_lost: bool = True,
    ) -> None:
        """Count something that could not be read; ``line`` is counted from 1, ``byte_offset`` from 0."""
        self.skipped_count += count
        self.lost_count += count * is_lost
        if len(self.skipped) < SHOWN_SKIPS:
            place = str(self.path) if line is None else f"{self.path}:{line}"
            if line is None and byte_offset is not None:
                place = f"{self.path} at byte {byte_offset}"
            self.skipped.append(SkippedPart(place, reason))

    def skip_cell(self, column: str, text: str, line: int) -> None:
        """Count a cell that holds text where its column holds numbers; ``line`` is counted from 1."""
        reason = f"'{text}' in column '{column}' is no number"
        self.skip(reason, line=line, is_lost=False)
        self.text_cells.setdefault(column, SkippedPart(f"{self.path}:{line}", reason))


@dataclass(frozen=True, slots=True)
class SkippedLine:
    """A line that is no frame: its number inside the chunk, from 0, and why."""

    line: int
    reason: str


@dataclass(frozen=True, slots=True)
class ParsedChunk:
    """What one chunk of text held.

    Parameters
    ----------
    frames : FrameTable
        In the order of the text.
    line_count : int
        Lines in the chunk, of any kind.
    skipped_count : int
        Lines that could not be read.
    skipped : tuple of SkippedLine
        The first few of them.
    lost_count : int
        Those of them that look like frames.
    """

    frames: FrameTable
    line_count: int
    skipped_count: int = 0
    skipped: tuple[SkippedLine, ...] = ()
    lost_count: int = 0


class TextParser(Protocol):
    """Parser of one text file; what it learned from the header does not change any more.

    One that infers has ``findings`` too: what had to be assumed, and what was found and why, as two tuples of lines.
    """

    def parse_chunk(self, text: NDArray[np.uint8], size: int) -> ParsedChunk:
        """Frames of ``text[:size]``; called from any thread, in any order."""
        ...

    @property
    def join(self) -> Callable[[FrameTable], FrameTable] | None:
        """Finish a block with what earlier blocks said; None where blocks stand alone."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class LogFormat:
    """One way a log is laid out on disk.

    Parameters
    ----------
    name : str
        Short name, as ``--format`` takes it.
    description : str
        One line for people.
    looks_like : callable
        Given the first ``HEAD_BYTES`` of the decompressed file (or all of a shorter one), whether
        it is this format. Total: never raises. Only one format may say yes.
    parser : callable or None
        For text formats: ``parser(head, path, options) -> TextParser``.
    read : callable or None
        For others: ``read(stream, path, options, report) -> Iterator[Block]``.
    extra : str or None
        Pip extra that it needs, such as ``"mf4"``.
    needs_file : bool
        ``read`` must be able to seek, or hands a path to a library.
    holds_frames : bool
        False for tables of channels, which need no DBC.
    suffixes : tuple of str
        Usual file name endings; shown to people, never used to recognise.
    rank : int
        Asked only where no format of a lower rank recognises the file: what is inferred comes after what is known.
    """

    name: str
    description: str
    looks_like: Callable[[bytes], bool]
    parser: Callable[[bytes, Path, ReadOptions], TextParser] | None = None
    read: Callable[[BinaryIO, Path, ReadOptions, ReadReport], Iterator[Block]] | None = None
    extra: str | None = None
    needs_file: bool = False
    holds_frames: bool = True
    suffixes: tuple[str, ...] = ()
    rank: int = 0

    def __post_init__(self) -> None:
        if (self.parser is None) == (self.read is None):
            raise UsageError(f"log format '{self.name}' must give either a parser or a read function", "")


Formats: TypeAlias = tuple[LogFormat, ...]


_LARGEST_HEAP_BLOCK_BYTES: Final = 32 * 1024 * 1024 - 65_536


def keep_work_arrays() -> None:
    """Have the allocator reuse the memory of arrays up to 32 MiB instead of giving it back each time.

    The GNU C library takes blocks above a threshold straight from the system and gives them back when they
    are freed; every reuse then costs a page fault for each 4 KiB, which took 40 % of the time of reading a
    text log here. It raises the threshold to the largest block it saw freed (mallopt(3), "M_MMAP_THRESHOLD"),
    so freeing one block that was never touched is enough. With other allocators this does nothing.
    """
    np.empty(_LARGEST_HEAP_BLOCK_BYTES, np.uint8)

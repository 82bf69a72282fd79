"""Tables that fit 80 columns, figures with their uncertainty, and JSON."""

from __future__ import annotations

import json
import re
import sys
from collections.abc import Iterable, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from itertools import chain, takewhile, zip_longest
from shutil import get_terminal_size
from textwrap import wrap
from typing import TYPE_CHECKING, Any, TypeVar
from unicodedata import combining, east_asian_width

from logan.results import StepWords, json_ready
from logan.units import DisplayUnits
from logan.units.sentences import MARK
from logan.wording import told

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from rich.console import Console

    from logan.pipeline.drive_tables import Block, TableBlock
    from logan.pipeline.logs_reader import IngestProgress

Row = TypeVar("Row")
WIDTH = 80
ROWS = 40
_LONGEST = 12
"""Rows up to which a terminal shows a table that a report folds away; of a longer one it says where to find it."""
_SHORTEST = (3, 1)
"""Rows that a table keeps where there is much to say, and where there is very much."""
_NARROWEST = 8
_LONG_NOTE, _VERY_LONG_NOTE = 30, 70
"""Characters of a last column's words from which they stand below their row, if one of them is very long."""
_BEFORE_UNIT = re.compile(r"(?<=[\d<>±∞]) (?=[\d%]|[A-Za-z°µΩ²/-]{1,6}\b)")


class Captured:
    """What commands would print, as blocks: tables, words and JSON; and figures, which no terminal shows.

    Parameters
    ----------
    told : callable
        Given words on what is being done.
    """

    def __init__(self, told: Callable[[str], None]) -> None:
        self.blocks: list[dict[str, Any]] = []
        self.told = told

    def words(self, lines: Iterable[str]) -> None:
        """Take lines; those that follow each other are one block."""
        if not self.blocks or self.blocks[-1]["kind"] != "words":
            self.blocks.append({"kind": "words", "lines": []})
        self.blocks[-1]["lines"] += [line for line in lines if line.strip()]


_CAPTURED: ContextVar[Captured | None] = ContextVar("captured", default=None)


@contextmanager
def captured(sink: Captured) -> Iterator[Captured]:
    """Within it nothing is printed in this thread: what would be is taken into the sink."""
    token = _CAPTURED.set(sink)
    try:
        yield sink
    finally:
        _CAPTURED.reset(token)


_SCREEN: ContextVar[list[list[str] | _Table] | None] = ContextVar("screen", default=None)
_READER: ContextVar[Callable[[], DisplayUnits]] = ContextVar("reader", default=DisplayUnits)


def read_in(units: Callable[[], DisplayUnits]) -> None:
    """From here on sentences are printed, in this thread, in the units that this gives when it is first needed."""
    _READER.set(units)


@dataclass(slots=True)
class _Table:
    """A table ready for the screen: its head, then the lines of each row, of which the last, or the oldest, may go."""

    head: list[str]
    rows: list[list[str]]
    is_newest_last: bool = False
    cut: int = 0

    def lines(self, full: str = "") -> list[str]:
        """What is shown, with a word on what is left out and how to see it, unless that would be as long."""
        kept = len(self.rows) - self.cut
        rows = self.rows[self.cut :] if self.is_newest_last else self.rows[:kept]
        if sum(map(len, self.rows)) - sum(map(len, rows)) <= 1:
            return [*self.head, *chain(*self.rows)]
        return [*self.head, *chain(*rows), f"... and {self.cut} {'before' if self.is_newest_last else 'more'}: {full}"]


@contextmanager
def one_screen(command: Sequence[str]) -> Iterator[None]:
    """Keep what this command prints back until the end, and cut the longest tables until all fits on one screen."""
    what = " ".join(takewhile(lambda word: word[:1] != "-", command))
    full = f"logan {what} --full" if len(what) < WIDTH // 2 else "--full"
    blocks: list[list[str] | _Table] = []
    token = _SCREEN.set(blocks)
    try:
        yield
    finally:
        _SCREEN.reset(token)
        tables = [block for block in blocks if isinstance(block, _Table)]
        for least in _SHORTEST:
            while (
                sum(len(block if isinstance(block, list) else block.lines()) for block in blocks) > ROWS
                and (long := [table for table in tables if len(table.rows) - table.cut > least])
            ):  # fmt: skip
                max(long, key=lambda table: len(table.lines())).cut += 1
        for block in blocks:
            _write(block if isinstance(block, list) else block.lines(full))


def print_all(is_full: bool) -> bool:
    """Option ``--full``: nothing is kept back and nothing left out."""
    if is_full:
        _SCREEN.set(None)
    return is_full


def _write(block: list[str] | _Table) -> None:
    if (screen := _SCREEN.get()) is not None:
        screen.append(block)
    else:
        sys.stdout.writelines(f"{line}\n" for line in (block if isinstance(block, list) else block.lines()))


def say(text: str) -> None:
    """Print one line as it is: a path in it is not wrapped."""
    if (sink := _CAPTURED.get()) is not None:
        sink.words([text])
    else:
        _write([text])


def console(*, stderr: bool = False) -> Console:
    """A console that wraps at 80 columns, and that never reads markup in the user's text."""
    from rich.console import Console

    width = None if sys.stdout.isatty() else WIDTH
    return Console(width=width, stderr=stderr, markup=False, highlight=False, emoji=False, soft_wrap=False)


def clean(text: object) -> str:
    """Text in the reader's units; of a stranger's file without control characters, so that a terminal obeys none."""
    shown = str(text)
    if MARK in shown:
        shown = told(shown, _READER.get()())
    if shown.isprintable():
        return shown
    return "".join(character if character.isprintable() or character == "\n" else "�" for character in shown)


def print_json(content: object) -> None:
    """Print a result as JSON."""
    if (sink := _CAPTURED.get()) is not None:
        sink.blocks.append({"kind": "result", "content": json_ready(content)})
        return
    sys.stdout.write(told(json.dumps(json_ready(content), indent=2, ensure_ascii=False), None) + "\n")


def answer(found: object, as_json: bool, show: Callable[..., None], *how: object, **more: object) -> None:
    """Print a result as JSON where that was asked, else as it is shown to a reader."""
    if as_json:
        print_json(found)
    else:
        show(found, *how, **more)


def print_columns(
    blocks: Iterable[TableBlock], most: int = 99, *, is_toned: bool = False, is_newest_last: bool = False
) -> None:
    """Print the first columns of tables that the report shows too, after a blank line; tones as words if asked."""
    for block in blocks:
        if block.is_long and len(block.rows) > _LONGEST:
            print_lines("", f"{block.caption}: {len(block.rows)} rows, in the report and with --json")
            continue
        tones = (*(block.tones if is_toned else ()), *("plain",) * len(block.rows))
        rows = [
            (f"{tone.upper()}: {row[0]}" if tone in ("red", "amber") else row[0], *row[1:most])
            for tone, row in zip(tones, block.rows, strict=False)
        ]
        print_lines("")
        wordy = [place for place in range(len(block.headings[:most])) if block.is_wordy(place)]
        print_table(block.headings[:most], rows, title=block.caption, left=wordy, is_newest_last=is_newest_last)


def print_blocks(blocks: Iterable[Block]) -> None:
    """Print what a report shows; figures go to the page, as no terminal shows them."""
    from logan.pipeline.drive_tables import FigureBlock, TableBlock, Words

    shown = tuple(blocks)
    for index, block in enumerate(shown):
        if isinstance(block, TableBlock):
            print_columns([block], is_toned=True)
        elif isinstance(block, Words):
            print_lines(*([""] if index and not isinstance(shown[index - 1], Words) else []), *block.lines)
        elif isinstance(block, FigureBlock) and (sink := _CAPTURED.get()) is not None:
            from logan.pipeline.what_if import drawn

            sink.blocks.append({"kind": "figure", **drawn(block.figure)})


def print_rows(
    rows: Iterable[Row],
    *columns: tuple[str, Callable[[Row], object]],
    title: str = "",
    left: Sequence[int] = (0,),
    is_newest_last: bool = False,
) -> None:
    """Print a table described by its columns, each a heading and the cell of a row; one without heading is left out."""
    shown = [(heading, cell) for heading, cell in columns if heading]
    cells = [[cell(row) for _, cell in shown] for row in rows]
    print_table([heading for heading, _ in shown], cells, title=title, left=left, is_newest_last=is_newest_last)


def print_table(
    headings: Sequence[str],
    rows: Iterable[Sequence[object]],
    *,
    title: str = "",
    left: Sequence[int] = (0,),
    is_newest_last: bool = False,
) -> None:
    """Print a table; numbers stand right, the columns of ``left`` stand left and fold where the screen is narrow.

    Where it must be cut to fit on one screen, rows go from its end, or from its start where the newest stand last.
    """
    told = [tuple("" if cell is None else clean(cell) for cell in row) for row in rows]
    if (sink := _CAPTURED.get()) is not None:
        sink.blocks.append(
            {"kind": "table", "title": title, "headings": list(headings), "rows": told, "left": list(left)}
        )
        return
    cells = [tuple(headings), *told]
    widths = [max(map(_places, column)) for column in zip(*cells, strict=True)]
    notes = [""] * len(cells)
    if widths[-1] > _VERY_LONG_NOTE and len(widths) - 1 in left and not _fits(widths):
        notes = [row[-1] if len(row[-1]) > _LONG_NOTE else "" for row in cells]
        cells = [(*row[:-1], "" if note else row[-1]) for row, note in zip(cells, notes, strict=True)]
        widths[-1] = max(_places(row[-1]) for row in cells)
    while not _fits(widths):
        widest = max(left, key=lambda index: widths[index], default=0)
        if not left or widths[widest] <= _NARROWEST:
            break
        widths[widest] -= 1
    lines: list[list[str]] = []
    for row, note in zip(cells, notes, strict=True):
        folded = [
            _folded(cell, width) if index in left else [cell]
            for index, (cell, width) in enumerate(zip(row, widths, strict=True))
        ]
        lines.append([])
        for parts in zip_longest(*folded, fillvalue=""):
            padded = (
                part + " " * (width - _places(part)) if index in left else " " * (width - _places(part)) + part
                for index, (part, width) in enumerate(zip(parts, widths, strict=True))
            )
            lines[-1].append("  ".join(padded).rstrip())
        lines[-1] += _wrapped(f"    {note}") if note else []
    head = [*(_wrapped(clean(title)) if title else []), *lines[0]]
    _write(_Table(head, lines[1:], is_newest_last))


def _fits(widths: Sequence[int]) -> bool:
    return sum(widths) + 2 * (len(widths) - 1) <= _width()


def _folded(cell: str, width: int) -> list[str]:
    return wrap(cell, width, break_on_hyphens=False) or [""] if _places(cell) > width else [cell]


def _width() -> int:
    return get_terminal_size().columns if sys.stdout.isatty() else WIDTH


def _places(text: str) -> int:
    """Places that a text takes on a terminal."""
    if text.isascii():
        return len(text)
    return sum(0 if combining(letter) else 2 if east_asian_width(letter) in "WF" else 1 for letter in text)


def print_lines(*lines: str) -> None:
    """Print paragraphs wrapped to the width."""
    if (sink := _CAPTURED.get()) is not None:
        sink.words(map(clean, lines))
        return
    if lines:
        _write([folded for line in "\n".join(map(clean, lines)).split("\n") for folded in _wrapped(line)])


def print_list(lines: Iterable[str]) -> None:
    """Print paragraphs, the gravest first, of which the last may be left out where the screen is full."""
    if _CAPTURED.get() is not None:
        print_lines(*lines)
    else:
        _write(_Table([], [_wrapped(clean(line)) for line in lines]))


def _wrapped(line: str) -> list[str]:
    joined = _BEFORE_UNIT.sub("\u00a0", line)  # a number and its unit stay on one line
    folded = wrap(joined, _width(), break_on_hyphens=False, subsequent_indent=_indent(line)) or [""]
    return [part.replace("\u00a0", " ") for part in folded]


def _indent(line: str) -> str:
    """What stands under a remark that is set in stays set in."""
    return " " * (len(line) - len(line.lstrip(" -"))) if line[:2] in ("  ", "- ") else ""


def print_cautions(*cautions: str) -> None:
    """Print what must be kept in mind before acting on what was shown, each once."""
    print_lines(*(f"Caution: {text}" for text in dict.fromkeys(cautions) if text))


@contextmanager
def reading_progress() -> Iterator[Callable[[IngestProgress], None]]:
    """Show on stderr how far reading has come: bytes, frames per second, time left."""
    if (sink := _CAPTURED.get()) is not None:
        yield lambda now: sink.told(StepWords(f"reading {now.path.name}", now.bytes_read, now.size_bytes))
        return
    from rich.progress import BarColumn, DownloadColumn, TextColumn, TimeRemainingColumn

    rate = TextColumn("{task.fields[rate]}", markup=False)
    with _bar("reading", BarColumn(), DownloadColumn(), rate, TimeRemainingColumn(), rate="") as (bar, task):
        yield lambda progress: bar.update(
            task,
            description=clean(progress.path.name),
            total=progress.size_bytes,
            completed=progress.bytes_read,
            rate=f"{progress.frames_per_s / 1e6:.2f} M frames/s" if progress.frame_count else "",
        )


@contextmanager
def _bar(label: str, *columns: Any, **fields: Any) -> Iterator[tuple[Any, Any]]:
    """A bar on stderr, where that is a terminal, that goes when the work is done; and its one task."""
    from rich.progress import Progress, TextColumn

    words = TextColumn("{task.description}", markup=False)
    is_seen = sys.stderr.isatty()
    with Progress(words, *columns, console=console(stderr=True), transient=True, disable=not is_seen) as bar:
        yield bar, bar.add_task(label, total=None, **fields)


@contextmanager
def working(label: str) -> Iterator[Callable[[str], None]]:
    """Show on stderr that something is going on; yields what changes the words, and draws what is counted."""
    if (sink := _CAPTURED.get()) is not None:
        yield sink.told
        return
    if not sys.stderr.isatty():
        yield lambda words: None
        return
    from rich.progress import BarColumn, TimeRemainingColumn

    with _bar(label, BarColumn(30), TimeRemainingColumn()) as (bar, task):

        def show(words: str) -> None:
            done, total = (words.done, words.total) if isinstance(words, StepWords) else (0, None)
            if done == 0:
                bar.reset(task, total=total)  # another work: the time left is reckoned afresh
            bar.update(task, description=clean(words), completed=done)

        yield show

"""Tables that fit 80 columns, figures with their uncertainty, and JSON."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterable, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from shutil import get_terminal_size
from textwrap import wrap
from typing import TYPE_CHECKING, Any
from unicodedata import combining, east_asian_width

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from rich.console import Console

    from logan.pipeline.logs_reader import IngestProgress

WIDTH = 80


class Captured:
    """What commands would print, as blocks: tables, words and JSON.

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


def say(text: str) -> None:
    """Print one line as it is: a path in it is not wrapped."""
    if (sink := _CAPTURED.get()) is not None:
        sink.words([text])
    else:
        sys.stdout.write(f"{text}\n")


def console(*, stderr: bool = False) -> Console:
    """A console that wraps at 80 columns, and that never reads markup in the user's text."""
    from rich.console import Console

    width = None if sys.stdout.isatty() else WIDTH
    return Console(width=width, stderr=stderr, markup=False, highlight=False, emoji=False, soft_wrap=False)


def clean(text: object) -> str:
    """Text from a stranger's file without control characters, so that a terminal obeys none of it."""
    shown = str(text)
    if shown.isprintable():
        return shown
    return "".join(character if character.isprintable() or character == "\n" else "�" for character in shown)


def print_json(content: object) -> None:
    """Print a result as JSON."""
    from logan.results import json_ready

    if (sink := _CAPTURED.get()) is not None:
        sink.blocks.append({"kind": "result", "content": json_ready(content)})
        return
    sys.stdout.write(json.dumps(json_ready(content), indent=2, ensure_ascii=False) + "\n")


def print_table(
    headings: Sequence[str],
    rows: Iterable[Sequence[object]],
    *,
    title: str = "",
    left: Sequence[int] = (0,),
) -> None:
    """Print a table; numbers stand right, the columns of ``left`` stand left."""
    cells = [tuple("" if cell is None else clean(cell) for cell in row) for row in rows]
    if (sink := _CAPTURED.get()) is not None:
        sink.blocks.append(
            {"kind": "table", "title": title, "headings": list(headings), "rows": cells, "left": list(left)}
        )
        return
    text = None if title and sys.stdout.isatty() else _narrow_table(headings, cells, left)
    if text is not None:
        sys.stdout.write(f"{title}\n{text}" if title else text)
        return
    from rich.table import Table

    table = Table(title=title or None, title_justify="left", title_style="bold", box=None, pad_edge=False, expand=False)
    for index, heading in enumerate(headings):
        is_left = index in left
        table.add_column(heading, justify="left" if is_left else "right", overflow="fold", no_wrap=not is_left)
    for cell_row in cells:
        table.add_row(*cell_row)
    console().print(table)


def _narrow_table(headings: Sequence[str], rows: Sequence[Sequence[str]], left: Sequence[int]) -> str | None:
    """The table as text where nothing needs folding, else None: a thousand rows take rich two seconds."""
    every = [tuple(headings), *rows]
    if not all(_is_plain(cell) for row in every for cell in row):
        return None
    widths = [max(map(len, column)) for column in zip(*every, strict=True)]
    if sum(widths) + 2 * (len(widths) - 1) > _width():
        return None
    sides = ["<" if index in left else ">" for index in range(len(widths))]
    layout = "  ".join(f"{{:{side}{width}}}" for side, width in zip(sides, widths, strict=True))
    return "".join(layout.format(*row) + "\n" for row in every)


def _width() -> int:
    return get_terminal_size().columns if sys.stdout.isatty() else WIDTH


def _is_plain(cell: str) -> bool:
    """True for one line of characters that each take one place on a terminal."""
    if cell.isascii():
        return "\n" not in cell
    return all(
        character != "\n" and east_asian_width(character) not in "WF" and not combining(character) for character in cell
    )


def print_lines(*lines: str) -> None:
    """Print paragraphs wrapped to the width."""
    if (sink := _CAPTURED.get()) is not None:
        sink.words(map(clean, lines))
        return
    for line in map(clean, lines):
        if _is_plain(line):
            sys.stdout.write("\n".join(wrap(line, _width(), break_on_hyphens=False) or [""]) + "\n")
        else:
            console().print(line)


def print_cautions(*cautions: str) -> None:
    """Print what must be kept in mind before acting on what was shown, each once."""
    print_lines(*(f"Caution: {text}" for text in dict.fromkeys(cautions) if text))


@contextmanager
def reading_progress() -> Iterator[Callable[[IngestProgress], None]]:
    """Show on stderr how far reading has come: bytes, frames per second, time left."""
    from rich.progress import BarColumn, DownloadColumn, Progress, TextColumn, TimeRemainingColumn

    columns: tuple[Any, ...] = (
        TextColumn("{task.description}", markup=False),
        BarColumn(),
        DownloadColumn(),
        TextColumn("{task.fields[rate]}", markup=False),
        TimeRemainingColumn(),
    )
    with Progress(*columns, console=console(stderr=True), transient=True, disable=not sys.stderr.isatty()) as bar:
        task = bar.add_task("reading", total=None, rate="")

        def show(progress: IngestProgress) -> None:
            bar.update(
                task,
                description=clean(progress.path.name),
                total=progress.size_bytes,
                completed=progress.bytes_read,
                rate=f"{progress.frames_per_s / 1e6:.2f} M frames/s" if progress.frame_count else "",
            )

        yield show


@contextmanager
def working(label: str) -> Iterator[Callable[[str], None]]:
    """Show on stderr that something is going on; yields what changes the words, and draws what is counted."""
    if (sink := _CAPTURED.get()) is not None:
        yield sink.told
        return
    if not sys.stderr.isatty():
        yield lambda words: None
        return
    from rich.progress import BarColumn, Progress, SpinnerColumn, TextColumn, TimeRemainingColumn

    from logan.results import StepWords

    columns = (SpinnerColumn(), TextColumn("{task.description}", markup=False), BarColumn(30), TimeRemainingColumn())
    with Progress(*columns, console=console(stderr=True), transient=True) as bar:
        task = bar.add_task(label, total=None)

        def show(words: str) -> None:
            done, total = (words.done, words.total) if isinstance(words, StepWords) else (0, None)
            if done == 0:
                bar.reset(task, total=total)  # another work: the time left is reckoned afresh
            bar.update(task, description=clean(words), completed=done)

        yield show

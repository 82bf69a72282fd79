"""What a report is made of, before it is a page: sections of tables, figures and plain words."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import Final, Literal, TypeAlias

from logan.report.figure import Figure

_NUMBER: Final = re.compile(r"[<>+−±-]?\s?\d[^A-Za-z]*(?:\S{1,6}(?:\s\S{1,4})*)?$")

Tone: TypeAlias = Literal["plain", "good", "amber", "red", "grey"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """The answer in a word or two, readable at arm's length, and what it rests on."""

    answer: str
    because: str
    tone: Tone


@dataclass(frozen=True, slots=True, kw_only=True)
class TableBlock:
    """A table; every cell is text and is escaped.

    Parameters
    ----------
    headings : tuple of str
        With units.
    rows : tuple of tuple of str
        As many cells as headings.
    caption : str
        What it shows.
    explanations : tuple of str
        Definition of each heading, shown on hover and read by screen readers; may be shorter.
    tones : tuple of str
        Tone of each row; may be shorter.
    is_long : bool
        Folded away on screen, whole in print.
    is_form : bool
        Rows of a name and what is said of it, without headings.
    """

    headings: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    caption: str = ""
    explanations: tuple[str, ...] = ()
    tones: tuple[Tone, ...] = ()
    is_long: bool = False
    is_form: bool = False

    def is_wordy(self, column: int) -> bool:
        """Whether a column holds words, which are set from the left, rather than numbers."""
        cells = [row[column] for row in self.rows if row[column] not in ("", "–", "refused", "no limit given")]
        return column == 0 or any(_NUMBER.match(cell) is None for cell in cells) or not cells


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FigureBlock:
    """A figure, whose finding is its caption, and what its terms mean."""

    figure: Figure
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Words:
    """Plain words; a tone other than plain is set off as a notice."""

    lines: tuple[str, ...]
    tone: Tone = "plain"
    title: str = ""


Block: TypeAlias = Verdict | TableBlock | FigureBlock | Words


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Section:
    """One part of a report.

    Parameters
    ----------
    anchor, title : str
        Unique on its page.
    blocks : tuple of Block
        In the order read.
    length : int
        1 stands on the one page, 2 in the argument, 3 in the appendix, which is folded and printed only where asked.
    """

    anchor: str
    title: str
    blocks: tuple[Block, ...] = field(default=())
    length: int = 2


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Document:
    """A whole report.

    Parameters
    ----------
    title, subtitle : str
        Of the page.
    paper, kind : str
        Size that it is printed on; "report" or "certificate".
    sections : tuple of Section
        The answer first.
    provenance : tuple of (str, str)
        Version, hashes and settings, so that every figure can be reproduced.
    """

    title: str
    subtitle: str
    sections: tuple[Section, ...]
    paper: str = "letter"
    kind: str = "report"
    provenance: tuple[tuple[str, str], ...] = ()

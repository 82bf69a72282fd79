"""A figure as data: what stands where, and in which role; ``logan.report.draw`` is the one piece that draws it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np

from logan.units import FloatArray

Numbers: TypeAlias = "FloatArray | Sequence[float]"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Line:
    """A line through points, with its name at its end; a NaN breaks it.

    Parameters
    ----------
    x, y : sequence of float, length n
        Points, as they count on the axes.
    ink : str
        Role of its color, one of ``theme.INKS``.
    label : str
        Its name; empty where the axis names it.
    dash : str
        One of ``draw.DASHES``.
    width : float
        [px]
    """

    x: Numbers
    y: Numbers
    ink: str
    label: str = ""
    dash: str = "solid"
    width: float = 2.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Band:
    """The area between two lines over the same x."""

    x: Numbers
    low: Numbers
    high: Numbers
    ink: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Dots:
    """Symbols, with an interval and words of their own.

    Parameters
    ----------
    x, y : sequence of float, length n
        Where.
    ink : str
        Role of its color.
    symbol : str
        circle, ring, diamond, triangle, cross or tick.
    low, high : sequence of float, length n or 0
        Interval along y, or along x where ``is_flat``.
    words : tuple of str
        Said when one is pointed at.
    labels : tuple of str
        Written beside each.
    is_flat : bool
        The interval lies along x.
    size : float
        [px]
    """

    x: Numbers
    y: Numbers
    ink: str
    symbol: str = "circle"
    low: Numbers = ()
    high: Numbers = ()
    words: tuple[str, ...] = ()
    labels: tuple[str, ...] = ()
    is_flat: bool = False
    size: float = 10.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Bars:
    """Bars from start to end, lying on rows where ``is_flat``; each with its own color, label and words."""

    at: Numbers
    start: Numbers
    end: Numbers
    inks: tuple[str, ...]
    labels: tuple[str, ...] = ()
    words: tuple[str, ...] = ()
    thickness: float = 0.6
    is_flat: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """A straight line across a panel with its name on it."""

    value: float
    label: str
    ink: str
    is_upright: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """A shaded stretch of x; a marked one carries a triangle above it."""

    start: float
    end: float
    ink: str
    words: str = ""
    is_marked: bool = False


Mark: TypeAlias = Line | Band | Dots | Bars | Limit | Span


@dataclass(frozen=True, slots=True, kw_only=True)
class Axis:
    """What an axis counts.

    Parameters
    ----------
    title : str
        With its unit; empty where ``names`` say it all.
    names : tuple of str
        Rows or columns, at 0, 1, 2 and so on; the first is on top.
    low, high : float or None
        Ends; from the marks where left out.
    ticks : tuple of (float, str)
        Where they are not to be round numbers.
    is_log : bool
        Counts in decades.
    is_above : bool
        Names stand above their rows, for want of room beside them.
    """

    title: str = ""
    names: tuple[str, ...] = ()
    low: float | None = None
    high: float | None = None
    ticks: tuple[tuple[float, str], ...] = ()
    is_log: bool = False
    is_above: bool = False


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Panel:
    """One frame with its own y axis."""

    y: Axis
    marks: tuple[Mark, ...]
    height: float = 150.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Figure:
    """Panels one below the other over one x axis.

    Parameters
    ----------
    finding : str
        What it shows, as a sentence: its caption.
    x : Axis
        Shared by all panels.
    panels : tuple of Panel
        From the top.
    detail : str
        What else a reader who cannot see it should know.
    """

    finding: str
    x: Axis
    panels: tuple[Panel, ...]
    detail: str = ""

    @property
    def alt(self) -> str:
        """In words what is drawn, rows of bars one by one."""
        rows = [
            f"{panel.y.names[round(at)]} {label}"
            for panel in self.panels
            for mark in panel.marks
            if panel.y.names and isinstance(mark, Bars)
            for at, label in zip(mark.at, mark.labels, strict=False)
        ]
        return f"{self.finding} {self.detail} {'; '.join(rows)}".strip()


def rows(count: int, row_height: float = 34.0) -> float:
    """Height of a panel with so many rows. [px]"""
    return 14.0 + row_height * max(count, 1)


def interval(values: Numbers) -> tuple[float, float]:
    """Lowest and highest of the finite values; not a number where there is none."""
    known = np.asarray(values, dtype=float)
    known = known[np.isfinite(known)]
    return (float(known.min()), float(known.max())) if known.size else (float("nan"), float("nan"))

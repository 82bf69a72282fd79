"""A figure as data: what stands where, and in which role; ``logan.report.draw`` is the one piece that draws it."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, TypeAlias

import numpy as np

from logan.units import FloatArray

INKS: Final = {
    # Role: on white and in print, on dark.
    "plan": ("#5f6670", "#a9b1bc"),
    "refined": ("#0066a1", "#6cbcf0"),
    "measured": ("#b84a00", "#ff9d57"),
    "good": ("#00765a", "#3ccb9f"),
    "amber": ("#9a6500", "#f0b840"),
    "red": ("#a01820", "#ff8078"),
    "neutral": ("#666d76", "#9fa7b1"),
    "s0": ("#0066a1", "#6cbcf0"),
    "s1": ("#b84a00", "#ff9d57"),
    "s2": ("#00765a", "#3ccb9f"),
    "s3": ("#9c3f78", "#eaa0cb"),
    "s4": ("#3d3700", "#e3d24f"),
}
SERIES: Final = ("s0", "s1", "s2", "s3", "s4")
DASH_ORDER: Final = ("solid", "dash", "dot", "dashdot", "longdash")
PAPER: Final = ("#ffffff", "#16191d")
TEXT: Final = ("#22262b", "#e7e9ec")


def figure_css() -> str:
    """The style of all figures: roles, the two widths, and print."""

    def roles(side: int) -> str:
        named = "".join(f"--f-{role}:{colors[side]};" for role, colors in INKS.items())
        return f":root{{{named}--f-paper:{PAPER[side]}}}"

    classes = "".join(f".k-{role}{{color:var(--f-{role})}}" for role in INKS)
    return (
        f"{roles(0)}@media (prefers-color-scheme:dark){{{roles(1)}}}@media print{{{roles(0)}}}{classes}"
        ".drawing{position:relative}.drawing svg{display:block;width:100%;height:auto;overflow:visible;"
        "touch-action:pan-y;font-family:system-ui,sans-serif}.drawing .narrow{display:none}"
        ".drawing svg.wide{max-width:61rem}@media (max-width:46rem){.drawing .wide{display:none}"
        ".drawing svg.narrow{display:block;max-width:30rem}}"
        "@media print{.drawing svg.wide{display:block;max-width:none}.drawing :is(svg.narrow,output){display:none}}"
        "svg .halo{paint-order:stroke;stroke:var(--f-paper);stroke-width:3px;stroke-linejoin:round}"
        "svg .soft{opacity:.72}svg .grid{stroke:currentColor;opacity:.16}svg .frame{stroke:currentColor;opacity:.5}"
        ".drawing output{display:block;min-height:1.4em;font-size:.85rem;font-variant-numeric:tabular-nums}"
    )


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


def by_rows(
    finding: str, x: Axis, names: Sequence[str], *marks: Mark, detail: str = "", row_height: float = 23.0
) -> Figure:
    """A figure of one panel with a row for each name; a row is so high. [px]"""
    height = 14.0 + row_height * max(len(names), 1)
    return Figure(
        finding=finding, x=x, panels=(Panel(y=Axis(names=tuple(names)), marks=marks, height=height),), detail=detail
    )


def interval(values: Numbers) -> tuple[float, float]:
    """Lowest and highest of the finite values; not a number where there is none."""
    known = np.asarray(values, dtype=float)
    known = known[np.isfinite(known)]
    return (float(known.min()), float(known.max())) if known.size else (float("nan"), float("nan"))

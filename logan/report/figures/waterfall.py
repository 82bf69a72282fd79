"""Parts that add up, from one figure to another: what the plan lost, where energy went, why two drives differ."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from logan.report.figure import Axis, Bars, Dots, Figure, Panel, rows
from logan.wording import number, signed


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One step: its name, how much it adds, and words said when it is pointed at."""

    name: str
    change: float
    words: str = ""
    sigma: float | None = None
    is_residual: bool = False


def told(parts: Sequence[Part], most: int, least: float) -> list[Part]:
    """The largest parts first, at most so many and none below ``least``; the others as one."""
    order = sorted(parts, key=lambda part: -abs(part.change))
    kept = [part for part in order if abs(part.change) >= least][:most]
    if len(kept) == len(order):
        return kept
    rest = sum(part.change for part in order if part not in kept)
    return [*kept, Part(name="all others", change=rest)] if abs(rest) >= 0.05 * least else kept


def waterfall(
    finding: str,
    axis: str,
    parts: Sequence[Part],
    *,
    before: tuple[str, float] | None,
    after: tuple[str, float],
    inks: tuple[str, str] = ("amber", "good"),
    digits: int = 0,
) -> Figure:
    """Draw parts one after the other.

    Parameters
    ----------
    finding, axis : str
        Caption; what is counted, with its unit.
    parts : sequence of Part
        In the order drawn.
    before, after : (str, float)
        What it starts from, left out where that is zero, and what it comes to.
    inks : (str, str)
        Roles of parts that add and of parts that take away.
    digits : int
        Of the labels.
    """
    start = 0.0 if before is None else before[1]
    starts, at = [], start
    for part in parts:
        starts.append(at)
        at += part.change
    is_absolute = before is None
    names = [*([] if before is None else [before[0]]), *(part.name for part in parts), after[0]]
    first = 0 if before is None else 1
    labels = tuple(
        (number(part.change, digits) if is_absolute and part.change >= 0 else signed(part.change, digits))
        + ("" if part.sigma is None else f" ± {number(part.sigma, digits)}")
        for part in parts
    )
    bars = Bars(
        at=[first + k for k in range(len(parts))],
        start=starts,
        end=[begin + part.change for begin, part in zip(starts, parts, strict=True)],
        inks=tuple("neutral" if part.is_residual else inks[0 if part.change >= 0 else 1] for part in parts),
        labels=labels,
        words=tuple(part.words or f"{part.name}: {label}" for part, label in zip(parts, labels, strict=True)),
    )
    ends = [] if before is None else [("plan", "diamond", 0, before)]
    ends.append(("refined", "circle", len(names) - 1, after))
    marks = [
        Dots(x=[value], y=[row], ink=ink, symbol=symbol, labels=(number(value, digits),), size=13.0)
        for ink, symbol, row, (_, value) in ends
    ]
    values = [start, after[1], *bars.start, *bars.end]
    low, high = min(values), max(values)
    room = 0.08 * (high - low)
    return Figure(
        finding=finding,
        x=Axis(title=axis, low=min(low, 0.0) if is_absolute else low - room, high=high + 0.5 * room),
        panels=(Panel(y=Axis(names=tuple(names)), marks=(bars, *marks), height=rows(len(names), 23.0)),),
    )

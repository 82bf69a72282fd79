"""Axes of a static figure: their kind, extent, ticks, and where a value lies on the page."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any, Final, Literal

Kind = Literal["linear", "log", "category"]

CHARACTER_WIDTH: Final = 0.57
"""Mean width of a character over the font size, of common sans-serif fonts."""


@dataclass(slots=True)
class Axis:
    """One axis; made from a plotly layout, then given its extent and its place.

    Parameters
    ----------
    layout : dict
        Plotly's ``xaxis2`` and the like.
    is_vertical : bool
        A y axis.
    kind : str
        linear, log or category.
    categories : list of str
        In the order drawn.
    low, high : float
        Extent, in decades for a log axis.
    start, end : float
        Where low and high lie. [px]
    is_padded : bool
        Leave room at the ends, for symbols and bars; a line may run up to the frame.
    """

    layout: dict[str, Any]
    is_vertical: bool
    kind: Kind = "linear"
    categories: list[str] = field(default_factory=list)
    low: float = math.inf
    high: float = -math.inf
    start: float = 0.0
    end: float = 1.0
    is_padded: bool = False

    @property
    def title(self) -> str:
        """Words along the axis."""
        title = self.layout.get("title") or {}
        return str(title.get("text") or "") if isinstance(title, dict) else str(title)

    @property
    def is_reversed(self) -> bool:
        """Counts from top to bottom, or from right to left."""
        return self.layout.get("autorange") == "reversed"

    def value_of(self, value: Any) -> float:
        """A value as it counts on this axis; NaN where it has no place."""
        if self.kind == "category":
            text = str(value)
            if text not in self.categories:
                self.categories.append(text)
            return float(self.categories.index(text))
        try:
            number = float(value)
        except (TypeError, ValueError):
            return math.nan
        if self.kind == "log":
            return math.log10(number) if number > 0.0 else math.nan
        return number

    def include(self, values: Iterable[float]) -> None:
        """Widen the extent to hold these values, as they count on this axis."""
        for value in values:
            if math.isfinite(value):
                self.low, self.high = min(self.low, value), max(self.high, value)

    def settle(self) -> None:
        """Fix the extent, once all values are known."""
        given = self.layout.get("range")
        if given is not None:
            self.low, self.high = sorted(float(end) for end in given)
            return
        if self.kind == "category":
            self.low, self.high = -0.5, max(len(self.categories), 1) - 0.5
            return
        if not self.low <= self.high:
            self.low, self.high = 0.0, 1.0
        if self.layout.get("rangemode") == "tozero" and self.kind == "linear":
            self.low, self.high = min(self.low, 0.0), max(self.high, 0.0)
        margin = 0.06 * (self.high - self.low) or 0.5
        if self.is_padded or self.low == self.high:
            self.low -= 0.0 if self.low == 0.0 else margin
            self.high += 0.0 if self.high == 0.0 else margin

    def at(self, value: Any) -> float:
        """Where a value lies. [px]"""
        return self.at_number(self.value_of(value))

    def at_number(self, number: float) -> float:
        """Where a value lies that already counts on this axis. [px]"""
        share = (number - self.low) / (self.high - self.low)
        return self.start + (self.end - self.start) * (1.0 - share if self.is_reversed else share)

    def ticks(self, most: int) -> list[tuple[float, str]]:
        """Values, as they count on this axis, with their labels; about ``most`` at the most."""
        if self.layout.get("tickvals") is not None:
            texts = self.layout.get("ticktext") or self.layout["tickvals"]
            return [(self.value_of(v), str(t)) for v, t in zip(self.layout["tickvals"], texts, strict=True)]
        if self.kind == "category":
            step = 1 if self.is_vertical else max(1, math.ceil(len(self.categories) / max(most, 1)))
            return [(float(k), name) for k, name in enumerate(self.categories) if k % step == 0]
        if self.kind == "log":
            return _log_ticks(self.low, self.high)
        return _linear_ticks(self.low, self.high, most)


def _linear_ticks(low: float, high: float, most: int) -> list[tuple[float, str]]:
    rough = (high - low) / max(most, 2)
    size = 10.0 ** math.floor(math.log10(rough))
    step = next(size * factor for factor in (1.0, 2.0, 5.0, 10.0) if size * factor >= rough * (1.0 - 1e-9))
    digits = max(0, -math.floor(math.log10(step) + 1e-9))
    first = math.ceil(low / step - 1e-9)
    return [(k * step, f"{k * step:,.{digits}f}") for k in range(first, math.floor(high / step + 1e-9) + 1)]


def _log_ticks(low: float, high: float) -> list[tuple[float, str]]:
    factors: Sequence[int] = (1, 2, 5) if high - low < 3.0 else (1,)
    ticks = []
    for decade in range(math.floor(low), math.ceil(high) + 1):
        for factor in factors:
            value = decade + math.log10(factor)
            if low - 1e-9 <= value <= high + 1e-9:
                ticks.append((value, f"{factor * 10.0**decade:g}"))
    return ticks


def text_width(text: str, size: float) -> float:
    """Width of the longest line of a label, about. [px]"""
    return max((len(line) for line in text.split("\n")), default=0) * CHARACTER_WIDTH * size

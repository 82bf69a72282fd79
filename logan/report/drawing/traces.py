"""The traces of a static figure: lines, markers, error bars, fills and bars."""

from __future__ import annotations

from typing import Any, Final

from logan.report.drawing import marks
from logan.report.drawing.axes import Axis, text_width

_BAR_SHARE: Final = 0.8
_FONT: Final = 12.0


class TracePainter:
    """Measures traces first, so that axes can settle, and draws them afterwards.

    Parameters
    ----------
    axes : dict of str to Axis
        By plotly's names: ``x``, ``y``, ``y2``.
    name : str
        Unique on the page; patterns are named after it.
    barmode : str
        Bars are stacked where it is ``relative``, and drawn over each other otherwise.
    """

    def __init__(self, axes: dict[str, Axis], name: str, barmode: str) -> None:
        self._axes, self._name, self._is_stacked = axes, name, barmode == "relative"
        self._patterns: dict[tuple[str, str], str] = {}
        self._stacks: dict[tuple[str, str, float, bool], float] = {}
        self._bars: dict[int, list[tuple[float, float, float]]] = {}
        self._above: list[tuple[float, float]] = []

    def _pair(self, trace: dict[str, Any]) -> tuple[Axis, Axis]:
        return self._axes[trace.get("xaxis") or "x"], self._axes[trace.get("yaxis") or "y"]

    def measure(self, trace: dict[str, Any]) -> None:
        """Tell the axes what the trace covers."""
        x_axis, y_axis = self._pair(trace)
        y_axis.is_padded = True
        x_axis.is_padded |= trace["type"] == "bar" or "markers" in str(trace.get("mode", "lines"))
        if trace["type"] == "bar":
            self._measure_bars(trace)
            return
        xs, ys = self._numbers(trace)
        x_axis.include(xs)
        y_axis.include(ys)
        for axis, values, key in ((x_axis, xs, "error_x"), (y_axis, ys, "error_y")):
            up, down = _errors(trace.get(key), len(values))
            axis.include(value + more for value, more in zip(values, up, strict=True))
            axis.include(value - less for value, less in zip(values, down, strict=True))
        if trace.get("fill") == "tozeroy":
            y_axis.include([0.0] if y_axis.layout.get("range") is None else [])

    def _numbers(self, trace: dict[str, Any]) -> tuple[list[float], list[float]]:
        x_axis, y_axis = self._pair(trace)
        return [x_axis.value_of(x) for x in trace["x"]], [y_axis.value_of(y) for y in trace["y"]]

    def _measure_bars(self, trace: dict[str, Any]) -> None:
        """Ends of every bar, stacked on those before it."""
        is_flat = trace.get("orientation") == "h"
        x_axis, y_axis = self._pair(trace)
        place_axis, value_axis = (y_axis, x_axis) if is_flat else (x_axis, y_axis)
        places, values = (trace["y"], trace["x"]) if is_flat else (trace["x"], trace["y"])
        bases = trace.get("base")
        bars = []
        for k, (place, value) in enumerate(zip(places, values, strict=True)):
            at, size = place_axis.value_of(place), float(value)
            start = float(bases[k]) if bases is not None else 0.0
            if self._is_stacked:
                key = (str(trace.get("xaxis")), str(trace.get("yaxis")), at, size < 0.0)
                start = self._stacks.get(key, 0.0)
                self._stacks[key] = start + size
            bars.append((at, start, start + size))
            value_axis.include((start, start + size))
            place_axis.include((at - 0.5, at + 0.5) if place_axis.kind == "category" else (at,))
        widths = trace.get("width")
        if widths is not None:
            place_axis.include(at + 0.55 * float(w) for (at, *_), w in zip(bars, widths, strict=True))
            place_axis.include(at - 0.55 * float(w) for (at, *_), w in zip(bars, widths, strict=True))
        self._bars[id(trace)] = bars

    def draw(self, trace: dict[str, Any]) -> str:
        """Draw one trace; in the order of the figure."""
        return self._draw_bars(trace) if trace["type"] == "bar" else self._draw_scatter(trace)

    def _draw_scatter(self, trace: dict[str, Any]) -> str:
        x_axis, y_axis = self._pair(trace)
        xs, ys = self._numbers(trace)
        points = [(x_axis.at_number(x), y_axis.at_number(y)) for x, y in zip(xs, ys, strict=True)]
        parts, mode, about = [], str(trace.get("mode", "lines")), trace.get("line") or {}
        if trace.get("fill") == "tonexty" and self._above:
            parts.append(marks.area([*self._above, *reversed(points)], trace["fillcolor"]))
        elif trace.get("fill") == "tozeroy" and points:
            floor = [(points[-1][0], y_axis.start), (points[0][0], y_axis.start)]
            parts.append(marks.area([*points, *floor], trace["fillcolor"]))
        self._above = points
        if "lines" in mode and about.get("width", 2) > 0:
            parts.append(
                marks.line(points, about.get("color", "#000"), about.get("width", 2), about.get("dash", "solid"))
            )
        parts.append(self._whiskers(trace, xs, ys))
        if "markers" in mode:
            parts.append(self._markers(trace, points))
        if "text" in mode:
            colour = (trace.get("textfont") or {}).get("color", "currentColor")
            texts = [
                marks.label(x, y, marks.plain_text(text), anchor="middle", size=_FONT, is_bold=True)
                for (x, y), text in zip(points, trace["text"], strict=True)
            ]
            parts.append(f'<g fill="{colour}">{"".join(texts)}</g>')
        return "".join(parts)

    def _whiskers(self, trace: dict[str, Any], xs: list[float], ys: list[float]) -> str:
        x_axis, y_axis = self._pair(trace)
        parts = []
        for key, is_flat in (("error_x", True), ("error_y", False)):
            about = trace.get(key)
            if not about:
                continue
            up, down = _errors(about, len(xs))
            colour = about.get("color") or _colour(trace)
            for x, y, more, less in zip(xs, ys, up, down, strict=True):
                if is_flat:
                    left, right = x_axis.at_number(x - less), x_axis.at_number(x + more)
                    at = y_axis.at_number(y)
                    ends = [[(left, at), (right, at)], *([(e, at - 4), (e, at + 4)] for e in (left, right))]
                else:
                    low, high = y_axis.at_number(y - less), y_axis.at_number(y + more)
                    at = x_axis.at_number(x)
                    ends = [[(at, low), (at, high)], *([(at - 4, e), (at + 4, e)] for e in (low, high))]
                parts += [marks.line(end, colour, 2.0) for end in ends]
        return "".join(parts)

    def _markers(self, trace: dict[str, Any], points: list[tuple[float, float]]) -> str:
        about = trace.get("marker") or {}
        count = len(points)
        colours, symbols = (
            _each(about.get("color") or _colour(trace), count),
            _each(about.get("symbol", "circle"), count),
        )
        sizes = _each(about.get("size", 8), count)
        outline = (about.get("line") or {}).get("width", 1.5)
        return "".join(
            marks.symbol(shape, x, y, 0.85 * float(size), colour, outline)
            for (x, y), shape, size, colour in zip(points, symbols, sizes, colours, strict=True)
        )

    def _draw_bars(self, trace: dict[str, Any]) -> str:
        is_flat = trace.get("orientation") == "h"
        x_axis, y_axis = self._pair(trace)
        place_axis, value_axis = (y_axis, x_axis) if is_flat else (x_axis, y_axis)
        about, bars = trace.get("marker") or {}, self._bars[id(trace)]
        colours = _each(about.get("color", "#000"), len(bars))
        shape = (about.get("pattern") or {}).get("shape", "")
        shapes = _each(shape, len(bars))
        widths = _each(trace.get("width") or _BAR_SHARE, len(bars))
        texts = _each(trace.get("text") or "", len(bars))
        parts = []
        for (at, start, end), colour, kind, width, text in zip(bars, colours, shapes, widths, texts, strict=True):
            sides = [place_axis.at_number(at + half * float(width)) for half in (-0.5, 0.5)]
            ends = [value_axis.at_number(start), value_axis.at_number(end)]
            fill = self._fill(colour, kind)
            if is_flat:
                parts.append(marks.box(ends[0], sides[0], ends[1], sides[1], fill))
                parts.append(self._bar_label(marks.plain_text(text), ends, sides, value_axis))
            else:
                parts.append(marks.box(sides[0], ends[0], sides[1], ends[1], fill))
        middles = [(at, end) for at, _, end in bars]
        xs, ys = zip(*[(e, a) if is_flat else (a, e) for a, e in middles], strict=True) if middles else ((), ())
        parts.append(self._whiskers(trace, list(xs), list(ys)))
        return "".join(parts)

    @staticmethod
    def _bar_label(text: str, ends: list[float], sides: list[float], axis: Axis) -> str:
        """A flat bar's own text: past its end where there is room, else before its start."""
        if not text:
            return ""
        start, end = ends
        is_left = end < start
        room = end - axis.start if is_left else axis.end - end
        if room > text_width(text, _FONT) + 6.0:
            x, is_before = end, is_left
        else:
            x, is_before = start, not is_left
        step, anchor = (-5.0, "end") if is_before else (5.0, "start")
        return marks.label(x + step, 0.5 * (sides[0] + sides[1]), text, anchor=anchor, size=_FONT)

    def _fill(self, colour: str, shape: str) -> str:
        if not shape:
            return colour
        name = self._patterns.setdefault((colour, shape), f"{self._name}-p{len(self._patterns)}")
        return f"url(#{name})"

    def patterns(self) -> str:
        """Definitions of the patterns that were used."""
        made = "".join(marks.pattern(name, shape, colour) for (colour, shape), name in self._patterns.items())
        return f"<defs>{made}</defs>" if made else ""

    def swatch(self, trace: dict[str, Any], x: float, y: float) -> str:
        """What stands for a trace in the legend."""
        about = trace.get("marker") or {}
        if trace["type"] == "bar":
            colour = _each(about.get("color", "#000"), 1)[0]
            kind = _each((about.get("pattern") or {}).get("shape", ""), 1)[0]
            return marks.box(x + 4, y - 6, x + 24, y + 6, self._fill(colour, kind))
        parts, mode, line = [], str(trace.get("mode", "lines")), trace.get("line") or {}
        if "lines" in mode:
            parts.append(
                marks.line(
                    [(x + 1, y), (x + 25, y)],
                    line.get("color", "#000"),
                    line.get("width", 2),
                    line.get("dash", "solid"),
                )
            )
        if "markers" in mode:
            shape, colour = _each(about.get("symbol", "circle"), 1)[0], _colour(trace)
            parts.append(marks.symbol(shape, x + 13, y, 10.0, colour))
        return "".join(parts)


def _errors(about: dict[str, Any] | None, count: int) -> tuple[list[float], list[float]]:
    """Lengths of the error bars up and down."""
    if not about:
        return [0.0] * count, [0.0] * count
    up = [float(value or 0.0) for value in about["array"]]
    down = about.get("arrayminus")
    return up, up if down is None else [float(value or 0.0) for value in down]


def _each(value: Any, count: int) -> list[Any]:
    """A list with one value for each of ``count``."""
    return list(value) if isinstance(value, list | tuple) else [value] * count


def _colour(trace: dict[str, Any]) -> str:
    """A trace's own colour: of its symbols, else of its line."""
    line = (trace.get("line") or {}).get("color", "#444")
    return str(_each((trace.get("marker") or {}).get("color") or line, 1)[0])

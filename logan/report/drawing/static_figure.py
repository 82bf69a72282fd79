"""Draw a plotly figure as a static SVG: for print, and for readers without JavaScript.

Only what logan's own figures use is drawn: lines, markers, error bars, bars, fills, spans, lines across.
"""

from __future__ import annotations

import base64
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from logan.report.drawing import marks
from logan.report.drawing.axes import Axis, text_width
from logan.report.drawing.traces import TracePainter

if TYPE_CHECKING:
    import plotly.graph_objects as go

WIDTH: Final = 720.0
FONT: Final = 13.0
_LEGEND_ROW: Final = 20.0
_SWATCH: Final = 30.0
_GRID: Final = "rgba(128,128,128,0.3)"
_FRAME: Final = "rgba(128,128,128,0.8)"


def static_svg(figure: go.Figure, name: str) -> str:
    """Draw a figure.

    Parameters
    ----------
    figure : plotly Figure
        One of logan's.
    name : str
        Unique on its page; letters, digits and dashes.

    Returns
    -------
    str
        An ``svg`` element, hidden from screen readers: the words that stand for it go with its frame.
    """
    return _Drawing(figure.to_plotly_json(), name).draw()


def static_picture(figure: go.Figure) -> str:
    """Draw a figure as an SVG file of its own, light or dark as the reader's screen is."""
    style = (
        "<style>svg{color:#22262b;font-family:system-ui,sans-serif}"
        "@media (prefers-color-scheme:dark){svg{color:#e7e9ec}}</style>"
    )
    svg = static_svg(figure, "f").replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1)
    return svg.replace(">", f">{style}", 1)


@dataclass(frozen=True, slots=True)
class _Area:
    left: float
    right: float
    top: float
    bottom: float


class _Drawing:
    """One figure on its way to SVG."""

    def __init__(self, spec: dict[str, Any], name: str) -> None:
        self._layout = spec["layout"]
        self._traces = [_unpacked(trace) for trace in spec["data"] if trace.get("visible", True) is True]
        self._axes = {
            key.replace("axis", ""): Axis(layout=about, is_vertical=key.startswith("y"))
            for key, about in self._layout.items()
            if key.startswith(("xaxis", "yaxis"))
        }
        self._settle_kinds()
        self._painter = TracePainter(self._axes, name, str(self._layout.get("barmode", "group")))
        for trace in self._traces:
            self._painter.measure(trace)
        for axis in self._axes.values():
            axis.settle()

    def _settle_kinds(self) -> None:
        for trace in self._traces:
            for letter in "xy":
                axis = self._axes[trace.get(f"{letter}axis") or letter]
                kind = axis.layout.get("type")
                if kind in ("log", "category"):
                    axis.kind = kind
                elif any(isinstance(value, str) for value in _values(trace, letter)):
                    axis.kind = "category"
                if axis.kind == "category":
                    axis.categories = axis.categories or [str(c) for c in axis.layout.get("categoryarray") or ()]
                    for value in _values(trace, letter):
                        axis.value_of(value)

    def draw(self) -> str:
        height = float(self._layout.get("height") or 420.0) * 0.92
        legend, legend_height = self._legend()
        area = self._area(height, legend_height)
        self._place(area)
        body = [*self._spans(area), *self._frames(area)]
        body += [self._painter.draw(trace) for trace in self._traces]
        body += [*self._lines(area), *self._annotations(area), *legend]
        defs = self._painter.patterns()
        return (
            f'<svg viewBox="0 0 {WIDTH:g} {height:.0f}" aria-hidden="true" focusable="false" fill="currentColor">'
            f"{defs}{''.join(body)}</svg>"
        )

    def _area(self, height: float, legend_height: float) -> _Area:
        left, right = 12.0, 14.0
        for axis in self._axes.values():
            if axis.is_vertical:
                labels = [marks.plain_text(text) for _, text in axis.ticks(5)]
                room = max((text_width(text, FONT) for text in labels), default=0.0) + 10.0 + 20.0 * bool(axis.title)
                if axis.layout.get("side") == "right":
                    right = max(right, room + 8.0)
                else:
                    left = max(left, room)
        is_top = any(a.layout.get("side") == "top" for a in self._axes.values() if not a.is_vertical)
        has_title = any(axis.title for axis in self._axes.values() if not axis.is_vertical)
        tick_lines = max(
            (marks.plain_text(t).count("\n") for a in self._axes.values() if not a.is_vertical for _, t in a.ticks(9)),
            default=0,
        )
        below = 10.0 if is_top else 26.0 + 20.0 * has_title + 15.0 * tick_lines
        above = legend_height + 12.0 + (20.0 + 15.0 * tick_lines if is_top else 0.0)
        return _Area(min(left, 0.42 * WIDTH), WIDTH - right, above, height - below)

    def _place(self, area: _Area) -> None:
        for axis in self._axes.values():
            low, high = axis.layout.get("domain") or (0.0, 1.0)
            if axis.is_vertical:
                span = area.bottom - area.top
                axis.start, axis.end = area.bottom - low * span, area.bottom - high * span
            else:
                span = area.right - area.left
                axis.start, axis.end = area.left + low * span, area.left + high * span

    def _frames(self, area: _Area) -> list[str]:
        parts: list[str] = []
        for key, axis in self._axes.items():
            partner = self._axes[(axis.layout.get("anchor") or ("x" if axis.is_vertical else "y")).replace("axis", "")]
            parts += self._vertical(axis, partner) if axis.is_vertical else self._horizontal(axis, partner, area, key)
        return parts

    def _vertical(self, axis: Axis, partner: Axis) -> list[str]:
        parts = []
        is_right = axis.layout.get("side") == "right"
        edge, anchor, step = (partner.end, "start", 6.0) if is_right else (partner.start, "end", -6.0)
        shown = axis.layout.get("showticklabels", True)
        for value, text in axis.ticks(max(3, int(abs(axis.start - axis.end) / 34.0))):
            y = axis.at_number(value)
            if axis.layout.get("showgrid", True):
                parts.append(marks.line([(partner.start, y), (partner.end, y)], _GRID))
            if shown:
                is_bold = "<b>" in text
                parts.append(
                    marks.label(edge + step, y, marks.plain_text(text), anchor=anchor, size=FONT, is_bold=is_bold)
                )
        parts.append(marks.line([(edge, axis.start), (edge, axis.end)], _FRAME))
        if axis.title:
            x = WIDTH - 10.0 if is_right else 10.0
            middle = 0.5 * (axis.start + axis.end)
            parts.append(marks.label(x, middle, marks.plain_text(axis.title), anchor="middle", size=FONT, turn=-90.0))
        return parts

    def _horizontal(self, axis: Axis, partner: Axis, area: _Area, key: str) -> list[str]:
        parts = []
        is_top = axis.layout.get("side") == "top"
        edge, step = (partner.end, -12.0) if is_top else (partner.start, 14.0)
        width = axis.end - axis.start
        ticks = axis.ticks(9)
        widest = max((text_width(marks.plain_text(text), FONT) for _, text in ticks), default=0.0)
        if ticks and widest * len(ticks) > width:
            ticks = axis.ticks(max(2, int(width / (widest + 8.0))))
        for value, text in ticks:
            x = axis.at_number(value)
            parts.append(marks.line([(x, partner.start), (x, partner.end)], _GRID))
            if axis.layout.get("showticklabels", True):
                parts.append(marks.label(x, edge + step, marks.plain_text(text), anchor="middle", size=FONT))
        if axis.kind == "linear" and axis.low < 0.0 < axis.high and axis.layout.get("zeroline", True):
            x = axis.at_number(0.0)
            parts.append(marks.line([(x, partner.start), (x, partner.end)], _FRAME, 1.5))
        parts.append(marks.line([(axis.start, edge), (axis.end, edge)], _FRAME))
        if axis.title:
            middle = 0.5 * (axis.start + axis.end)
            parts.append(
                marks.label(middle, area.bottom + 36.0, marks.plain_text(axis.title), anchor="middle", size=FONT)
            )
        return parts

    def _reference(self, reference: str, letter: str, value: Any, area: _Area) -> float:
        """Where an end of a shape lies: on an axis, or as a share of the figure."""
        if reference == "paper":
            low, high = (area.left, area.right) if letter == "x" else (area.bottom, area.top)
            return low + (high - low) * float(value)
        axis = self._axes[reference.removesuffix(" domain")]
        if reference.endswith(" domain"):
            return axis.start + (axis.end - axis.start) * float(value)
        return min(max(axis.at(value), min(axis.start, axis.end)), max(axis.start, axis.end))

    def _corners(self, shape: dict[str, Any], area: _Area) -> tuple[float, float, float, float]:
        x0, x1 = (self._reference(shape.get("xref", "x"), "x", shape[end], area) for end in ("x0", "x1"))
        y0, y1 = (self._reference(shape.get("yref", "y"), "y", shape[end], area) for end in ("y0", "y1"))
        return x0, y0, x1, y1

    def _spans(self, area: _Area) -> list[str]:
        parts = []
        for shape in self._layout.get("shapes", ()):
            if shape.get("type") == "rect":
                x0, y0, x1, y1 = self._corners(shape, area)
                parts.append(
                    marks.box(x0, y0, max(x1, x0 + 1.0), y1, shape["fillcolor"], opacity=shape.get("opacity", 1.0))
                )
        return parts

    def _lines(self, area: _Area) -> list[str]:
        parts = []
        for shape in self._layout.get("shapes", ()):
            if shape.get("type") == "line":
                x0, y0, x1, y1 = self._corners(shape, area)
                about = shape.get("line", {})
                colour, width, dash = about.get("color", "#000"), about.get("width", 2), about.get("dash", "solid")
                parts.append(marks.line([(x0, y0), (x1, y1)], colour, width, dash))
        return parts

    def _annotations(self, area: _Area) -> list[str]:
        parts = []
        anchors = {"left": "start", "right": "end", "center": "middle"}
        for note in self._layout.get("annotations", ()):
            x = self._reference(note.get("xref", "x"), "x", note["x"], area)
            y = self._reference(note.get("yref", "y"), "y", note["y"], area)
            lift = {"top": 9.0, "bottom": -9.0}.get(note.get("yanchor", ""), 0.0)
            anchor = anchors.get(note.get("xanchor", ""), "middle")
            step = {"start": 4.0, "end": -4.0}.get(anchor, 0.0)
            parts.append(marks.label(x + step, y + lift, marks.plain_text(note["text"]), anchor=anchor, size=FONT))
        return parts

    def _legend(self) -> tuple[list[str], float]:
        named = [trace for trace in self._traces if trace.get("name") and trace.get("showlegend", True)]
        if not named or (len(named) == 1 and len(self._traces) == 1) or self._layout.get("showlegend") is False:
            return [], 0.0
        parts, x, y = [], 4.0, 0.5 * _LEGEND_ROW
        for trace in named:
            text = marks.plain_text(trace["name"])
            room = _SWATCH + text_width(text, FONT) + 14.0
            if x + room > WIDTH and x > 4.0:
                x, y = 4.0, y + _LEGEND_ROW
            parts.append(self._painter.swatch(trace, x, y))
            parts.append(marks.label(x + _SWATCH, y, text, size=FONT))
            x += room
        return parts, y + 0.5 * _LEGEND_ROW


def _unpacked(content: Any) -> Any:
    """Plotly's content with its packed arrays as lists."""
    if isinstance(content, dict):
        if "bdata" in content:
            numbers = np.frombuffer(base64.b64decode(content["bdata"]), dtype=np.dtype(content["dtype"]))
            return [float(number) for number in numbers]
        return {key: _unpacked(value) for key, value in content.items()}
    return content


def _values(trace: dict[str, Any], letter: str) -> list[Any]:
    values = trace.get(letter)
    return [] if values is None else list(values)

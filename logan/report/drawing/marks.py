"""What a static figure is drawn with: texts, lines, symbols, patterns; everything that is text is escaped."""

from __future__ import annotations

import html
import math
import re
from collections.abc import Sequence
from typing import Final

_DASHES: Final = {
    "dash": "7 4",
    "dot": "2 3",
    "dashdot": "7 3 2 3",
    "longdash": "11 4",
    "longdashdot": "11 3 2 3",
}
_PATTERNS: Final = {
    "/": "M-1 1L1 -1M0 8L8 0M7 9L9 7",
    "\\": "M-1 7L1 9M0 0L8 8M7 -1L9 1",
    "x": "M0 0L8 8M0 8L8 0",
    "|": "M4 0V8",
    "-": "M0 4H8",
    "+": "M4 0V8M0 4H8",
    ".": "M3 4H5",
}
_TAG: Final = re.compile(r"</?(?:b|i|sub|sup)>")


def plain_text(text: object) -> str:
    """A plotly label as plain text: breaks become newlines, its markup goes, its entities are read."""
    return html.unescape(_TAG.sub("", str(text).replace("<br>", "\n")))


def number(value: float) -> str:
    """A coordinate, to a tenth of a pixel."""
    return f"{value:.1f}".removesuffix(".0")


def label(
    x: float,
    y: float,
    text: str,
    *,
    anchor: str = "start",
    size: float = 13.0,
    turn: float = 0.0,
    is_bold: bool = False,
) -> str:
    """A text; its middle height lies at y, its lines one below the other."""
    lines = text.split("\n")
    first = y - 0.5 * (len(lines) - 1) * 1.2 * size + 0.35 * size
    turned = f' transform="rotate({turn:g} {number(x)} {number(y)})"' if turn else ""
    weight = ' font-weight="700"' if is_bold else ""
    spans = "".join(
        f'<tspan x="{number(x)}" y="{number(first + k * 1.2 * size)}">{html.escape(line)}</tspan>'
        for k, line in enumerate(lines)
    )
    return f'<text text-anchor="{anchor}" font-size="{size:g}"{weight}{turned}>{spans}</text>'


def path(points: Sequence[tuple[float, float]]) -> str:
    """Path data through points; a NaN breaks the line."""
    parts, is_down = [], False
    for x, y in points:
        if math.isfinite(x) and math.isfinite(y):
            parts.append(f"{'L' if is_down else 'M'}{number(x)} {number(y)}")
            is_down = True
        else:
            is_down = False
    return "".join(parts)


def line(points: Sequence[tuple[float, float]], colour: str, width: float = 1.0, dash: str = "solid") -> str:
    """A line through points."""
    data = path(points)
    if not data:
        return ""
    dashes = f' stroke-dasharray="{_DASHES[dash]}"' if dash in _DASHES else ""
    return f'<path d="{data}" fill="none" stroke="{html.escape(colour)}" stroke-width="{width:g}"{dashes}/>'


def area(points: Sequence[tuple[float, float]], colour: str) -> str:
    """A filled area with these corners."""
    kept = [point for point in points if math.isfinite(point[0]) and math.isfinite(point[1])]
    return f'<path d="{path(kept)}Z" fill="{html.escape(colour)}"/>' if kept else ""


def box(x0: float, y0: float, x1: float, y1: float, fill: str, *, opacity: float = 1.0) -> str:
    """A rectangle between two corners."""
    shade = f' fill-opacity="{opacity:g}"' if opacity < 1.0 else ""
    return (
        f'<rect x="{number(min(x0, x1))}" y="{number(min(y0, y1))}" width="{number(abs(x1 - x0))}" '
        f'height="{number(abs(y1 - y0))}" fill="{html.escape(fill)}"{shade}/>'
    )


def pattern(name: str, shape: str, colour: str) -> str:
    """A fill that is told apart in grey: the colour, with strokes over it."""
    return (
        f'<pattern id="{name}" width="8" height="8" patternUnits="userSpaceOnUse"><rect width="8" height="8" '
        f'fill="{html.escape(colour)}"/><path d="{_PATTERNS[shape]}" stroke="#fff" stroke-width="1.6"/></pattern>'
    )


def symbol(shape: str, x: float, y: float, size: float, colour: str, outline: float = 2.0) -> str:
    """A marker."""
    if not (math.isfinite(x) and math.isfinite(y)):
        return ""
    ink, half = html.escape(colour), size / 2.0
    if shape.endswith("-open"):
        paint = f'fill="none" stroke="{ink}" stroke-width="{outline:g}"'
    elif shape in ("line-ew", "line-ns", "x-thin"):
        paint = f'fill="none" stroke="{ink}" stroke-width="{max(outline, 2.0):g}"'
    else:
        paint = f'fill="{ink}"'
    base = shape.removesuffix("-open")
    if base == "circle":
        return f'<circle cx="{number(x)}" cy="{number(y)}" r="{number(half)}" {paint}/>'
    return f'<path d="{_outline(base, x, y, half)}" {paint}/>'


def _outline(shape: str, x: float, y: float, half: float) -> str:
    def at(*corners: tuple[float, float]) -> str:
        return path([(x + dx * half, y + dy * half) for dx, dy in corners]) + "Z"

    if shape == "diamond":
        return at((0, -1.25), (1.25, 0), (0, 1.25), (-1.25, 0))
    if shape == "triangle-up":
        return at((0, -1.1), (1.05, 0.8), (-1.05, 0.8))
    if shape == "line-ew":
        return path([(x - half, y), (x + half, y)])
    if shape == "line-ns":
        return path([(x, y - half), (x, y + half)])
    if shape == "x-thin":
        return path([(x - half, y - half), (x + half, y + half)]) + path([(x - half, y + half), (x + half, y - half)])
    if shape == "x":
        arm = 0.35
        return at(
            (-1, -1 + arm), (-1 + arm, -1), (0, -arm), (1 - arm, -1), (1, -1 + arm), (arm, 0),
            (1, 1 - arm), (1 - arm, 1), (0, arm), (-1 + arm, 1), (-1, 1 - arm), (-arm, 0),
        )  # fmt: skip
    if shape == "star":
        corners = [
            (math.sin(k * math.pi / 5) * r, -math.cos(k * math.pi / 5) * r)
            for k, r in zip(range(10), (1.25, 0.5) * 5, strict=True)
        ]
        return at(*corners)
    return at((-0.9, -0.9), (0.9, -0.9), (0.9, 0.9), (-0.9, 0.9))

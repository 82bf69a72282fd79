"""Draw a figure as SVG: on a page, on a phone, in print, with and without a script.

Colors are classes (``theme.figure_css``), so one drawing serves light, dark and print, and no style stands inside it.
What is pointed at says its words through ``<title>``; ``templates/figure.js`` reads the lines through ``data-``.
"""

from __future__ import annotations

import html
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Final

import numpy as np

from logan.report.figure import Axis, Band, Bars, Dots, Figure, Limit, Line, Mark, Numbers, Panel, Span, interval
from logan.units import FloatArray

WIDTHS: Final = {"wide": 900.0, "narrow": 360.0}
FONT: Final = 13.0
DASHES: Final = {"dash": "7 4", "dot": "2 3", "dashdot": "7 3 2 3", "longdash": "12 4"}
_CHARACTER: Final = 0.56
"""Mean width of a character over the font size, of common sans-serif fonts."""
_GAP: Final = 12.0
_LONG: Final = 9
"""Characters of a bar's label beyond which it stands beside the name on a narrow drawing."""
_DOWN: Final = 0.2
_TALLER: Final = 1.65
_LINE: Final = 1.2 * FONT


@dataclass(frozen=True, slots=True)
class Scale:
    """Where the values of an axis lie. [px]"""

    low: float
    high: float
    start: float
    end: float
    is_log: bool = False

    def at(self, value: Numbers | float) -> FloatArray:
        """Places of values, same shape; NaN where they have none."""
        number = np.asarray(value, dtype=float)
        if self.is_log:
            with np.errstate(divide="ignore", invalid="ignore"):
                number = np.where(number > 0.0, np.log10(np.maximum(number, 1e-300)), np.nan)
        return np.asarray(self.start + (self.end - self.start) * (number - self.low) / (self.high - self.low))

    def one(self, value: float) -> float:
        """Place of one value."""
        return float(self.at(value))


def drawing(figure: Figure) -> str:
    """Both widths of a figure, of which a page's style shows one; hidden from screen readers, its words go beside.

    The wide one is a drawing for each panel, so that print can turn the sheet between two of them.
    """
    return svg(figure, "wide", is_split=True) + svg(figure, "narrow")


def svg(figure: Figure, name: str, *, is_split: bool = False) -> str:
    """Draw a figure.

    Parameters
    ----------
    figure : Figure
        With at least one panel.
    name : str
        One of ``WIDTHS``.
    is_split : bool
        An element for each panel, one below the other, instead of one for all.

    Returns
    -------
    str
        An ``svg`` element whose class is the name, or several of them.
    """
    width = WIDTHS[name]
    if name == "narrow":
        figure = replace(figure, panels=tuple(map(_stacked, figure.panels)))
    left = max(_left_room(panel, width) for panel in figure.panels)
    right = width - max(_right_room(panel, width) for panel in figure.panels)
    x = _x_scale(figure, left, right)
    top, body, ends = 4.0, [], [0.0]
    for panel in figure.panels:
        top += 1.5 * FONT if panel.y.title or any(_is_upright(mark) for mark in panel.marks) else 4.0
        y = _y_scale(panel, top, top + panel.height)
        is_last = panel is figure.panels[-1]
        body.append(_panel(panel, figure.x, x, y, width, is_last=is_last))
        top += panel.height + _GAP
        ends.append(round(top))
    ends[-1] = round(top + 2.0 * FONT + (_LINE if figure.x.title else 0.0))
    if figure.x.title:
        body[-1] += text(0.5 * (left + right), ends[-1] - 0.9 * FONT, figure.x.title, anchor="middle")
    if not is_split:
        body, ends = ["".join(body)], [0.0, ends[-1]]
    return "".join(
        f'<svg xmlns="http://www.w3.org/2000/svg" class="{name}" viewBox="0 {start:g} {width:g} {end - start:g}" '
        f'aria-hidden="true" focusable="false" fill="currentColor">{drawn}</svg>'
        for drawn, (start, end) in zip(body, pairwise(ends), strict=True)
    )


def _stacked(panel: Panel) -> Panel:
    """For a narrow drawing: rows with their names above them, and the long labels of bars beside the names."""
    if not panel.y.names:
        return panel
    names, marks = list(panel.y.names), []
    for mark in panel.marks:
        if isinstance(mark, Bars) and any(len(label) > _LONG for label in mark.labels):
            for at, label in zip(mark.at, mark.labels, strict=True):
                names[round(at)] = f"{names[round(at)]}: {label}"
            mark = replace(mark, labels=())
        if isinstance(mark, Bars):
            mark = replace(mark, at=[at + _DOWN for at in mark.at], thickness=0.45)
        elif isinstance(mark, Dots):
            mark = replace(mark, y=[0.9 * y + 0.1 * round(y) + _DOWN for y in mark.y])
        marks.append(mark)
    y = replace(panel.y, names=tuple(names), is_above=True)
    return replace(panel, y=y, marks=tuple(marks), height=_TALLER * panel.height)


def _is_upright(mark: Mark) -> bool:
    return isinstance(mark, Limit) and mark.is_upright


def text(
    x: float, y: float, words: str, *, anchor: str = "start", kind: str = "", is_bold: bool = False, most: int = 0
) -> str:
    """Words whose middle height lies at y; broken into lines of ``most`` characters where that is given."""
    lines = wrapped(words, most) if most else [words]
    first = y - 0.5 * (len(lines) - 1) * _LINE + 0.35 * FONT
    spans = "".join(
        f'<tspan x="{x:.1f}" y="{first + k * _LINE:.1f}">{html.escape(line)}</tspan>' for k, line in enumerate(lines)
    )
    weight = ' font-weight="650"' if is_bold else ""
    named = f' class="{kind}"' if kind else ""
    return f'<text font-size="{FONT:g}" text-anchor="{anchor}"{weight}{named}>{spans}</text>'


def wrapped(words: str, most: int) -> list[str]:
    """Lines of about so many characters, three at the most; the rest is cut."""
    lines: list[str] = [""]
    for word in words.split():
        if lines[-1] and len(lines[-1]) + 1 + len(word) > most:
            lines.append("")
        lines[-1] = f"{lines[-1]} {word}".strip()
    lines = [line if len(line) <= most + 2 else f"{line[: most - 1]}…" for line in lines]
    return lines if len(lines) <= 3 else [*lines[:2], f"{lines[2][: most - 1]}…"]


def _width(words: str) -> float:
    return _CHARACTER * FONT * len(words)


def _names_room(width: float) -> int:
    """Characters of a row's name on one line."""
    return int(0.33 * width / (_CHARACTER * FONT))


def _left_room(panel: Panel, width: float) -> float:
    if panel.y.is_above:
        return 10.0
    if panel.y.names:
        most = _names_room(width)
        return 10.0 + max(_width(line) for name in panel.y.names for line in wrapped(name, most) or [""])
    low, high = _extent(panel.y, _values(panel.marks, "y"), is_padded=True)
    return 12.0 + max((_width(words) for _, words in _ticks(panel.y, low, high, 5)), default=0.0)


def _right_room(panel: Panel, width: float) -> float:
    labels = [mark.label for mark in panel.marks if isinstance(mark, Line) and mark.label]
    most = _names_room(width) * 2 // 3
    return 10.0 + max((_width(line) + 6.0 for label in labels for line in wrapped(label, most)), default=6.0)


def _values(marks: Iterable[Mark], axis: str) -> list[float]:
    """Ends of all that must find room along an axis."""
    found: list[float] = []
    for mark in marks:
        match mark:
            case Line():
                found += interval(mark.x if axis == "x" else mark.y)
            case Band():
                found += interval(mark.x) if axis == "x" else (interval(mark.low)[0], interval(mark.high)[1])
            case Dots():
                found += interval(mark.x if axis == "x" else mark.y)
                if mark.is_flat is (axis == "x"):
                    found += [interval(mark.low)[0], interval(mark.high)[1]]
            case Bars():
                found += [*interval(mark.start), *interval(mark.end)] if mark.is_flat is (axis == "x") else []
                if not mark.is_flat and axis == "x" and len(mark.at):
                    found += [min(mark.at) - 0.5 * mark.thickness, max(mark.at) + 0.5 * mark.thickness]
            case Limit():
                found += [mark.value] if mark.is_upright is (axis == "x") else []
            case Span():
                pass
    return [value for value in found if math.isfinite(value)]


def _extent(axis: Axis, values: Sequence[float], *, is_padded: bool) -> tuple[float, float]:
    if axis.names:
        return -0.5, len(axis.names) - 0.5
    if axis.is_log:
        values = [math.log10(value) for value in values if value > 0.0]
    low = min(values, default=0.0) if axis.low is None else axis.low
    high = max(values, default=1.0) if axis.high is None else axis.high
    if not low < high:
        low, high = low - 0.5, low + 0.5
    margin = 0.06 * (high - low) if is_padded else 0.0
    return (
        low - margin if axis.low is None and low != 0.0 else low,
        high + margin if axis.high is None and high != 0.0 else high,
    )


def _x_scale(figure: Figure, left: float, right: float) -> Scale:
    marks = [mark for panel in figure.panels for mark in panel.marks]
    is_padded = any(isinstance(mark, Dots | Bars) and mark.is_flat for mark in marks) or not figure.x.is_log
    is_padded = is_padded and not any(isinstance(mark, Line) for mark in marks)
    low, high = _extent(figure.x, _values(marks, "x"), is_padded=is_padded)
    before = after = 0.0
    for mark in marks:
        if isinstance(mark, Bars) and mark.is_flat and mark.labels:
            for start, end, label in zip(mark.start, mark.end, mark.labels, strict=True):
                before = max(before, _width(label) + 8.0 if end < start else 0.0)
                after = max(after, _width(label) + 8.0 if end >= start else 0.0)
        if isinstance(mark, Dots) and mark.labels:
            after = max(after, max(map(_width, mark.labels)) + 10.0)
    most = 0.55 if any(panel.y.is_above for panel in figure.panels) else 0.45
    before, after = min(before, 0.3 * (right - left)), min(after, most * (right - left))
    return Scale(low, high, left + before, right - after, figure.x.is_log)


def _y_scale(panel: Panel, top: float, bottom: float) -> Scale:
    low, high = _extent(panel.y, _values(panel.marks, "y"), is_padded=True)
    # Rows count from the top.
    return Scale(low, high, top, bottom) if panel.y.names else Scale(low, high, bottom, top)


def _ticks(axis: Axis, low: float, high: float, most: int) -> list[tuple[float, str]]:
    """Values with their labels, about so many at the most."""
    if axis.ticks:
        return list(axis.ticks)
    if axis.names:
        return [(float(k), name) for k, name in enumerate(axis.names)]
    if axis.is_log:
        return [(10.0**decade, f"{10.0**decade:g}") for decade in range(math.ceil(low - 1e-9), math.floor(high) + 1)]
    rough = (high - low) / max(most, 2)
    size = 10.0 ** math.floor(math.log10(rough))
    step = next(size * factor for factor in (1.0, 2.0, 5.0, 10.0) if size * factor >= rough * (1.0 - 1e-9))
    digits = max(0, -math.floor(math.log10(step) + 1e-9))
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    return [(k * step, f"{k * step:,.{digits}f}".replace("-", "−")) for k in range(first, last + 1)]


def _panel(panel: Panel, x_axis: Axis, x: Scale, y: Scale, width: float, *, is_last: bool) -> str:
    (left, right), (top, bottom) = (x.start, x.end), sorted((y.start, y.end))
    order, names = (Span, Band, Bars, Line, Limit, Dots), _y_axis(panel.y, y, left, right, width)
    marks = sorted(panel.marks, key=lambda mark: order.index(type(mark)))
    title = text(2.0, top - 0.8 * FONT, panel.y.title, is_bold=True) if panel.y.title else ""
    read = (
        f' data-x="{left:.1f} {right:.1f} {x.low:.6g} {x.high:.6g}" data-y="{bottom:.1f} {top:.1f} {y.low:.6g} '
        f'{y.high:.6g}" data-title="{html.escape(panel.y.title)}" data-across="{html.escape(x_axis.title)}"'
        if any(isinstance(mark, Line) for mark in marks) and not x.is_log
        else ""
    )
    return (
        f'<g class="panel"{read}>{title}{_x_axis(x_axis, x, top, bottom, is_labeled=is_last)}'
        f"{'' if panel.y.is_above else names}{''.join(_drawn(mark, x, y) for mark in marks)}"
        f"{names if panel.y.is_above else ''}"
        f"{''.join(_end_labels(mark, x, y, _uprights(panel, x)) for mark in marks if isinstance(mark, Bars | Dots))}"
        f"{_line_names(panel, x, y, width)}{_limit_names(panel, x, y)}</g>"
    )


def _x_axis(axis: Axis, x: Scale, top: float, bottom: float, *, is_labeled: bool) -> str:
    ticks = _ticks(axis, x.low, x.high, max(2, int((x.end - x.start) / 75.0)))
    drawn, last = [], -math.inf
    for value, words in ticks:
        at = x.one(value)
        if not x.start - 1.0 <= at <= x.end + 1.0:
            continue
        drawn.append(f'<path class="grid" d="M{at:.1f} {top:.1f}V{bottom:.1f}"/>')
        if is_labeled and at - 0.5 * _width(words) > last:
            last = at + 0.5 * _width(words) + 4.0
            drawn.append(text(at, bottom + 1.0 * FONT, words, anchor="middle", kind="soft"))
    return f'{"".join(drawn)}<path class="frame" d="M{x.start:.1f} {bottom:.1f}H{x.end:.1f}"/>'


def _y_axis(axis: Axis, y: Scale, left: float, right: float, width: float) -> str:
    drawn = []
    for value, words in _ticks(axis, y.low, y.high, max(2, int(abs(y.end - y.start) / 32.0))):
        at = y.one(value)
        if axis.is_above:
            most = int((width - left) / (_CHARACTER * FONT))
            drawn.append(text(left, y.one(value - 0.3), words, most=most, kind="halo"))
        elif axis.names:
            drawn.append(text(left - 8.0, at, words, anchor="end", most=_names_room(width)))
        else:
            drawn.append(f'<path class="grid" d="M{left:.1f} {at:.1f}H{right:.1f}"/>')
            drawn.append(text(left - 6.0, at, words, anchor="end", kind="soft"))
    return "".join(drawn)


def _title(words: str) -> str:
    return f"<title>{html.escape(words)}</title>" if words else ""


def _path(points: Iterable[tuple[float, float]]) -> str:
    parts, is_down = [], False
    for px, py in points:
        if math.isfinite(px) and math.isfinite(py):
            parts.append(f"{'L' if is_down else 'M'}{px:.1f} {py:.1f}")
            is_down = True
        else:
            is_down = False
    return "".join(parts).replace(".0 ", " ").replace(".0L", "L").replace(".0M", "M")


def _drawn(mark: Mark, x: Scale, y: Scale) -> str:
    match mark:
        case Line():
            dash = f' stroke-dasharray="{DASHES[mark.dash]}"' if mark.dash in DASHES else ""
            points = zip(x.at(mark.x).tolist(), y.at(mark.y).tolist(), strict=True)
            return (
                f'<path class="k-{mark.ink}" data-name="{html.escape(mark.label)}" d="{_path(points)}" fill="none" '
                f'stroke="currentColor" stroke-width="{mark.width:g}" stroke-linejoin="round"{dash}/>'
            )
        case Band():
            return _band(mark, x, y)
        case Span():
            return _span(mark, x, y)
        case Bars():
            return "".join(_bar(mark, k, x, y) for k in range(len(mark.at)))
        case Dots():
            return "".join(_dot(mark, k, x, y) for k in range(len(mark.x)))
        case Limit():
            at = (x if mark.is_upright else y).one(mark.value)
            way = f"M{at:.1f} {min(y.start, y.end):.1f}V{max(y.start, y.end):.1f}"
            across = f"M{x.start:.1f} {at:.1f}H{x.end:.1f}"
            return (
                f'<path class="k-{mark.ink}" d="{way if mark.is_upright else across}" stroke="currentColor" '
                f'stroke-width="2" stroke-dasharray="7 4" fill="none">{_title(mark.label)}</path>'
            )


def _band(mark: Band, x: Scale, y: Scale) -> str:
    across = x.at(mark.x)
    corners = [*zip(across, y.at(mark.high), strict=True), *zip(across[::-1], y.at(mark.low)[::-1], strict=True)]
    known = [(float(px), float(py)) for px, py in corners if math.isfinite(px) and math.isfinite(py)]
    return f'<path class="k-{mark.ink}" d="{_path(known)}Z" fill-opacity=".2"/>' if known else ""


def _span(mark: Span, x: Scale, y: Scale) -> str:
    start, end = (min(max(x.one(value), x.start), x.end) for value in (mark.start, mark.end))
    top, bottom = sorted((y.start, y.end))
    shade = (
        f'<rect class="k-{mark.ink}" x="{start:.1f}" y="{top:.1f}" width="{max(end - start, 1.5):.1f}" '
        f'height="{bottom - top:.1f}" fill-opacity=".2">{_title(mark.words)}</rect>'
    )
    if not mark.is_marked:
        return shade
    middle = 0.5 * (start + end)
    return shade + (f'<path class="k-{mark.ink}" d="M{middle - 6:.1f} {top:.1f}h12l-6 9Z">{_title(mark.words)}</path>')


def _bar(mark: Bars, k: int, x: Scale, y: Scale) -> str:
    along, across = (x, y) if mark.is_flat else (y, x)
    start, end = along.one(mark.start[k]), along.one(mark.end[k])
    sides = sorted((across.one(mark.at[k] - 0.5 * mark.thickness), across.one(mark.at[k] + 0.5 * mark.thickness)))
    if not all(map(math.isfinite, (start, end, *sides))):
        return ""
    low, length = min(start, end), max(abs(end - start), 1.0)
    box = (low, sides[0], length, sides[1] - sides[0]) if mark.is_flat else (sides[0], low, sides[1] - sides[0], length)
    return (
        f'<rect class="k-{mark.inks[k]}" x="{box[0]:.1f}" y="{box[1]:.1f}" width="{box[2]:.1f}" height="{box[3]:.1f}">'
        f"{_title(mark.words[k] if mark.words else '')}</rect>"
    )


def _uprights(panel: Panel, x: Scale) -> list[tuple[float, float]]:
    """Places of upright lines, and of ticks with their rows. [px, 1]"""
    lines = [(x.one(mark.value), math.nan) for mark in panel.marks if isinstance(mark, Limit) and mark.is_upright]
    ticks = [mark for mark in panel.marks if isinstance(mark, Dots) and mark.symbol == "tick"]
    return lines + [(x.one(at), float(row)) for mark in ticks for at, row in zip(mark.x, mark.y, strict=True)]


def _end_labels(mark: Bars | Dots, x: Scale, y: Scale, uprights: Sequence[tuple[float, float]]) -> str:
    """Labels at the ends of bars and beside symbols, over everything else and clear of upright lines and ticks."""
    rows = mark.at if isinstance(mark, Bars) else mark.y
    if isinstance(mark, Bars):
        ends = zip(mark.at, mark.start, mark.end, strict=True) if mark.is_flat else ()
        places = [(x.one(end) + (-6.0 if end < start else 6.0), y.one(at), end < start) for at, start, end in ends]
    else:
        highs = mark.high if mark.is_flat and len(mark.high) else mark.x
        places = [
            (max(x.one(at) + 0.6 * mark.size, x.one(high)) + 6.0, y.one(row), False)
            for at, high, row in zip(mark.x, highs, mark.y, strict=True)
        ]
    drawn = []
    for (px, py, is_left), row, label in zip(places, rows, mark.labels, strict=False):
        place = px
        for line, at in sorted(uprights):
            if not is_left and place - 4.0 < line < place + _width(label) and not abs(at - row) > 0.5:
                place = line + 6.0
        drawn.append(text(place, py, label, anchor="end" if is_left else "start", kind="halo") if label else "")
    return "".join(drawn)


def _dot(mark: Dots, k: int, x: Scale, y: Scale) -> str:
    px, py = x.one(mark.x[k]), y.one(mark.y[k])
    if not (math.isfinite(px) and math.isfinite(py)):
        return ""
    drawn = ""
    if len(mark.low):
        low, high = ((x if mark.is_flat else y).one(end[k]) for end in (mark.low, mark.high))
        way = f"M{low:.1f} {py:.1f}H{high:.1f}" if mark.is_flat else f"M{px:.1f} {low:.1f}V{high:.1f}"
        drawn = f'<path d="{way}" stroke="currentColor" stroke-width="3" stroke-opacity=".55" fill="none"/>'
    words = _title(mark.words[k]) if mark.words else ""
    return f'<g class="k-{mark.ink}">{words}{drawn}{_symbol(mark.symbol, px, py, 0.5 * mark.size)}</g>'


def _symbol(symbol: str, x: float, y: float, half: float) -> str:
    if symbol == "ring":
        paint = f'fill="var(--f-paper)" stroke="currentColor" stroke-width="2" r="{half:.1f}"'
        return f'<circle cx="{x:.1f}" cy="{y:.1f}" {paint}/>'
    if symbol == "diamond":
        return f'<path d="M{x:.1f} {y - 1.3 * half:.1f}l{1.3 * half:.1f} {1.3 * half:.1f}l{-1.3 * half:.1f} {1.3 * half:.1f}l{-1.3 * half:.1f} {-1.3 * half:.1f}Z"/>'  # noqa: E501
    if symbol == "triangle":
        return f'<path d="M{x:.1f} {y - 1.2 * half:.1f}l{1.2 * half:.1f} {2.2 * half:.1f}h{-2.4 * half:.1f}Z"/>'
    if symbol == "cross":
        ends = f"M{x - half:.1f} {y - half:.1f}l{2 * half:.1f} {2 * half:.1f}m0 {-2 * half:.1f}l{-2 * half:.1f} {2 * half:.1f}"  # noqa: E501
        return f'<path d="{ends}" stroke="currentColor" stroke-width="2.5" fill="none"/>'
    if symbol == "tick":
        return f'<path d="M{x:.1f} {y - half:.1f}V{y + half:.1f}" stroke="currentColor" stroke-width="3" fill="none"/>'
    return f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{half:.1f}"/>'


def _apart(places: Sequence[float], gap: float, low: float, high: float) -> list[float]:
    """Places pushed apart so that labels do not overlap, in the order given, kept between two ends where there is room."""  # noqa: E501
    order = np.argsort(places, kind="stable")
    moved = np.asarray(places, dtype=float)[order]
    for _ in range(60):
        for one, other in pairwise(range(moved.size)):
            short = gap - (moved[other] - moved[one])
            if short > 0.01:
                moved[one] -= 0.5 * short
                moved[other] += 0.5 * short
        moved = np.clip(moved, low, high)
    placed = np.empty_like(moved)
    placed[order] = moved
    return [float(place) for place in placed]


def _line_names(panel: Panel, x: Scale, y: Scale, width: float) -> str:
    named = []
    for mark in panel.marks:
        if isinstance(mark, Line) and mark.label:
            known = np.flatnonzero(np.isfinite(y.at(mark.y)))
            if known.size:
                named.append((mark, y.one(float(np.asarray(mark.y)[known[-1]]))))
    most = _names_room(width) * 2 // 3
    tall = max((len(wrapped(mark.label, most)) for mark, _ in named), default=1)
    places = _apart([place for _, place in named], tall * _LINE, min(y.start, y.end) + 6.0, max(y.start, y.end) - 4.0)
    return "".join(
        text(x.end + 6.0, place, mark.label, kind=f"k-{mark.ink}", most=most)
        for (mark, _), place in zip(named, places, strict=True)
    )


def _limit_names(panel: Panel, x: Scale, y: Scale) -> str:
    limits = [mark for mark in panel.marks if isinstance(mark, Limit)]
    upright = [mark for mark in limits if _is_upright(mark)]
    lying = [mark for mark in limits if not _is_upright(mark)]
    top, bottom = sorted((y.start, y.end))
    drawn = []
    for mark in upright:
        at = x.one(mark.value)
        anchor, place = "middle", min(max(at, x.start + 0.5 * _width(mark.label)), x.end - 0.5 * _width(mark.label))
        drawn.append(text(place, top - 0.6 * FONT, mark.label, anchor=anchor, kind=f"halo k-{mark.ink}"))
    lying.sort(key=lambda mark: y.one(mark.value))
    places = [y.one(mark.value) - 0.7 * FONT for mark in lying]
    if len(lying) > 1 and places[-1] - places[-2] < _LINE:
        places[-1] += 1.4 * FONT  # of two that lie close, the lower one's name stands below it
    places = _apart(places, _LINE, top - (0.9 * FONT if panel.y.title else -6.0), bottom + 0.7 * FONT)
    drawn += [
        text(x.end - 4.0, place, mark.label, anchor="end", kind=f"halo k-{mark.ink}")
        for mark, place in zip(lying, places, strict=True)
    ]
    return "".join(drawn)

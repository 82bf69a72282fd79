"""Figures as SVG: what stands where, in both widths, and nothing of a stranger's words as markup."""

import math
import re
import xml.etree.ElementTree as ET

import numpy as np
import pytest
from hypothesis import given, settings, strategies as st

from logan.report.build_report import build_document
from logan.report.draw import WIDTHS, Scale, drawing, svg, wrapped
from logan.report.figure import Axis, Band, Bars, Dots, Figure, Limit, Line, Panel, Span
from logan.report.inputs import FigureBlock

HOSTILE = '</svg><script>alert("x")</script>&<b>"onload="alert(1)'
SPACE = "{http://www.w3.org/2000/svg}"


def figure_of(*marks, x=None, y=None, height=150.0):
    panel = Panel(y=y or Axis(title="y [m]"), marks=marks, height=height)
    return Figure(finding="found", x=x or Axis(title="x [m]"), panels=(panel,))


def drawn(figure, width="wide"):
    return ET.fromstring(svg(figure, width))


def found(root, tag, ink=None):
    return [e for e in root.iter(SPACE + tag) if ink is None or e.get("class") == f"k-{ink}"]


def texts(root):
    return ["".join(element.itertext()) for element in root.iter(SPACE + "text")]


def blocks_of(inputs):
    return [b for s in build_document(inputs).sections for b in s.blocks if isinstance(b, FigureBlock)]


@pytest.mark.parametrize("width", list(WIDTHS))
def test_every_figure_of_a_report_is_drawn_within_its_frame(inputs, width):
    blocks = blocks_of(inputs)
    assert len(blocks) >= 8
    for block in blocks:
        text = svg(block.figure, width)
        root = ET.fromstring(text)
        _, _, across, down = (float(part) for part in root.get("viewBox").split())
        assert across == WIDTHS[width]
        assert "nan" not in text, block.figure.finding
        for rect in found(root, "rect"):
            assert float(rect.get("x")) >= -1.0
            assert float(rect.get("x")) + float(rect.get("width")) <= across + 1.0, block.figure.finding
        for circle in found(root, "circle"):
            assert -1.0 <= float(circle.get("cx")) <= across + 1.0, block.figure.finding
            assert -1.0 <= float(circle.get("cy")) <= down + 1.0, block.figure.finding
        for panel in block.figure.panels:
            assert not panel.y.title or panel.y.title in texts(root)


def test_print_can_turn_the_sheet_between_the_panels_of_a_wide_drawing():
    line = Line(x=[0.0, 1.0], y=[0.0, 1.0], ink="s0")
    panels = tuple(Panel(y=Axis(title=f"row {k} [m]"), marks=(line,)) for k in range(4))
    figure = Figure(finding="found", x=Axis(title="x [m]"), panels=panels)
    parts = ET.fromstring(f"<div>{drawing(figure)}</div>")
    wide, (narrow,) = ([part for part in parts if part.get("class") == name] for name in WIDTHS)
    whole = drawn(figure)
    boxes = [[float(one) for one in part.get("viewBox").split()] for part in wide]
    assert [texts(part)[0] for part in wide] == [f"row {k} [m]" for k in range(4)]
    assert [box[1] for box in boxes[1:]] == [box[1] + box[3] for box in boxes[:-1]]  # nothing lost, nothing twice
    assert boxes[-1][1] + boxes[-1][3] == float(whole.get("viewBox").split()[3])
    assert [text for part in wide for text in texts(part)] == texts(whole)
    assert len(found(narrow, "path")) >= 4


def test_words_are_as_large_on_a_phone_as_on_a_wide_screen(inputs):
    """A drawing 360 wide on a screen of 390 keeps its 13 px; one of 720 would shrink them to 7."""
    for block in blocks_of(inputs):
        sizes = {text.get("font-size") for text in found(drawn(block.figure, "narrow"), "text")}
        assert sizes == {"13"}


def test_a_point_lies_where_its_value_says():
    root = drawn(figure_of(Dots(x=[0.0, 5.0, 10.0], y=[0.0, 5.0, 10.0], ink="s0")))
    low, middle, high = [(float(c.get("cx")), float(c.get("cy"))) for c in found(root, "circle")]
    assert middle[0] == pytest.approx((low[0] + high[0]) / 2, abs=0.2)
    assert middle[1] == pytest.approx((low[1] + high[1]) / 2, abs=0.2)
    assert low[0] < high[0]
    assert low[1] > high[1]


def test_bars_are_as_long_as_their_values_and_begin_where_they_should():
    bars = Bars(at=[0, 1], start=[0.0, 10.0], end=[10.0, 30.0], inks=("s0", "s1"))
    root = drawn(figure_of(bars, y=Axis(names=("first", "second"))))
    (first,), (second,) = found(root, "rect", "s0"), found(root, "rect", "s1")
    assert float(second.get("width")) == pytest.approx(2.0 * float(first.get("width")), rel=0.01)
    assert float(second.get("x")) == pytest.approx(float(first.get("x")) + float(first.get("width")), abs=0.2)
    assert float(first.get("y")) < float(second.get("y"))


def test_a_gap_breaks_the_line():
    root = drawn(figure_of(Line(x=[0, 1, 2, 3, 4], y=[1, 2, math.nan, 4, 5], ink="s0")))
    (path,) = found(root, "path", "s0")
    assert path.get("d").count("M") == 2


def test_limits_and_spans_are_drawn_and_named():
    line = Line(x=[0.0, 1.0], y=[0.0, 100.0], ink="s0")
    span = Span(start=0.2, end=0.4, ink="amber", words="beyond amber", is_marked=True)
    root = drawn(figure_of(line, Limit(value=80.0, label="red 80 °C", ink="red"), span))
    assert "red 80 °C" in texts(root)
    assert found(root, "path", "red")
    (shade,) = found(root, "rect", "amber")
    assert shade.find(SPACE + "title").text == "beyond amber"
    assert found(root, "path", "amber")  # the triangle above it


def test_labels_of_lines_that_end_alike_do_not_overlap():
    lines = [Line(x=[0, 1], y=[0, 5.0 + 0.01 * k], ink="s0", label=f"line {k}") for k in range(4)]
    root = drawn(figure_of(*lines))
    places = sorted(
        float(text.find(SPACE + "tspan").get("y"))
        for text in found(root, "text")
        if "".join(text.itertext()).startswith("line")
    )
    assert len(places) == 4
    assert min(np.diff(places)) >= 12.0


def test_panels_share_one_axis_and_do_not_overlap():
    panels = tuple(Panel(y=Axis(title=f"{n} [m]"), marks=(Dots(x=[0, 1], y=[0, 1], ink=n),)) for n in ("s0", "s1"))
    root = drawn(Figure(finding="two", x=Axis(title="time [min]"), panels=panels))
    above, below = ([c for g in found(root, "g", ink) for c in g.iter(SPACE + "circle")] for ink in ("s0", "s1"))
    assert [c.get("cx") for c in above] == [c.get("cx") for c in below]
    assert max(float(c.get("cy")) for c in above) < min(float(c.get("cy")) for c in below)


def test_a_strangers_words_stay_words():
    figure = Figure(
        finding=HOSTILE,
        x=Axis(title=HOSTILE),
        panels=(
            Panel(
                y=Axis(title=HOSTILE),
                marks=(
                    Line(x=[1, 2], y=[1, 2], ink="s0", label=HOSTILE),
                    Band(x=[1, 2], low=[0, 1], high=[2, 3], ink="s0"),
                    Dots(x=[1], y=[1], ink="s1", words=(HOSTILE,), labels=(HOSTILE,)),
                    Limit(value=1.0, label=HOSTILE, ink="red"),
                    Span(start=1, end=2, ink="red", words=HOSTILE),
                ),
            ),
            Panel(
                y=Axis(names=(HOSTILE,)),
                marks=(Bars(at=[0], start=[0], end=[1], inks=("s0",), labels=(HOSTILE,), words=(HOSTILE,)),),
            ),
        ),
    )
    both = drawing(figure)
    assert "<script" not in both
    assert both.count("</svg>") == 3  # two panels wide, and one drawing narrow
    for width in WIDTHS:
        root = drawn(figure, width)
        attributes = {name for element in root.iter() for name in element.attrib}
        assert not {name for name in attributes if name.startswith("on")}


def test_no_style_stands_in_a_drawing_so_a_strict_policy_may_show_it(inputs):
    assert not any(re.search(r"\sstyle=|<style|url\(", drawing(block.figure)) for block in blocks_of(inputs))


@settings(max_examples=60, deadline=None)
@given(
    low=st.floats(-1e6, 1e6), span=st.floats(1e-3, 1e6), values=st.lists(st.floats(0.0, 1.0), min_size=1, max_size=9)
)
def test_any_finite_values_make_a_well_formed_drawing(low, span, values):
    y = [low + span * value for value in values]
    marks = (Line(x=list(range(len(y))), y=y, ink="s0", label="line"), Dots(x=[0.0], y=[y[0]], ink="s1"))
    text = svg(figure_of(*marks), "narrow")
    ET.fromstring(text)
    assert "nan" not in text
    assert "inf" not in text


def test_an_empty_figure_is_drawn_too():
    ET.fromstring(svg(figure_of(Line(x=[], y=[], ink="s0"), Dots(x=[], y=[], ink="s0")), "wide"))


def test_a_log_axis_counts_decades():
    scale = Scale(-1.0, 3.0, 0.0, 400.0, True)
    assert scale.at([0.1, 1.0, 1000.0]).tolist() == pytest.approx([0.0, 100.0, 400.0])
    assert math.isnan(scale.one(-5.0))


def test_long_names_are_broken_and_the_rest_is_cut():
    lines = wrapped("a very long name of a scenario that nobody would want to read on a phone", 14)
    assert len(lines) <= 3
    assert all(len(line) <= 16 for line in lines)
    assert lines[-1].endswith("…")


def test_no_coordinate_is_longer_than_a_tenth_of_a_pixel(inputs):
    assert not re.search(r' (?:x|y|cx|cy)="-?\d+\.\d{2,}"', svg(blocks_of(inputs)[0].figure, "wide"))

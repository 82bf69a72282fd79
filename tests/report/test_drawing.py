"""Static figures: what print and a reader without JavaScript see."""

import math
import re
import xml.etree.ElementTree as ET

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logan.report.build_report import build_document
from logan.report.document import FigureBlock
from logan.report.drawing.axes import Axis
from logan.report.drawing.static_figure import static_svg
from logan.report.theme import empty_figure, hatched, limit_line, on_row, stacked_figure

HOSTILE = '</svg><script>alert("x")</script>&<b>'


def drawn(figure):
    return ET.fromstring(static_svg(figure, "f"))


def texts(root):
    return ["".join(element.itertext()) for element in root.iter("text")]


def test_every_figure_of_a_report_is_drawn_within_its_frame(inputs):
    blocks = [b for s in build_document(inputs).sections for b in s.blocks if isinstance(b, FigureBlock)]
    assert len(blocks) >= 12
    for block in blocks:
        svg = static_svg(block.figure, "f1-2")
        root = ET.fromstring(svg)
        _, _, width, height = (float(part) for part in root.get("viewBox").split())
        assert "nan" not in svg, block.title
        for circle in root.iter("circle"):
            assert -1.0 <= float(circle.get("cx")) <= width + 1.0, block.title
            assert -1.0 <= float(circle.get("cy")) <= height + 1.0, block.title
        for axis in (*block.figure.select_xaxes(), *block.figure.select_yaxes()):
            if axis.title.text:
                assert axis.title.text in texts(root), block.title


def test_a_point_lies_where_its_value_says():
    figure = empty_figure("x [m]", "y [m]", alt="two points and a middle one")
    figure.add_scatter(x=[0.0, 5.0, 10.0], y=[0.0, 5.0, 10.0], mode="markers", marker={"color": "#123456", "size": 4})
    low, middle, high = [(float(c.get("cx")), float(c.get("cy"))) for c in drawn(figure).iter("circle")]
    assert middle[0] == pytest.approx((low[0] + high[0]) / 2, abs=0.2)
    assert middle[1] == pytest.approx((low[1] + high[1]) / 2, abs=0.2)
    assert low[0] < high[0]
    assert low[1] > high[1]


def test_bars_are_as_long_as_their_values_and_stack():
    figure = empty_figure("energy [Wh]", "", alt="two stacked bars")
    for value in (10.0, 20.0):
        figure.add_bar(x=[value], y=["drive"], orientation="h", name=f"{value}", marker={"color": "#123456"})
    figure.update_layout(barmode="relative")
    bars = [r for r in drawn(figure).iter("rect") if r.get("fill") == "#123456"][:2]
    first, second = ((float(r.get("x")), float(r.get("width"))) for r in bars)
    assert second[1] == pytest.approx(2.0 * first[1], rel=0.02)
    assert second[0] == pytest.approx(first[0] + first[1], abs=0.2)


def test_bars_that_differ_in_strokes_are_told_apart_without_colour():
    figure = empty_figure("energy [Wh]", "", alt="two kinds of bars")
    for shape in ("/", "x"):
        figure.add_bar(x=[1.0], y=[shape], orientation="h", marker={"color": "#777777", "pattern": hatched(shape)})
    patterns = list(drawn(figure).iter("pattern"))
    assert len({pattern.get("id") for pattern in patterns}) == 2
    assert len({pattern.find("path").get("d") for pattern in patterns}) == 2


def test_a_gap_breaks_the_line():
    figure = empty_figure("time [s]", "speed [mph]", alt="a line with a gap")
    figure.add_scatter(x=[0, 1, 2, 3, 4], y=[1, 2, math.nan, 4, 5], mode="lines", line={"color": "#abcdef"})
    path = next(p for p in drawn(figure).iter("path") if p.get("stroke") == "#abcdef")
    assert path.get("d").count("M") == 2


def test_limits_and_spans_are_drawn():
    figure = empty_figure("time [s]", "temperature [°C]", alt="a limit")
    figure.add_scatter(x=[0.0, 1.0], y=[0.0, 100.0], mode="lines")
    limit_line(figure, 80.0, "red 80 °C", "#c4302b")
    figure.add_shape(type="rect", xref="x", yref="paper", x0=0.2, x1=0.4, y0=0, y1=1, fillcolor="#e69f00", opacity=0.2)
    root = drawn(figure)
    assert "red 80 °C" in texts(root)
    assert any(p.get("stroke") == "#c4302b" for p in root.iter("path"))
    assert any(r.get("fill") == "#e69f00" for r in root.iter("rect"))


def test_rows_share_one_axis_and_do_not_overlap():
    figure = stacked_figure(["speed [mph]", "power [kW]"], "time [min]", alt="two rows")
    for row, colour in ((1, "#111111"), (2, "#222222")):
        figure.add_scatter(x=[0, 1], y=[0, 1], mode="markers", marker={"color": colour}, **on_row(row))
    spots = {c.get("fill"): (float(c.get("cx")), float(c.get("cy"))) for c in drawn(figure).iter("circle")}
    assert spots["#111111"][0] == pytest.approx(spots["#222222"][0], abs=0.2)
    assert spots["#111111"][1] < spots["#222222"][1]


def test_a_strangers_words_stay_words():
    figure = empty_figure(HOSTILE, HOSTILE, alt=HOSTILE)
    figure.add_scatter(x=[1, 2], y=[1, 2], name=HOSTILE, mode="lines+markers")
    figure.add_bar(x=[HOSTILE], y=[1.0], text=[HOSTILE])
    svg = static_svg(figure, "f")
    assert "<script" not in svg
    assert svg.count("</svg>") == 1
    ET.fromstring(svg)


def test_packed_arrays_are_read():
    figure = empty_figure("x [m]", "y [m]", alt="from arrays")
    figure.add_scatter(x=np.arange(3.0), y=np.arange(3, dtype=np.int8), mode="markers")
    assert len(list(drawn(figure).iter("circle"))) == 3


@settings(max_examples=60, deadline=None)
@given(low=st.floats(-1e6, 1e6), span=st.floats(1.0, 1e6), most=st.integers(2, 12))
def test_ticks_lie_inside_the_axis_and_are_evenly_spaced(low, span, most):
    axis = Axis(layout={"range": [low, low + span]}, is_vertical=False)
    axis.settle()
    values = [value for value, _ in axis.ticks(most)]
    assert all(axis.low - 1e-6 * span <= value <= axis.high + 1e-6 * span for value in values)
    assert len(values) <= most + 1
    if len(values) > 2:
        steps = np.diff(values)
        np.testing.assert_allclose(steps, steps[0], rtol=1e-6)


def test_a_log_axis_names_its_decades():
    axis = Axis(layout={"type": "log"}, is_vertical=False, kind="log")
    axis.include([-1.0, 3.0])
    axis.settle()
    assert [text for _, text in axis.ticks(9)] == ["0.1", "1", "10", "100", "1000"]


def test_no_coordinate_is_longer_than_a_tenth_of_a_pixel(inputs):
    block = next(b for s in build_document(inputs).sections for b in s.blocks if isinstance(b, FigureBlock))
    assert not re.search(r' (?:x|y|cx|cy)="-?\d+\.\d{2,}"', static_svg(block.figure, "f"))

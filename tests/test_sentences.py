"""Quantities within the core's sentences are read in the reader's units, wherever the sentence is shown."""

import json

import pytest

from logan.cli.rendering import clean, read_in
from logan.report.inputs import Document, Section, Words
from logan.report.page import render_page
from logan.units import DisplayUnits
from logan.units.algebra import conversion
from logan.units.sentences import MARK, SENTENCE_UNITS, measure
from logan.wording import told

US, METRIC = DisplayUnits(), DisplayUnits.parse("metric")


@pytest.mark.parametrize(
    ("text", "us", "metric"),
    [
        (f"it reads {measure(21.34, '°C', '.1f')} now", "it reads 70.3 °F now", "it reads 21.3 °C now"),
        (f"12 ± {measure(3, '°C')}, so", "54 ± 5 °F, so", "12 ± 3 °C, so"),
        (f"0 to {measure(5, 'm/s')}", "0 to 11 mph", "0 to 18 km/h"),
        (f"rose by {measure(10, 'K')}", "rose by 18 °F", "rose by 10 °C"),
        (f"{measure(1950, 'mm')} a turn", "76.8 in a turn", "1.950 m a turn"),
        (f"up to {measure(1234, 'm')} and (±{measure(0.5, 'm', '.1f')})", "up to 4,049 ft and (±2 ft)",
         "up to 1234 m and (±0.5 m)"),
        (f"{measure(-0.01, '°C', '+.1f')}", "32.0 °F", "0.0 °C"),
        (f"at {measure(65, 'mph')}", "at 65 mph", "at 105 km/h"),
        (f"by {measure(3.2, 'Wh/km', '+.1f')}", "by +5.1 Wh/mi", "by +3.2 Wh/km"),
        (f"{measure(12, 'N/(m/s)', '.1f')}", "1.21 lbf/mph", "3.33 N/(km/h)"),
        (f"it is {measure(float('nan'), '°C')}", "it is nan °C", "it is nan °C"),
    ],
)  # fmt: skip
def test_a_quantity_is_read_in_the_units_of_its_reader_with_as_many_figures_as_were_written(text, us, metric):
    assert told(text, US) == us
    assert told(text, METRIC) == metric
    assert MARK not in told(text, None)


def test_every_unit_of_sentences_is_what_the_one_reader_of_units_takes_it_for():
    held = {"temperature": "degC", "temperature_step": "K", "height": "m", "length": "m", "distance": "m",
            "speed": "m/s", "weight": "kg", "consumption": "Wh/km", "force": "N", "torque": "N*m", "pressure": "Pa",
            "force_by_speed": "N/(m/s)"}  # fmt: skip
    for unit, (quantity, factor) in SENTENCE_UNITS.items():
        assert conversion(unit, held[quantity]).factor == pytest.approx(factor, rel=1e-12), unit
    with pytest.raises(ValueError, match="no unit of sentences"):
        measure(1.0, "furlong")


def test_terminal_and_report_pass_every_sentence_through_the_one_function():
    said = f"it falls by {measure(10, 'K')} at {measure(100, 'km/h')}"
    section = Section(anchor="a", title=said, blocks=(Words(lines=(said,), title=said),))
    for units, read in ((US, "it falls by 18 °F at 62 mph"), (METRIC, "it falls by 10 °C at 100 km/h")):
        read_in(lambda shown=units: shown)
        assert clean(said) == read
        page = render_page(Document(title=said, subtitle=said, sections=(section,)), units)
        assert MARK not in page
        assert page.count(read) >= 4
    assert json.loads(told(json.dumps({"evidence": said}, ensure_ascii=False), None)) == {
        "evidence": "it falls by 10 K at 100 km/h"
    }

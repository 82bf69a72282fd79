"""What is shown reads back to the same value, in both systems and with single choices."""

import math

import pytest
from hypothesis import given, strategies as st

from logan.units import _SHOWN, DisplayUnits, plain_number
from logan.units.quantities import parse_quantity

SYSTEMS = [DisplayUnits.parse(text) for text in ("us", "metric", "us,C,kW", "km,F,lb,psi")]
VALUES = st.floats(-1e7, 1e7).filter(lambda value: abs(value) > 1e-3)


def read_back(text, quantity):
    return parse_quantity(text, _SHOWN[quantity][0], "x").value


@pytest.mark.parametrize("units", SYSTEMS)
@pytest.mark.parametrize("quantity", _SHOWN)
@given(value=VALUES)
def test_what_is_shown_in_full_reads_back_to_the_same_value(units, quantity, value):
    shown = units.shown(value, quantity, digits=12)
    assert read_back(shown, quantity) == pytest.approx(value, rel=1e-10, abs=1e-9)


@pytest.mark.parametrize("units", SYSTEMS)
@pytest.mark.parametrize("quantity", _SHOWN)
@given(value=VALUES)
def test_what_is_shown_short_reads_back_to_what_shows_the_same(units, quantity, value):
    shown = units.shown(value, quantity)
    assert units.shown(read_back(shown, quantity), quantity) == shown
    if quantity != "temperature":
        assert read_back(shown, quantity) == pytest.approx(value, rel=5.1e-4)


@pytest.mark.recomputed("from the exact inch, pound and standard gravity")
@pytest.mark.parametrize(
    ("text", "quantity", "value", "shown"),
    [
        ("us", "weight", 300 * 0.45359237, "300 lb"),
        ("metric", "weight", 1650.0, "1650 kg"),
        ("us", "distance", 321_868.8, "200 mi"),
        ("us", "speed", 65 * 0.44704, "65 mph"),
        ("metric", "speed", 100 / 3.6, "100 km/h"),
        ("us", "temperature", 20.0, "68 °F"),
        ("us,C", "temperature", 20.0, "20 °C"),
        ("us", "area", 0.8, "8.611 ft²"),
        ("us", "torque", 330.0, "243.4 lb-ft"),
        ("metric", "torque", 330.0, "330 N·m"),
        ("us", "power", 745.6998715822701, "1 hp"),
        ("us,kW", "power", 140_000.0, "140 kW"),
        ("us", "electric_power", 140_000.0, "140 kW"),
        ("us", "force", 4.4482216152605, "1 lbf"),
        ("us", "pressure", 6894.757293168361 * 32, "32 psi"),
        ("metric", "pressure", 250_000.0, "250 kPa"),
        ("us", "length", 0.0254 * 25, "25 in"),
        ("us", "height", 0.3048 * 5000, "5000 ft"),
        ("metric", "height", 1524.0, "1524 m"),
        ("us", "consumption", 250.0, "402.3 Wh/mi"),
        ("metric", "consumption", 250.0, "250 Wh/km"),
        ("metric", "distance", 12_345_678.0, "12346 km"),
        ("metric", "temperature", -0.00001, "-0.00001 °C"),
    ],
)
def test_a_value_is_shown_in_the_units_of_the_user(text, quantity, value, shown):
    assert DisplayUnits.parse(text).shown(value, quantity) == shown


@pytest.mark.parametrize(
    ("value", "text"),
    [(0.0, "0"), (-0.0, "0"), (1e9, "1000000000"), (0.5, "0.5"), (math.nan, "not known"), (10.0, "10")],
)
def test_a_number_is_plain(value, text):
    assert plain_number(value) == text


def test_single_choices_differ_from_the_system_and_the_rest_follows_it():
    units = DisplayUnits.parse("us, kg, Nm")
    assert [units.unit_of(name) for name in ("weight", "torque", "power", "speed")] == ["kg", "N·m", "hp", "mph"]
    assert DisplayUnits.parse("km") == DisplayUnits.parse("metric") == DisplayUnits("km", "degC")
    assert DisplayUnits.parse("us") == DisplayUnits.parse("mi,F") == DisplayUnits()


def test_an_unknown_unit_names_those_that_there_are():
    with pytest.raises(ValueError, match=r"unknown unit 'furlong'; use us or metric, .* lb-ft"):
        DisplayUnits.parse("furlong")


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("mi,km", "'mi,km' chooses mi and km for one distance; leave one of them out"),
        ("km+mi", "chooses km and mi for one distance"),
        ("us,metric", "chooses mi and km"),
        ("us, km", "chooses mi and km"),
        ("km,F,C", "chooses degF and degC for one temperature"),
        ("us,kW,hp", "chooses kW and hp for one power"),
        ("metric,kg,lb,kg", "chooses kg and lb for one weight"),
    ],
)
def test_units_that_contradict_each_other_are_refused_by_name(text, says):
    with pytest.raises(ValueError, match="leave one of them out") as caught:
        DisplayUnits.parse(text)
    assert says in str(caught.value)


def test_the_same_unit_twice_contradicts_nothing_and_what_is_typed_reads_back():
    assert DisplayUnits.parse("us,mi,F,lb,lb") == DisplayUnits("mi", "degF", (("weight", "lb"),))
    for units in SYSTEMS:
        assert DisplayUnits.parse(units.typed()) == units

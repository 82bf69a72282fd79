"""Quantities as people write them."""

import subprocess
import sys

import pytest
from hypothesis import given, strategies as st

from logan.configuration.declared import Quantity
from logan.units.algebra import _WORDS, conversion
from logan.units.quantities import Measured, parse_quantity, read_number, wire_gauge


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
    "text", ["1650", "heavy", "", "1650 kg kgs x", "kg 5", "1 ± ± 2 kg", "__import__('os')", "1" * 400]
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


@pytest.mark.parametrize(
    ("text", "readings"),
    [
        ("1250", (1250.0,)),
        ("1250.5", (1250.5,)),
        ("1,250", (1250.0, 1.25)),
        ("-1,250", (-1250.0, -1.25)),
        ("−1,250", (-1250.0, -1.25)),
        ("+12,345", (12_345.0, 12.345)),
        ("0,800", (0.8,)),
        ("0,80", (0.8,)),
        (",5", (0.5,)),
        (".5", (0.5,)),
        ("5.", (5.0,)),
        ("3,65", (3.65,)),
        ("1250,500", (1250.5,)),
        ("1,250.5", (1250.5,)),
        ("1,250.", (1250.0,)),
        ("1.250,5", (1250.5,)),
        ("1.250", (1.25,)),
        ("1,250,000", (1_250_000.0,)),
        ("1.250.000", (1_250_000.0,)),
        ("1 250", (1250.0,)),
        ("1 250,5", (1250.5,)),
        ("1 250 000", (1_250_000.0,)),
        ("1'250.5", (1250.5,)),
        ("1’250", (1250.0,)),
        ("1_250", (1250.0,)),
        ("1.5e3", (1500.0,)),
        ("1,250e3", (1250.0,)),
        ("2E-3", (0.002,)),
        ("1,25,000", ()),
        ("12,34", (12.34,)),
        ("1,250,00", ()),
        ("1,2500", (1.25,)),
        ("1,250.000.000", ()),
        ("1250,000,000", ()),
        ("0,123,456", ()),
        ("1 25", ()),
        ("1,250'000", ()),
        ("1..5", ()),
        ("", ()),
        ("-", ()),
        ("e5", ()),
        (",", ()),
    ],
)
def test_a_number_is_read_in_every_way_that_it_can_be(text, readings):
    assert read_number(text) == readings


@pytest.mark.parametrize(
    ("text", "value"),
    [("1,200 lb", 1200 * 0.45359237), ("1,650 kg ± 1 %", 1650.0), ("1 650 kg", 1650.0), ("1.650,5 kg", 1650.5)],
)
def test_the_range_decides_what_a_comma_is(text, value):
    assert Quantity("kilogram", 300.0, 12_000.0, "1650 kg", "kg").read(text).value == pytest.approx(value, rel=1e-12)


def test_where_the_range_allows_both_readings_both_are_named():
    power = Quantity("watt", 0.0, 2e6, "140 kW", "W")
    with pytest.raises(ValueError, match=r'^the comma can be read in two ways; write "1250 W" or "1.25 W"$'):
        power.read("1,250 W")
    assert Quantity("watt", 0.0, 2e6, "140 kW", "W", least=5.0).read("1,250 W").value == 1250.0
    with pytest.raises(ValueError, match=r'write "1000" or "1"$'):
        parse_quantity("1,000", "", "0.1")


def test_where_neither_reading_is_allowed_the_range_is_named():
    mass = Quantity("kg", 300.0, 12_000.0, "1650 kg", "kg")
    with pytest.raises(ValueError, match="expected 300 to 12000 kg, got 50,000 kg"):
        mass.read("50,000 kg")
    # 900 kg would be allowed, but most people who write this mean something else.
    with pytest.raises(ValueError, match='two ways; write "900000 kg" or "900 kg"'):
        mass.read("900,000 kg")


def test_the_least_value_that_is_not_zero():
    power = Quantity("watt", 0.0, 100.0, "10 W", "W", least=5.0)
    assert power.read("0 W").value == 0.0
    assert power.read("5 W").value == 5.0
    for text in ("4.9 W", "101 W", "-1 W"):
        with pytest.raises(ValueError, match=rf"^expected 0, or 5 to 100 W, got {text}$"):
            power.read(text)
    assert power.allowed == "0, or 5 to 100 W"


def test_ranges_include_their_ends_and_what_is_read_already_stays():
    share = Quantity("", 0.1, 0.9, "0.5", "")
    assert [share.read(value).value for value in (0.1, 0.9, "50 %")] == [0.1, 0.9, 0.5]
    with pytest.raises(ValueError, match=r"^expected 0.1 to 0.9, got 0.95$"):
        share.read(0.95)
    known = Measured(7.0)
    assert share.read(known) is known


@pytest.mark.parametrize(
    ("text", "sigma"),
    [
        ("1,650 kg ± 1,000 kg", 1000.0),
        ("1.650,5 kg ± 20,5 kg", 20.5),
        ("1650 kg +/- 20 kg", 20.0),
        ("1650 kg±20", 20.0),
        ("1650 ±20kg", 20.0),
        ("1650 kg ± 44 lb", 44 * 0.45359237),
        ("1650 kg ± 2 %", 33.0),
    ],
)
def test_an_uncertainty_is_read_like_its_value(text, sigma):
    measured = Quantity("kg", 300.0, 12_000.0, "1650 kg", "kg").read(text)
    assert measured.sigma == pytest.approx(sigma, rel=1e-12)
    assert measured.text == text


@pytest.mark.parametrize(
    ("text", "sigma"),
    [("20 °C ± 5 K", 5.0), ("20 °C ± 9 °F", 5.0), ("-20 °C ± 10 %", 2.0), ("−20 °C +- 1", 1.0)],
)
def test_the_uncertainty_of_a_temperature_is_a_difference(text, sigma):
    assert parse_quantity(text, "degC", "x").sigma == pytest.approx(sigma)


@pytest.mark.parametrize(("text", "sigma"), [("10 % ± 2 %", 0.02), ("0.10 ± 2 %", 0.002), ("0.10 ± 0.02", 0.02)])
def test_a_share_of_a_share_is_one_only_beside_a_bare_number(text, sigma):
    assert parse_quantity(text, "", "x").sigma == pytest.approx(sigma)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (
            "1650 kg ± 1,000",
            'the comma of the uncertainty in "1650 kg ± 1,000" can be read in two ways; write 1000 or 1$',
        ),
        ("1650 kg ± 1,2,3", 'cannot read "1650 kg ± 1,2,3"; write a number and a unit, such as "1 kg"$'),
        ("1650 kg ± 20 s", '"1650 kg ± 20 s" is not in a unit of kg; write for example "1 kg"$'),
        ("1650 ± 2 %", 'say the unit, such as "1 kg"$'),
        ("1650 s", '"1650 s" is not in a unit of kg; write for example "1 kg"$'),
        ("1,25,000 kg", 'cannot read "1,25,000 kg"; write a number and a unit, such as "1 kg"$'),
        ("kg", 'cannot read "kg"; write a number and a unit, such as "1 kg"$'),
    ],
)
def test_what_cannot_be_read_is_said_with_the_text_as_typed(text, says):
    with pytest.raises(ValueError, match=f"^{says}"):
        parse_quantity(text, "kg", "1 kg")


def test_a_plain_number_is_asked_for_by_name():
    with pytest.raises(ValueError, match=r'"5 kg" is not in a unit of a plain number; write for example "0.1"'):
        parse_quantity("5 kg", "", "0.1")
    for raw in (True, None, [1]):
        with pytest.raises(ValueError, match=r'^expected a quantity such as "0.1"$'):
            parse_quantity(raw, "", "0.1")
    assert parse_quantity(3, "", "0.1") == Measured(3.0)
    assert [parse_quantity(raw, "", "0.1").text for raw in (3, "3", " 3 ")] == ["3", "3", "3"]


@pytest.mark.parametrize(
    ("text", "to_unit", "value"),
    [
        ("0.5 MOhm", "ohm", 0.5e6),
        ("0.5 mOhm", "ohm", 0.5e-3),
        ("0.5 megohm", "ohm", 0.5e6),
        ("70 µohm", "ohm", 70e-6),
        ("250 lb-ft", "N*m", 250 * 1.3558179483314004),
        ("250 ft-lb", "N*m", 250 * 1.3558179483314004),
        ("187 hp", "watt", 187 * 745.6998715822701),
        ("−4 °F", "degC", -20.0),
        ("8.6 ft²", "meter**2", 8.6 * 0.09290304),
        ("0.05 kg·m²", "kilogram*meter**2", 0.05),
        ("61 W/°F", "watt/kelvin", 109.8),
    ],
)
def test_what_a_garage_writes_is_read(text, to_unit, value):
    assert parse_quantity(text, to_unit, "x").value == pytest.approx(value, rel=1e-12)


@given(st.text(alphabet="0123456789.,' -+±e%kgWV−", max_size=20))
def test_any_text_is_a_quantity_or_a_refusal(text):
    try:
        measured = parse_quantity(text, "kg", "1650 kg")
    except ValueError:
        return
    assert measured.value == measured.value


def test_no_setting_and_no_drive_needs_pint():
    code = "import sys; import logan.configuration.build, logan.channels.vocabulary; sys.exit('pint' in sys.modules)"
    subprocess.run([sys.executable, "-c", code], check=True)


def test_the_template_is_read_without_loading_pint(tmp_path):
    code = (
        "import sys; from pathlib import Path; from logan.pipeline.builds import find_build, new_build;"
        "new_build(Path(sys.argv[1])); find_build(Path(sys.argv[1])).settings(); sys.exit('pint' in sys.modules)"
    )
    subprocess.run([sys.executable, "-c", code, str(tmp_path / "van")], check=True)


def test_the_settings_are_read_without_loading_pydantic(tmp_path):
    code = "import sys; import logan.configuration.build; sys.exit('pydantic' in sys.modules)"
    subprocess.run([sys.executable, "-c", code], check=True)


@pytest.mark.parametrize(
    ("text", "mm2", "back"),
    [
        ("4/0 AWG", 107.2, "4/0 AWG"),
        ("1/0 awg", 53.5, "1/0 AWG"),
        ("2 gauge", 33.6, "2 AWG"),
        ("50 mm2", 50.0, "1/0 AWG"),
    ],
)
def test_a_wire_is_given_by_its_gauge_or_its_area(text, mm2, back):
    """Areas as tables of American wire gauge print them (from memory)."""
    measured = parse_quantity(text, "mm2", "50 mm2")
    assert measured.value == pytest.approx(mm2, abs=0.1)
    assert wire_gauge(measured.value) == back


def test_what_is_allowed_is_said_in_the_unit_that_was_typed():
    with pytest.raises(ValueError, match=r"expected 670 to 26000 lb, got 300 lb"):
        Quantity("kg", 300.0, 12_000.0, "3640 lb", "kg").read("300 lb")


@pytest.mark.parametrize(
    ("mm2", "gauge"),
    [
        (42.41, "1 AWG"), (53.48, "1/0 AWG"), (107.22, "4/0 AWG"), (135.2, ""), (0.01267, "36 AWG"), (0.01005, ""),
        (0.0085, ""),
    ],
)  # fmt: skip
def test_a_gauge_is_named_only_where_there_is_one(mm2, gauge):
    """4/0 is the largest and 36 the smallest of the table; one more step is 26 % of area away."""
    assert wire_gauge(mm2) == gauge


def test_what_is_typed_is_kept_beside_what_it_means():
    assert parse_quantity(" 4/0 AWG ", "mm2", "50 mm2").text == "4/0 AWG"
    assert parse_quantity("1650 kg ± 20 kg", "kg", "x").unit == "kg"
    assert parse_quantity("3640 lb ± 1 %", "kg", "x").unit == "lb"


def test_a_number_without_a_unit_and_one_beyond_all_floats_are_refused_in_words():
    with pytest.raises(ValueError, match=r'^say the unit, such as "1 kg"$'):
        parse_quantity(1650, "kg", "1 kg")
    with pytest.raises(ValueError, match=r'^expected a number, such as "0.1"$'):
        parse_quantity(10**400, "", "0.1")
    assert parse_quantity(sys.float_info.max, "", "0.1").value == sys.float_info.max


@pytest.mark.parametrize("edges", [{"low": 1.25, "high": 9.0}, {"low": 0.0, "high": 1.25}])
def test_a_reading_at_the_edge_of_the_range_is_allowed_and_therefore_named(edges):
    with pytest.raises(ValueError, match=r'two ways; write "1250 kg" or "1.25 kg"'):
        parse_quantity("1,250 kg", "kg", "x", **edges)


SI_PREFIXES = {"u": 1e-6, "µ": 1e-6, "m": 1e-3, "c": 0.01, "d": 0.1, "h": 100.0, "k": 1e3, "M": 1e6}


@pytest.mark.from_memory("SI Brochure, table 7")
def test_a_prefix_that_somebody_types_is_taken_as_written_or_refused():
    taken, refused = 0, {}
    for unit in ("V", "A", "W", "Wh", "Ah", "ohm", "Pa", "bar", "N", "J", "m", "g", "s", "L", "Hz", "rad"):
        for prefix, factor in SI_PREFIXES.items():
            try:
                assert parse_quantity(f"5 {prefix}{unit}", unit, "5").value == pytest.approx(5.0 * factor)
                taken += 1
            except ValueError as error:
                refused[prefix, unit] = str(error)
    assert taken > 100
    assert [unit for prefix, unit in refused if prefix == "m"] == ["Pa"]
    assert "can be read in two ways" in refused["m", "Pa"]


def test_no_capital_m_that_somebody_types_becomes_a_thousandth():
    refused = {}
    for spelling, symbol in _WORDS.items():
        for word in {spelling, spelling.upper(), spelling.title(), f"{spelling}s", f"{spelling}S".upper()}:
            for unit in {symbol, "degC", "K", "m/s^2", "V", "m", "s"}:
                alone, found = conversion(word, unit), conversion(f"M{word}", unit)
                is_a_word = any(
                    one in _WORDS
                    for one in (f"m{word}".lower(), f"m{word}".lower().removesuffix("s") if len(word) > 2 else "")
                )
                if alone is None or found is None or is_a_word:
                    continue
                for typed in (f"5 M{word}", f"5 M{word} ± 1 M{word}"):
                    try:
                        assert parse_quantity(typed, unit, "5").value > 1e5 * alone.to_si(1.0), typed
                    except ValueError as error:
                        refused[f"M{word}"] = str(error)
    assert all("can be read in two ways; write " in text for text in refused.values())
    assert {"MV", "MVOLT", "Mvolts", "MA", "MAH", "Mbar", "MM", "MS", "MC", "MNM"} <= set(refused)


@pytest.mark.parametrize(
    ("text", "unit", "says"),
    [
        ("5 MV", "V", 'of "5 MV" can be read in two ways; write "mV" or "megaV"'),
        ("5 V ± 3 MV", "V", 'write "mV" or "megaV"'),
        ("0.3 mPa", "Pa", 'write "MPa" or "milliPa"'),
        ("20 MA/MOHM", "A/ohm", 'write "mA/MOHM" or "megaA/megaOHM"'),
        ("20 M°C", "degC", 'write "m°C" or "mega°C"'),
    ],
)
def test_a_prefix_that_files_use_otherwise_is_refused_with_both_readings_which_can_be_typed(text, unit, says):
    with pytest.raises(ValueError, match="can be read in two ways") as caught:
        parse_quantity(text, unit, "5 V")
    assert says in str(caught.value)
    read = [
        parse_quantity(f"1 {one}", unit, "5").value
        for one in str(caught.value).rsplit("write ", 1)[1].replace('"', "").split(" or ")
    ]
    assert len(set(read)) == 2


def test_megohms_are_megohms_however_they_are_typed():
    for text in ("0.5 MOhm", "0.5 MOHM", "0.5 MΩ", "0.5 Mohms", "0.5 megohm", "0.5 Megaohm"):
        assert parse_quantity(text, "ohm", "1 MOhm").value == pytest.approx(5e5), text

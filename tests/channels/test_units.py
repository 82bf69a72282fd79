import numpy as np
import pytest
from hypothesis import given, settings, strategies as st

from logan.channels.vocabulary import (
    CHANNEL_KINDS,
    channel_kind,
    conversion_to_si,
    is_known_unit,
    is_switch,
    is_unit_of,
    unit_examples,
)
from logan.errors import ChannelError


def to_si(text, channel, value=1.0):
    return float(conversion_to_si(text, channel_kind(channel)).to_si(np.array([value]))[0])


@pytest.mark.recomputed("from the exact inch, pound and standard gravity, to the digits of NIST SP 811")
@pytest.mark.parametrize(
    ("text", "channel", "expected"),
    [
        ("mph", "speed", 0.44704),
        ("km/h", "speed", 1 / 3.6),
        ("psi", "tyre_pressure", 6894.757),
        ("bar", "brake_pressure", 1e5),
        ("g", "acceleration", 9.80665),
        ("mi", "odometer", 1609.344),
        ("ft", "elevation", 0.3048),
        ("hp", "pack_power", 745.6999),
        ("lb-ft", "motor_torque", 1.355818),
        ("rpm", "motor_speed", 0.1047198),
        ("inHg", "barometric_pressure", 3386.389),
    ],
)
def test_a_unit_is_converted_by_its_factor(text, channel, expected):
    assert to_si(text, channel) == pytest.approx(expected, rel=1e-6)


@pytest.mark.parametrize("text", ["kph", "KM/H", "km/h", "kmh", "[km/h]", " km / h ", "Km/hr", "Unit_KiloMeterPerHour"])
def test_kilometres_an_hour_are_known_in_many_spellings(text):
    assert to_si(text, "speed", 36.0) == pytest.approx(10.0)


@pytest.mark.parametrize("text", ["degC", "°C", "ºC", "\ufffdC", "Â°C", "C", "deg C", "Celsius", "Grad C", "℃"])
def test_celsius_is_known_in_many_spellings(text):
    assert to_si(text, "ambient_temperature", 21.5) == pytest.approx(21.5)


@pytest.mark.parametrize(
    ("text", "channel", "value", "expected"),
    [
        ("0.1V", "pack_voltage", 3812, 381.2),
        ("1/10 V", "pack_voltage", 3812, 381.2),
        ("dV", "pack_voltage", 3812, 381.2),
        ("mV", "cell_voltage_min", 3700, 3.7),
        ("dC", "motor_temperature", 655, 65.5),
        ("0.1°C", "motor_temperature", 655, 65.5),
        ("0,1 A", "pack_current", -1204, -120.4),
        ("100W", "pack_power", 12, 1200),
        ("MW", "pack_power", 0.1, 1e5),
        ("mW", "pack_power", 1000, 1),
        ("MOhm", "isolation_resistance", 2, 2e6),
        ("kΩ", "isolation_resistance", 500, 5e5),
        ("%", "state_of_charge", 80, 0.8),
        ("0.5%", "state_of_charge", 160, 0.8),
        ("l/min", "coolant_flow", 6, 1e-4),
        ("1/min", "motor_speed", 60, 2 * np.pi),
    ],
)
def test_multipliers_and_prefixes_are_read(text, channel, value, expected):
    assert to_si(text, channel, value) == pytest.approx(expected)


@pytest.mark.parametrize(("fahrenheit", "celsius"), [(32.0, 0.0), (212.0, 100.0), (-40.0, -40.0), (98.6, 37.0)])
def test_fahrenheit_becomes_celsius(fahrenheit, celsius):
    assert to_si("°F", "ambient_temperature", fahrenheit) == pytest.approx(celsius)


@pytest.mark.parametrize(
    ("text", "channel"),
    [("C", "pack_current"), ("V", "pack_current"), ("Hz", "motor_speed"), ("rpm", "speed"), ("kWh", "pack_power")],
)
def test_a_unit_of_another_dimension_is_refused(text, channel):
    with pytest.raises(ChannelError, match="is no known unit of"):
        conversion_to_si(text, channel_kind(channel))


def test_an_unknown_unit_is_asked_for_and_never_assumed():
    with pytest.raises(ChannelError, match=r'speed: no unit is declared\. Give it in the map, such as unit = "km/h"'):
        conversion_to_si("", channel_kind("speed"))
    with pytest.raises(ChannelError, match="'counts' is no known unit of road speed"):
        conversion_to_si("counts", channel_kind("speed"))
    with pytest.raises(ChannelError, match="'deci' is no known unit"):
        conversion_to_si("deci", channel_kind("motor_temperature"))


def test_a_switch_needs_no_unit():
    assert to_si("", "brake_switch") == 1.0
    assert to_si("on/off", "contactor_closed") == 1.0


@pytest.mark.parametrize("text", ["9**9**9", "m^9^9", "10**99 m", "__import__('os')", "m/0", "((((", "m" * 500])
def test_a_hostile_unit_ends_in_a_plain_no(text):
    assert not is_unit_of(text, channel_kind("odometer"))


def test_every_example_that_is_offered_is_understood():
    for kind in CHANNEL_KINDS:
        for text in unit_examples(kind):
            assert is_unit_of(text, kind) or kind.unit == "ratio", (kind.name, text)


@settings(deadline=None, max_examples=60)
@given(text=st.text(max_size=30))
def test_any_text_is_either_a_unit_or_a_channel_error(text):
    for channel in ("speed", "motor_temperature", "brake_switch"):
        try:
            conversion = conversion_to_si(text, channel_kind(channel))
        except ChannelError:
            continue
        assert np.isfinite([conversion.factor, conversion.offset]).all()


@settings(deadline=None, max_examples=40)
@given(value=st.floats(-1e4, 1e4), text=st.sampled_from(["°F", "K", "dC", "degC"]))
def test_there_and_back_gives_the_number_again(value, text):
    conversion = conversion_to_si(text, channel_kind("motor_temperature"))
    assert conversion.from_si(conversion.to_si(np.array([value])))[0] == pytest.approx(value, abs=1e-9)


@pytest.mark.parametrize(
    ("text", "channel", "value", "expected"),
    [
        ("Unit_DegreCelsi", "coolant_temperature", 21.5, 21.5),
        ("Unit_MinutInver", "motor_speed", 60.0, 2.0 * np.pi),
        ("Unit_MeterPerSeconSquar", "acceleration", 2.0, 2.0),
        ("Unit_NewtoMeter", "motor_torque", 3.0, 3.0),
        ("Unit_MilliAmper", "pack_current", 1500.0, 1.5),
    ],
)
def test_a_unit_in_clipped_words_is_read(text, channel, value, expected):
    assert to_si(text, channel, value) == pytest.approx(expected)


@pytest.mark.parametrize("text", ["km^h", "km/h?", "1/m", "foo", "Unit_KiloNewto"])
def test_what_is_no_unit_is_neither_guessed_nor_known(text):
    assert not is_known_unit(text)
    assert not is_unit_of(text, channel_kind("speed"))


SWITCHES = {"contactor_closed", "charging", "brake_switch", "gear", "marker", "cell_number_min", "cell_number_max"}


def test_what_counts_or_switches_needs_no_unit_and_nothing_else_does_without():
    assert {kind.name for kind in CHANNEL_KINDS if is_switch(kind)} == SWITCHES
    words = ["-", "--", "1", "0/1", "bool", "boolean", "bit", "flag", "on/off", "state", "status", "enum", "none"]
    words += ["n/a", "ratio", "[bit]", "Unit_Bit", "(flag)"]
    for name in SWITCHES:
        assert is_unit_of("", channel_kind(name))
        assert all(is_unit_of(text, channel_kind(name)) for text in words)
        assert not is_unit_of("V", channel_kind(name))
        assert not is_unit_of("%", channel_kind(name))
    assert not is_unit_of("", channel_kind("speed"))


def test_a_unit_of_any_channel_is_known():
    assert all(is_known_unit(text) for text in ("V", "km/h", "°C", "%", "Nm", "ohm", "l/min", "deg", "bar", "Ah"))
    assert not is_known_unit("flag")


def test_each_kind_has_its_own_examples_the_commonest_first():
    assert {kind.unit: unit_examples(kind) for kind in CHANNEL_KINDS} == {
        "V": ("V", "mV"), "A": ("A", "mA"), "W": ("kW", "W"), "ratio": ("%", "ratio"), "A*h": ("Ah",), "N*m": ("Nm",
        "lb-ft"),
        "degC": ("degC", "degF"), "ohm": ("kOhm", "ohm"), "rad/s": ("rpm", "rad/s"), "m^3/s": ("l/min", "l/h"),
        "Pa": ("kPa", "bar", "psi"), "m/s": ("km/h", "mph"), "m/s^2": ("m/s^2", "g"), "m": ("km", "mi",
        "m"), "deg": ("deg",),
    }  # fmt: skip


def test_the_error_says_what_where_and_what_to_write():
    with pytest.raises(ChannelError) as caught:
        conversion_to_si("furlong", channel_kind("odometer"), place="row 3")
    assert caught.value.problem == "row 3: 'furlong' is no known unit of total distance"
    assert caught.value.remedy == 'Give one in the map, such as unit = "km" or unit = "mi" or unit = "m"'
    with pytest.raises(ChannelError) as caught:
        conversion_to_si(" ", channel_kind("odometer"))
    assert (caught.value.problem, caught.value.remedy) == (
        "odometer: no unit is declared",
        'Give it in the map, such as unit = "km"',
    )


def test_every_kind_has_examples_that_are_units_of_it():
    for kind in CHANNEL_KINDS:
        examples = unit_examples(kind)
        assert examples, kind.name
        assert is_switch(kind) or all(is_unit_of(text, kind) for text in examples), kind.name

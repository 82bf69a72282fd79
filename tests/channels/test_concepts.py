import pytest
from hypothesis import given, settings, strategies as st

from logan.channels.declared_evidence import concepts_of, stem_of, words_of


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("BMS_PackVoltage", {"pack", "voltage"}),
        ("HVBatteryCurrent", {"high_voltage", "pack", "current"}),
        ("Batteriespannung", {"pack", "voltage"}),
        ("Motordrehzahl", {"motor", "rotation"}),
        ("Aussentemperatur", {"ambient", "temperature"}),
        ("Kühlmitteltemperatur", {"coolant", "temperature"}),
        ("vitesse_vehicule", {"speed", "vehicle"}),
        ("TensionBatterie", {"voltage", "pack"}),
        ("velocidadVehiculo", {"speed", "vehicle"}),
        ("WheelSpeed_FL", {"wheel", "speed"}),
        ("stateOfCharge", {"soc"}),
        ("SoC", {"soc"}),
        ("AccPedal", {"accelerator", "pedal"}),
        ("AccelPedalPos", {"accelerator", "pedal", "position"}),
        ("BRAKE_PREASURE", {"brake", "pressure"}),
        ("minCellVolt", {"minimum", "cell", "voltage"}),
        ("12V_Battery_Volts", {"low_voltage", "pack", "voltage"}),
        ("motorSpeedRequest", {"motor", "speed", "asked"}),
    ],
)
def test_a_name_is_understood_across_languages_and_spellings(name, expected):
    assert concepts_of(name) >= expected


def test_a_state_of_charge_is_neither_a_state_nor_charging():
    assert concepts_of("stateOfCharge") == {"soc"}


def test_the_level_of_the_sea_is_no_fluid_of_the_vehicle():
    assert concepts_of("Altitude above sea level") == concepts_of("height over mean sea level") == {"elevation"}
    assert "fluid" in concepts_of("brake fluid level")


def test_a_word_that_merely_begins_like_another_is_not_cut():
    assert "motor" not in concepts_of("Footwell_Driver_Temperature")


def test_places_and_numbers_are_told_from_the_stem():
    assert stem_of("WheelSpeed_FL") == (("wheel", "speed"), ("fl",))
    assert stem_of("Module_Voltage_07")[1] == ("07",)


@settings(deadline=None, max_examples=100)
@given(st.text(max_size=300))
def test_any_name_is_read_without_harm(name):
    assert isinstance(concepts_of(name), frozenset)
    assert all(word == word.lower() for word in words_of(name))


def test_a_message_counter_is_a_counter_and_nothing_of_its_message():
    assert concepts_of("COUNTER") == {"counter"}
    assert concepts_of("RollingCounter") == {"counter"}

"""Altitude, cells, wet road: where the vehicle will be."""

from dataclasses import replace

import pytest

from logan.configuration.build import read_build
from logan.driving_range.scenarios import air_note, prepare_scenarios
from logan.physics.air import standard_pressure_pa
from tests.certified_vehicles import certified_vehicles

FEET_5000 = float(standard_pressure_pa(1524.0))


def build(tmp_path, scenario="", home=""):
    text = certified_vehicles()[0].build_toml() + scenario
    path = tmp_path / "build.toml"
    path.write_text(text.replace("[build]", "[build]\n" + home), encoding="utf-8")
    return read_build(path)


def test_home_altitude_holds_for_every_scenario_that_gives_none_of_its_own(tmp_path):
    more = '\n[[scenario]]\nname = "coast"\nspeed = "65 mph"\naltitude = "0 ft"\n'
    settings = build(tmp_path, more, 'altitude = "5000 ft"')
    home, coast = settings.scenarios
    assert home.pressure_pa == pytest.approx(FEET_5000)
    assert coast.pressure_pa == pytest.approx(101_325.0)
    assert air_note(settings) == ""


def test_sea_level_is_never_taken_in_silence(tmp_path):
    settings = build(tmp_path)
    assert "sea level" in air_note(settings)
    assert "5000 ft" in air_note(settings, FEET_5000)
    high = tuple(replace(scenario, pressure_pa=FEET_5000) for scenario in settings.scenarios)
    assert air_note(replace(settings, scenarios=high)) == ""


def test_cells_and_a_wet_road_reach_the_conditions(tmp_path):
    more = '\n[[scenario]]\nname = "winter"\nspeed = "65 mph"\nambient = "20 °F"\ncells = "50 °F"\nwet = true\n'
    prepared = prepare_scenarios(build(tmp_path, more).scenarios, None)
    soaked, winter = (scenario.parts[0].conditions for scenario in prepared)
    assert soaked.cell_temperature_degc == soaked.ambient_temperature_degc
    assert winter.cell_temperature_degc == pytest.approx(10.0)
    assert winter.rolling_factor == pytest.approx(1.10)

"""Altitude, cells, wet road: where the vehicle will be."""

from dataclasses import replace

import pytest

from logan.configuration.build import read_build
from logan.drive_cycles.cycles import load_cycle
from logan.driving_range.attribution import attribute_change
from logan.driving_range.other_values import planned_other_values
from logan.driving_range.scenarios import air_note, in_the_air_of, prepare_scenarios
from logan.driving_range.sensitivity import Standpoint
from logan.driving_range.usable_energy import usable_energy_of
from logan.model.priors import prior_of
from logan.physics.air import standard_pressure_pa
from logan.units import DisplayUnits
from logan.wording import told
from tests.builds import example_build
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
    note = air_note(settings, FEET_5000)  # kept with the answer: in whose units it is read shows when it is read
    assert "5,000 ft" in told(note, DisplayUnits.parse("us"))
    assert "1524 m" in told(note, DisplayUnits.parse("metric"))
    high = tuple(replace(scenario, pressure_pa=FEET_5000) for scenario in settings.scenarios)
    assert air_note(replace(settings, scenarios=high)) == ""


def test_without_an_altitude_it_is_the_drives_air(tmp_path):
    more = '\n[[scenario]]\nname = "coast"\nspeed = "65 mph"\naltitude = "300 ft"\n'
    settings = build(tmp_path, more)
    home, coast = in_the_air_of(settings, FEET_5000).scenarios
    assert home.pressure_pa == FEET_5000
    assert coast.pressure_pa == pytest.approx(float(standard_pressure_pa(91.44)))
    given = build(tmp_path, home='altitude = "1000 ft"')
    assert in_the_air_of(given, FEET_5000) is given
    assert in_the_air_of(settings, None) is settings


def test_the_step_to_the_drives_air_is_named_and_the_waterfall_still_adds_up():
    """5,000 ft has 0.832 of sea level's pressure (standard atmosphere, recomputed); drag is 0.70 of what is used."""
    settings = example_build()
    plan = Standpoint(
        parameters=prior_of(settings), others=planned_other_values(settings), usable=usable_energy_of(settings)
    )
    high = in_the_air_of(settings, FEET_5000)
    planned, driven = (
        prepare_scenarios(each.scenarios, lambda scenario: load_cycle(scenario.cycle))[1] for each in (settings, high)
    )
    found = attribute_change(plan, plan, high, driven).from_the_air_of(plan, high, planned, driven)
    (step,) = [step for step in found.steps if step.name == "air_pressure"]
    assert (step.before, step.after) == (pytest.approx(101_325.0), FEET_5000)
    whole = sum(one.consumption_change_wh_per_km for one in found.steps)
    assert found.consumption_after_wh_per_km - found.consumption_before_wh_per_km == pytest.approx(whole)
    share = step.consumption_change_wh_per_km / found.consumption_before_wh_per_km
    assert share == pytest.approx(-0.70 * 0.168, abs=0.01)
    assert found.range_after_m - found.range_before_m == pytest.approx(step.range_change_m)


def test_cells_and_a_wet_road_reach_the_conditions(tmp_path):
    more = '\n[[scenario]]\nname = "winter"\nspeed = "65 mph"\nambient = "20 °F"\ncells = "50 °F"\nwet = true\n'
    prepared = prepare_scenarios(build(tmp_path, more).scenarios, None)
    soaked, winter = (scenario.parts[0].conditions for scenario in prepared)
    assert soaked.cell_temperature_degc == soaked.ambient_temperature_degc
    assert winter.cell_temperature_degc == pytest.approx(10.0)
    assert winter.rolling_factor == pytest.approx(1.10)

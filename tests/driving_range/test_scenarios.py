import dataclasses

import numpy as np
import pytest

from logan.drive_cycles.cycles import load_cycle
from logan.driving_range.scenarios import prepare_scenarios, scenario_breakdown, scenario_consumption_wh_per_km
from logan.errors import ConfigurationError
from logan.model.parameters import Conditions
from logan.model.priors import prior_of
from logan.model.schedule import Replay
from logan.settings import Scenario, ScenarioKind
from tests.builds import example_build

CITY = Scenario(name="city", kind=ScenarioKind.CYCLE, cycle="udds")
FAST = Scenario(name="fast", kind=ScenarioKind.STEADY, speed_m_per_s=30.0)


def load(scenario):
    return load_cycle(scenario.cycle)


def mix(**changes):
    return Scenario(**{"name": "mix", "kind": ScenarioKind.MIX, "parts": {"city": 1.0, "fast": 3.0}} | changes)


def test_a_mix_weighs_its_parts_by_distance():
    build = example_build()
    median = prior_of(build).median
    city, fast, mixed = prepare_scenarios((CITY, FAST, mix()), load)
    used = [scenario_consumption_wh_per_km(prepared, median, build)[0] for prepared in (city, fast, mixed)]
    assert used[2] == pytest.approx(0.25 * used[0] + 0.75 * used[1])
    assert 1.0 / mixed.mean_speed_m_per_s == pytest.approx(
        0.25 / city.mean_speed_m_per_s + 0.75 / fast.mean_speed_m_per_s
    )
    assert mixed.speed_span_m_per_s == (city.speed_span_m_per_s[0], 30.0)
    assert 8.0 < city.speed_span_m_per_s[0] < 15.0


def test_what_a_mix_asks_for_itself_wins_over_its_parts():
    cold = dataclasses.replace(CITY, payload_kg=200.0)
    prepared = prepare_scenarios((cold, FAST, mix(ambient_temperature_degc=-10.0)), load)[2]
    assert [part.conditions.ambient_temperature_degc for part in prepared.parts] == [-10.0, -10.0]
    assert [part.conditions.payload_kg for part in prepared.parts] == [200.0, 0.0]


def test_breakdown_of_a_mix_adds_up_to_its_consumption():
    build = example_build()
    median = prior_of(build).median
    prepared = prepare_scenarios((CITY, FAST, mix()), load)[2]
    found = scenario_breakdown(prepared, median, build)
    assert found.total_wh_per_km == pytest.approx(scenario_consumption_wh_per_km(prepared, median, build))
    assert found.duration_s == pytest.approx(1000.0 / prepared.mean_speed_m_per_s)


def test_a_mix_of_mixes_is_weighed_through():
    outer = Scenario(name="outer", kind=ScenarioKind.MIX, parts={"mix": 0.5, "fast": 0.5})
    prepared = prepare_scenarios((CITY, FAST, mix(), outer), load)[3]
    assert sum(part.share_ratio for part in prepared.parts) == pytest.approx(1.0)
    assert [part.share_ratio for part in prepared.parts] == pytest.approx([0.125, 0.375, 0.5])


@pytest.mark.parametrize(
    ("scenario", "problem"),
    [
        (mix(parts={"nowhere": 1.0}), "unknown scenario 'nowhere'"),
        (mix(parts={"mix": 1.0}), "part of itself"),
        (mix(parts={}), "shares above zero"),
        (mix(parts={"city": 0.0}), "shares above zero"),
        (Scenario(name="still", kind=ScenarioKind.STEADY), "speed above zero"),
    ],
)
def test_a_scenario_that_makes_no_sense_is_refused(scenario, problem):
    with pytest.raises(ConfigurationError, match=problem):
        prepare_scenarios((CITY, FAST, scenario), load)


def recorded(scenario):
    return Replay(
        schedule=load_cycle("us06"),
        conditions=Conditions(
            ambient_temperature_degc=12.0,
            pressure_pa=95e3,
            payload_kg=50.0,
            auxiliary_power_w=800.0,
            pack_temperature_degc=22.0,
            state_of_charge_ratio=0.98,
            wind_m_per_s=3.0,
        ),
        assumed=(),
    )


def test_a_drive_again_keeps_its_weather_and_adds_the_load():
    again = Scenario(name="again", kind=ScenarioKind.REPLAY, drive="3", payload_kg=136.0, drag_area_factor=1.1)
    (prepared,) = prepare_scenarios((again,), recorded)
    conditions = prepared.parts[0].conditions
    assert conditions.ambient_temperature_degc == 12.0
    assert conditions.pressure_pa == 95e3
    assert conditions.wind_m_per_s == 3.0
    assert conditions.payload_kg == 186.0
    assert conditions.drag_area_factor == 1.1
    assert conditions.auxiliary_power_w == 800.0
    assert conditions.state_of_charge_ratio is None


def test_a_drive_again_in_the_cold_forgets_what_was_measured_in_the_warm():
    again = Scenario(name="again", kind=ScenarioKind.REPLAY, drive="3", ambient_temperature_degc=-6.7)
    (prepared,) = prepare_scenarios((again,), recorded)
    conditions = prepared.parts[0].conditions
    assert conditions.ambient_temperature_degc == -6.7
    assert conditions.auxiliary_power_w is None
    assert conditions.pack_temperature_degc is None
    median = prior_of(example_build()).median
    warm = prepare_scenarios((dataclasses.replace(again, ambient_temperature_degc=20.0),), recorded)[0]
    used = [scenario_consumption_wh_per_km(case, median, example_build())[0] for case in (warm, prepared)]
    assert used[1] > 1.1 * used[0]
    assert np.isfinite(used).all()


def test_air_is_thin_on_a_high_route_unless_the_pressure_is_given():
    high = dataclasses.replace(load_cycle("hwfet"), elevation_m=np.full(766, 2000.0))
    route = Scenario(name="pass", kind=ScenarioKind.ROUTE, speed_m_per_s=20.0)
    (thin,) = prepare_scenarios((route,), lambda _: high)
    assert thin.parts[0].conditions.pressure_pa == pytest.approx(79_495.0, abs=10.0)
    (given,) = prepare_scenarios((dataclasses.replace(route, pressure_pa=81e3),), lambda _: high)
    assert given.parts[0].conditions.pressure_pa == 81e3

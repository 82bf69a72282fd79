import dataclasses

import numpy as np
import pytest

from logan.demo.routes import highway_route, mixed_route
from logan.demo.twin import TwinVehicle, TwinWeather, drive_twin
from logan.errors import ConfigurationError
from logan.instruments.drive_evidence import InstrumentEvidence, Sensor
from logan.instruments.posterior import known_instruments
from logan.model.balance import segment_drive
from logan.model.estimator import fit
from logan.model.priors import prior_of
from logan.model.schedule import replay_of
from logan.model.sensor_errors import with_sensor_errors
from logan.pipeline.plan import make_plan
from logan.pipeline.plan_files import freeze_plan
from logan.pipeline.predict import next_tests, plan_of_build, refine_range, with_scenario
from logan.results import json_ready
from logan.settings import Scenario, ScenarioKind
from tests.builds import MPH, example_build

HEAVY = TwinVehicle(mass_kg=1900.0, drag_area_m2=1.15, rolling_coefficient=0.0125, drive_efficiency_ratio=0.86)


def twin_drives(count):
    rng = np.random.default_rng(3)
    routes = [mixed_route(rng, duration_s=1500.0), highway_route(rng, duration_s=900.0)]
    return [drive_twin(HEAVY, route, rng=rng) for route in routes[:count]]


@pytest.fixture(scope="module")
def drives():
    return [driven.to_drive() for driven in twin_drives(2)]


def fitted(drives, build):
    segments = [segment_drive(drive, build, drive_id=str(index)) for index, drive in enumerate(drives)]
    return fit(prior_of(build), segments, (), build)


@pytest.fixture(scope="module")
def refined(drives):
    build = example_build()
    plan = make_plan(build, np.random.default_rng(1))
    return refine_range(build, plan, fitted(drives, build), np.random.default_rng(2))


def test_refined_consumption_lies_nearer_to_the_truth_than_the_plan(refined):
    truth = HEAVY.steady_consumption_wh_per_km(65 * MPH, TwinWeather())
    planned, found = (case.scenario("steady 65 mph").consumption for case in (refined.planned, refined.refined))
    assert abs(found.p50 - truth) < 0.5 * abs(planned.p50 - truth)
    assert found.p95 - found.p05 < planned.p95 - planned.p05


def test_every_scenario_stands_beside_its_plan(refined):
    assert [planned.name for planned, _ in refined.pairs] == [s.name for s in example_build().scenarios]
    assert not refined.plan_is_outdated
    assert refined.refined.basis == "fit"
    assert refined.refined.drive_count == 2


def test_the_waterfall_of_each_scenario_adds_up(refined):
    for scenario in example_build().scenarios:
        found = refined.attribution(scenario.name)
        moved = found.consumption_after_wh_per_km - found.consumption_before_wh_per_km
        assert sum(step.consumption_change_wh_per_km for step in found.steps) == pytest.approx(moved, abs=1e-9)
    with pytest.raises(KeyError):
        refined.attribution("nowhere")


def test_the_result_is_json(refined):
    content = json_ready(refined)
    assert content["schema"] == "refined-range/1"
    assert content["refined_sizing"]["sizes"][2]["confidence_ratio"] == 0.9


def test_one_drive_says_prior_dominated(drives):
    build = example_build()
    plan = make_plan(build, np.random.default_rng(1))
    one = refine_range(build, plan, fitted(drives[:1], build), np.random.default_rng(2))
    assert one.refined.is_prior_dominated
    assert any(note.startswith("mostly your plan") for note in one.notes)


def test_a_changed_build_is_said_to_have_outgrown_its_plan(drives):
    build = example_build()
    plan = make_plan(build, np.random.default_rng(1))
    lighter = dataclasses.replace(build.vehicle, mass_kg=dataclasses.replace(build.vehicle.mass_kg, value=1700.0))
    changed = dataclasses.replace(build, vehicle=lighter)
    found = refine_range(changed, plan, fitted(drives[:1], changed), np.random.default_rng(2))
    assert found.plan_is_outdated
    assert any("changed since the plan was frozen" in note for note in found.notes)


def test_a_scenario_that_the_plan_did_not_have_is_predicted_from_its_assumptions(drives):
    build = example_build()
    plan = make_plan(build, np.random.default_rng(1))
    again = Scenario(name="again", kind=ScenarioKind.REPLAY, drive="1", payload_kg=136.0)
    more = dataclasses.replace(build, scenarios=(*build.scenarios, again))
    found = refine_range(
        more, plan, fitted(drives, build), np.random.default_rng(2), recorded_drive=lambda _: replay_of(drives[0])
    )
    planned, now = found.pairs[-1]
    assert (planned.name, now.name) == ("again", "again")
    assert planned.consumption.p50 < now.consumption.p50
    assert not found.plan_is_outdated


def test_measured_usable_energy_moves_the_range_and_stands_in_the_waterfall(drives):
    build = example_build()
    plan = make_plan(build, np.random.default_rng(1))
    row = {"name": "full to empty", "source": "run", "weights": {Sensor.USABLE: 1.0}, "sigma": 0.001}
    run = InstrumentEvidence(value=float(np.log(52.0 / 57.0)), **row)
    known = with_sensor_errors(fitted(drives, build), known_instruments(build, [run]), build)
    found = refine_range(build, plan, known, np.random.default_rng(2))
    step = next(step for step in found.attribution("city").steps if step.name == "usable_energy_wh")
    assert step.after / step.before == pytest.approx(52_000.0 / 57_000.0, rel=0.005)
    assert step.range_change_m < 0


def test_the_plan_named_comes_first_then_the_newest_then_one_made_now(tmp_path):
    from logan.pipeline.builds import BuildFolder

    build, folder, rng = example_build(), BuildFolder(tmp_path), np.random.default_rng(1)
    _, is_frozen = plan_of_build(folder, build, rng)
    assert not is_frozen
    plan = make_plan(build, rng)
    first = freeze_plan(plan, folder.plans)
    freeze_plan(dataclasses.replace(plan, build_name="newest"), folder.plans)
    newest, is_frozen = plan_of_build(folder, build, rng)
    assert is_frozen
    assert newest.build_name == "newest"
    assert plan_of_build(folder, build, rng, first)[0].build_name == plan.build_name


def test_one_more_scenario_has_the_keys_of_the_settings_file(tmp_path):
    build = with_scenario({"name": "fast", "speed": "70 mph", "payload": "300 lb"}, tmp_path, example_build())
    assert build.scenarios[-1].speed_m_per_s == pytest.approx(70 * MPH)
    assert build.scenarios[-1].payload_kg == pytest.approx(136.08, abs=0.01)
    with pytest.raises(ConfigurationError, match="unknown key"):
        with_scenario({"name": "fast", "sped": "70 mph"}, tmp_path, example_build())
    with pytest.raises(ConfigurationError, match="called 'city' already"):
        with_scenario({"name": "city", "speed": "70 mph"}, tmp_path, example_build())


@pytest.mark.parametrize("noted", ["wind", "payload"])
def test_noting_a_days_wind_or_payload_narrows_its_range_by_the_miles_that_are_promised(drives, noted):
    """Against samples drawn with that spread alone: the promise is a formula, the range is not."""
    build = example_build()
    plan, whole = make_plan(build, np.random.default_rng(1)), fitted(drives, build)
    days = {"between_drive_sigma_ratio": 0.1, "level_sigma_ratio": 0.1, "wind_sigma_m_per_s": 2.0}
    whole = dataclasses.replace(whole, noted_sigma_ratio={"wind": 0.09, "payload": 0.09}, **days)
    known = {"wind": {"wind_sigma_m_per_s": 1.0}, "payload": {"level_sigma_ratio": 0.09}}
    left = dataclasses.replace(whole, **known[noted])
    before, after = (refine_range(build, plan, one, np.random.default_rng(2)) for one in (whole, left))
    reach = [one.refined.target.range_m for one in (before, after)]
    narrower_m = (reach[0].p90 - reach[0].p10) - (reach[1].p90 - reach[1].p10)
    promised = {test.noted: test for test in next_tests(whole, build, before).candidates}[noted]
    assert promised.gain_m == pytest.approx(narrower_m, rel=0.2, abs=300.0)
    assert promised.gain_m > 500.0

"""Out and back on the same road: what wind takes one way it gives back the other."""

import dataclasses

import numpy as np
import pytest
from hypothesis import given, settings, strategies as st

from logan.configuration.build import read_build
from logan.driving_range.attribution import DAY_WIND
from logan.driving_range.other_values import planned_other_values
from logan.driving_range.prediction import predict_range
from logan.driving_range.scenarios import prepare_scenarios, scenario_consumption_wh_per_km, wind_slope
from logan.driving_range.sensitivity import Standpoint
from logan.model.priors import prior_of
from logan.model.schedule import Schedule
from logan.physics.air import air_density_kg_per_m3
from logan.pipeline.plan import build_fingerprint, make_plan
from logan.settings import Scenario, ScenarioKind
from tests.builds import MPH, example_build
from tests.certified_vehicles import certified_vehicles

BUILD = example_build()
MEDIAN = prior_of(BUILD).median[np.newaxis, :]
OTHERS = planned_other_values(BUILD).environment


def steady(name="road", speed_m_per_s=65 * MPH, **changes):
    return Scenario(name=name, kind=ScenarioKind.STEADY, speed_m_per_s=speed_m_per_s, cabin_climate=False, **changes)


def hill(scenario):
    """Up to a pass and half of the way down again, north and then east, slower on top."""
    share = np.linspace(0.0, 1.0, 200)
    return Schedule(
        name=scenario.name, time_s=1800.0 * share, speed_m_per_s=22.0 - 8.0 * np.sin(2.0 * share),
        elevation_m=500.0 + 600.0 * np.sin(2.4 * share), heading_deg=np.where(share < 0.4, 10.0, 95.0),
    )  # fmt: skip


def used(*scenarios):
    prepared = prepare_scenarios(scenarios, hill)
    return [float(scenario_consumption_wh_per_km(one, MEDIAN, BUILD, environment=OTHERS)[0]) for one in prepared]


def slope(*scenarios):
    return wind_slope(prepare_scenarios(scenarios, hill)[-1], MEDIAN, BUILD, OTHERS)


@settings(max_examples=40, deadline=None)
@given(speed=st.floats(5.0, 35.0), wind=st.floats(-20.0, 20.0), grade=st.floats(-0.06, 0.06))
def test_a_round_trip_is_the_mean_over_heading_both_ways(speed, wind, grade):
    out = steady("out", speed, headwind_m_per_s=wind, grade_ratio=grade)
    back = steady("back", speed, headwind_m_per_s=-wind, grade_ratio=-grade)
    ways = used(out, back, dataclasses.replace(out, round_trip=True), dataclasses.replace(back, round_trip=True))
    assert ways[2] == pytest.approx(0.5 * (ways[0] + ways[1]), rel=1e-9, abs=1e-9)
    assert ways[3] == pytest.approx(ways[2], rel=1e-9, abs=1e-9)


@settings(max_examples=20, deadline=None)
@given(speed=st.floats(8.0, 35.0), wind=st.floats(-6.0, 6.0))
def test_a_days_wind_moves_one_way_by_the_closed_form_and_a_round_trip_not_at_all(speed, wind):
    """The air's work at the wheels is half rho CdA (v + w)^2 by length: rho CdA (v + w) per m/s of wind. [Wh/km]"""
    one = steady(speed_m_per_s=speed, headwind_m_per_s=wind)
    density = air_density_kg_per_m3(one.ambient_temperature_degc, one.pressure_pa, one.relative_humidity_ratio)
    per_speed = density * MEDIAN[0, 1] / MEDIAN[0, 3] / 3.6
    assert slope(one) == pytest.approx(per_speed * (speed + wind), rel=1e-6)
    # Of the half out and the half back only what the scenario's own wind makes of it is left.
    assert slope(dataclasses.replace(one, round_trip=True)) == pytest.approx(per_speed * wind, rel=1e-6, abs=1e-9)


def test_a_pass_and_a_mix_come_back_too():
    over = Scenario(name="over", kind=ScenarioKind.ROUTE, cabin_climate=False)
    both = dataclasses.replace(over, name="both", round_trip=True)
    # What the climb out and the descent back give and take has two efficiencies: a little is left.
    assert abs(slope(both)) < 0.15 * slope(over)
    ways = prepare_scenarios((both,), hill)[0].parts
    assert [part.share_ratio for part in ways] == [0.5, 0.5]
    assert ways[0].schedule.distance_m == pytest.approx(ways[1].schedule.distance_m)
    assert ways[1].schedule.elevation_m[0] == ways[0].schedule.elevation_m[-1]
    assert ways[1].schedule.heading_deg[0] == pytest.approx(275.0)
    shares = {"both": 0.25, "road": 0.75}
    mix = Scenario(name="mix", kind=ScenarioKind.MIX, parts=shares, headwind_m_per_s=4.0)
    partly, wholly = (
        prepare_scenarios((both, steady(), one), hill)[-1] for one in (mix, dataclasses.replace(mix, round_trip=True))
    )
    assert (partly.one_way_ratio, wholly.one_way_ratio) == (0.75, 0.0)
    assert [part.share_ratio for part in partly.parts] == pytest.approx([0.125, 0.125, 0.75])
    assert [part.share_ratio for part in wholly.parts] == pytest.approx([0.125, 0.125, 0.375, 0.375])
    # The mix' own headwind is met on the way out, and pushes on the way back.
    assert [part.conditions.headwind_m_per_s for part in partly.parts] == [4.0, -4.0, 4.0]
    assert [part.conditions.headwind_m_per_s for part in wholly.parts] == [4.0, -4.0, 4.0, -4.0]


def test_a_cycle_without_heights_is_driven_the_same_way_twice():
    """Sharp starts and gentle stops stay what they are; a course alone is reason enough to turn round."""
    time_s = np.array([0.0, 5.0, 60.0, 120.0])
    plain = Schedule(name="cycle", time_s=time_s, speed_m_per_s=np.array([0.0, 15.0, 15.0, 0.0]))
    once = Scenario(name="cycle", kind=ScenarioKind.CYCLE, cabin_climate=False)
    for course, way_back in ((None, None), (np.array([80.0, 80.0, 170.0, 170.0]), [350.0, 350.0, 260.0, 260.0])):
        one, both = prepare_scenarios(
            (once, dataclasses.replace(once, name="both", round_trip=True)),
            lambda _, course=course: dataclasses.replace(plain, heading_deg=course),
        )
        ways = [part.schedule for part in both.parts]
        assert ways[0].speed_m_per_s == pytest.approx(one.parts[0].schedule.speed_m_per_s)
        if way_back is None:
            assert ways[1] is ways[0]
        else:
            assert ways[1].heading_deg == pytest.approx(way_back)
            assert ways[1].time_s == pytest.approx([0.0, 60.0, 115.0, 120.0])


def test_a_road_driven_back_twice_is_the_road():
    road = hill(steady())
    road = dataclasses.replace(
        road, is_usable=np.arange(199) % 7 > 0, time_s=road.time_s + np.linspace(9, 18, 200) ** 2
    )
    assert dataclasses.replace(road, heading_deg=None).backwards.heading_deg is None
    once, twice = road.backwards, road.backwards.backwards
    for name in ("time_s", "speed_m_per_s", "elevation_m", "heading_deg", "is_usable"):
        assert getattr(twice, name) == pytest.approx(getattr(road, name))
    assert once.time_s[0] == road.time_s[0] == 81.0
    assert once.step_distance_m == pytest.approx(road.step_distance_m[::-1])
    assert np.diff(once.elevation_m) == pytest.approx(-np.diff(road.elevation_m)[::-1])


def ranged(*scenarios, **changes):
    known = dataclasses.replace(Standpoint.of_plan(BUILD), **changes)
    build = dataclasses.replace(BUILD, scenarios=scenarios, target=dataclasses.replace(BUILD.target, scenario="road"))
    prepared = prepare_scenarios(build.scenarios, hill)
    return predict_range(known, build, prepared, rng=np.random.default_rng(1)).scenarios


def test_out_and_back_the_range_is_as_sure_as_on_days_without_wind():
    (windy, back), (calm,) = ranged(steady(), steady("back", round_trip=True)), ranged(steady(), wind_sigma_m_per_s=0.0)
    for quantile in ("p05", "p10", "p50", "p90", "p95"):
        assert getattr(back.range_m, quantile) == pytest.approx(getattr(calm.range_m, quantile), rel=1e-9)
    wind_sigma = slope(steady()) / windy.consumption.p50
    assert windy.consumption_log_sigma == pytest.approx(np.hypot(calm.consumption_log_sigma, wind_sigma), rel=0.02)
    assert windy.note == ""
    assert back.note == "round trip, so a day's wind all but cancels"
    mix = Scenario(name="mix", kind=ScenarioKind.MIX, parts={"road": 0.75, "back": 0.25})
    assert ranged(steady(), steady("back", round_trip=True), mix)[-1].note.startswith("round trip for 25 % of the way")


def test_the_budget_of_a_round_trip_has_no_wind():
    def contributions(**changes):
        build = dataclasses.replace(BUILD, scenarios=tuple(
            dataclasses.replace(one, **changes) if one.name == BUILD.target.scenario else one for one in BUILD.scenarios
        ))  # fmt: skip
        budget = make_plan(build, np.random.default_rng(1)).budget
        days = [row for row in budget.rows if row.source.startswith("day to day")]
        assert len(days) >= 2
        # More of any of them takes miles away.
        assert all(row.sensitivity < 0.0 and row.evaluation == "B" for row in days)
        return {row.source: row.contribution for row in budget.rows}, budget

    (windy, whole), (calm, less) = contributions(), contributions(round_trip=True)
    assert DAY_WIND not in calm
    assert less.combined == pytest.approx(np.sqrt(whole.combined**2 - windy[DAY_WIND] ** 2), rel=0.01)


def test_it_is_read_from_the_settings_and_old_plans_stay_what_they_were(tmp_path):
    path = tmp_path / "build.toml"
    more = '\n[[scenario]]\nname = "club"\nspeed = "65 mph"\nround_trip = true\n'
    path.write_text(certified_vehicles()[0].build_toml() + more, encoding="utf-8")
    build = read_build(path)
    assert [scenario.round_trip for scenario in build.scenarios] == [False, True]
    names = {scenario.name for scenario in build.scenarios}
    turned = dataclasses.replace(
        build, scenarios=tuple(dataclasses.replace(one, round_trip=False) for one in build.scenarios)
    )
    assert build_fingerprint(build, names) != build_fingerprint(turned, names)

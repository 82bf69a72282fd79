from dataclasses import replace

import numpy as np
import pytest

from logan.drive_cycles.cycles import load_cycle
from logan.driving_range.other_values import planned_other_values
from logan.driving_range.scenarios import prepare_scenarios, scenario_consumption_wh_per_km
from logan.driving_range.sensitivity import Standpoint, assumption_rows
from logan.driving_range.usable_energy import usable_energy_of
from logan.model.priors import prior_of
from logan.pipeline.plan import make_plan
from logan.settings import PlanningValue, Scenario, ScenarioKind
from tests.builds import example_build

BUILD = example_build()
PREPARED = prepare_scenarios(BUILD.scenarios, lambda scenario: load_cycle(scenario.cycle))
STANDPOINT = Standpoint(parameters=prior_of(BUILD), others=planned_other_values(BUILD), usable=usable_energy_of(BUILD))


def told(prepared):
    """Rows that move the range by more than a metre, by their source."""
    return {row.source: row for row in assumption_rows(STANDPOINT, BUILD, prepared) if row.contribution > 1.0}


def test_what_changes_nothing_moves_nothing():
    rows = told(PREPARED[1])
    assert max(rows.values(), key=lambda row: row.contribution).source == "drag_area_m2"
    assert not {"regen_efficiency_ratio", "heating_w_per_k"} & set(rows)


def test_in_the_cold_heating_and_the_pack_matter():
    assert {"heating_w_per_k", "usable_loss_per_k", "rolling_temperature_coefficient_per_k"} <= set(told(PREPARED[6]))


def test_a_value_besides_the_six_counts_half_the_swing_between_one_sigma_below_and_above():
    """In the cold, by the ranges themselves; a value that may be none is not taken below it."""
    cold, others = PREPARED[6], dict(planned_other_values(BUILD).values)
    for plan, low, high in ((PlanningValue(50.0, 10.0, "t"), 40.0, 60.0), (PlanningValue(10.0, 30.0, "t"), 0.0, 40.0)):
        known = replace(STANDPOINT, others=replace(STANDPOINT.others, values={**others, "heating_w_per_k": plan}))
        environment = known.others.environment
        reach_m = [
            1000.0
            * known.scenario_energy_wh(BUILD, cold)
            / float(
                scenario_consumption_wh_per_km(
                    cold,
                    known.parameters.median[np.newaxis],
                    BUILD,
                    environment=replace(environment, heating_w_per_k=end),
                )[0]
            )
            for end in (low, high)
        ]
        (row,) = (one for one in assumption_rows(known, BUILD, cold) if one.source == "heating_w_per_k")
        assert row.sigma == pytest.approx(0.5 * (high - low))
        assert row.sigma * row.sensitivity == pytest.approx(0.5 * (reach_m[1] - reach_m[0]), rel=1e-9)
        assert row.sensitivity < 0.0


def test_a_days_wind_counts_by_its_spread_and_is_never_below_none():
    level, auxiliary, wind = STANDPOINT.day_sigmas(BUILD, PREPARED[1])
    other = replace(STANDPOINT, level_sigma=0.03, auxiliary_sigma=0.1, wind_sigma_m_per_s=2.5)
    assert other.day_sigmas(BUILD, PREPARED[1]) == pytest.approx((0.03, 0.1, 2.5 * wind))
    assert (level, auxiliary) == (0.05, 0.2)
    # Blown along by a storm: more of it helps, and is as unsure.
    storm = Scenario(name="storm", kind=ScenarioKind.STEADY, speed_m_per_s=10.0, headwind_m_per_s=-20.0)
    assert STANDPOINT.day_sigmas(BUILD, prepare_scenarios((storm,), lambda _: None)[0])[2] > 0.0 < wind


@pytest.mark.recomputed("by hand: what air, and all that the drive efficiency divides, take of a steady 65 mph")
def test_sensitivities_are_the_shares_of_a_steady_speed():
    rows, found = told(PREPARED[1]), make_plan(BUILD, np.random.default_rng(1)).prediction.scenarios[1].range_m.p50
    vehicle, speed = BUILD.vehicle, 65 * 0.44704
    air_n = 0.5 * 1.18 * vehicle.drag_area_m2.value * speed**2
    rolling_n = vehicle.rolling_coefficient.value * vehicle.mass_kg.value * 9.80665
    pack_n = (air_n + rolling_n) / BUILD.powertrain.drive_efficiency.value
    all_n = pack_n + BUILD.auxiliary.base_power_w.value / speed
    efficiency = BUILD.powertrain.drive_efficiency.value
    drag = rows["drag_area_m2"].sensitivity * vehicle.drag_area_m2.value / found
    assert -drag == pytest.approx(air_n / efficiency / all_n, abs=0.02)
    assert rows["drive_efficiency_ratio"].sensitivity * efficiency / found == pytest.approx(pack_n / all_n, abs=0.02)
    usable = rows["usable_energy_wh"]
    assert usable.sensitivity * STANDPOINT.usable.energy_wh / found == pytest.approx(1.0, abs=0.02)


def test_the_budget_of_a_plan_is_as_wide_as_its_samples():
    """Two ways to the same width: the sheet's squares, and the samples of the prediction."""
    plan = make_plan(BUILD, np.random.default_rng(1))
    target = plan.prediction.target
    sampled = (target.range_m.p90 - target.range_m.p10) / (2.0 * 1.2816)
    assert plan.budget.combined == pytest.approx(sampled, rel=0.06)
    assert plan.budget.value == target.range_m.p50
    assert {row.evaluation for row in plan.budget.rows} == {"B"}

import numpy as np
import pytest

from logan.drive_cycles.cycles import load_cycle
from logan.driving_range.other_values import planned_other_values
from logan.driving_range.scenarios import prepare_scenarios
from logan.driving_range.sensitivity import Standpoint, assumption_rows
from logan.driving_range.usable_energy import usable_energy_of
from logan.model.priors import prior_of
from logan.pipeline.plan import make_plan
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

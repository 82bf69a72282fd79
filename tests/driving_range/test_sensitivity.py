import pytest

from logan.drive_cycles.cycles import load_cycle
from logan.driving_range.other_values import planned_other_values
from logan.driving_range.scenarios import prepare_scenarios
from logan.driving_range.sensitivity import tornado
from logan.driving_range.standpoint import Standpoint
from logan.driving_range.usable_energy import usable_energy_of
from logan.model.priors import prior_of
from tests.builds import example_build

BUILD = example_build()
PREPARED = prepare_scenarios(BUILD.scenarios, lambda scenario: load_cycle(scenario.cycle))
STANDPOINT = Standpoint(parameters=prior_of(BUILD), others=planned_other_values(BUILD), usable=usable_energy_of(BUILD))


def test_the_largest_swing_comes_first_and_what_changes_nothing_is_left_out():
    found = tornado(STANDPOINT, BUILD, PREPARED[1])
    swings = [row.swing_m for row in found.sensitivities]
    assert swings == sorted(swings, reverse=True)
    assert found.sensitivities[0].name == "drag_area_m2"
    names = {row.name for row in found.sensitivities}
    assert "regen_efficiency_ratio" not in names
    assert "heating_w_per_k" not in names


def test_in_the_cold_heating_and_the_pack_matter():
    names = {row.name for row in tornado(STANDPOINT, BUILD, PREPARED[6]).sensitivities}
    assert {"heating_w_per_k", "usable_loss_per_k", "rolling_temperature_coefficient_per_k"} <= names


@pytest.mark.published("elasticity of a steady 65 mph: drag area about 0.7, drive efficiency about -0.97")
def test_ends_follow_the_elasticities():
    found = tornado(STANDPOINT, BUILD, PREPARED[1])
    row = next(row for row in found.sensitivities if row.name == "drag_area_m2")
    slope = (row.consumption_high_wh_per_km - row.consumption_low_wh_per_km) / found.consumption_wh_per_km
    assert slope / ((row.high - row.low) / row.value) == pytest.approx(0.70, abs=0.03)
    for row in found.sensitivities:
        assert row.low <= row.value <= row.high
        assert min(row.range_low_m, row.range_high_m) <= found.range_m <= max(row.range_low_m, row.range_high_m)

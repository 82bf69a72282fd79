import dataclasses

import numpy as np
import pytest
from hypothesis import given, settings, strategies as st

from logan.drive_cycles.cycles import load_cycle
from logan.driving_range.attribution import attribute_change
from logan.driving_range.other_values import OtherValues, planned_other_values
from logan.driving_range.scenarios import prepare_scenarios, scenario_consumption_wh_per_km
from logan.driving_range.sensitivity import Standpoint
from logan.driving_range.usable_energy import usable_energy_of
from logan.model.priors import prior_of
from logan.settings import PlanningValue
from tests.builds import example_build

BUILD = example_build()
CITY, COLD = (
    prepare_scenarios(BUILD.scenarios, lambda scenario: load_cycle(scenario.cycle))[index] for index in (2, 6)
)


def standpoint(shift=(0.0,) * 6, *, energy=1.0, cold=0.008):
    prior = prior_of(BUILD)
    taught = {"rolling_temperature_coefficient_per_k": PlanningValue(cold, 0.001, "fit")}
    others = OtherValues(values={**planned_other_values(BUILD).values, **taught})
    usable = usable_energy_of(BUILD)
    return Standpoint(
        parameters=dataclasses.replace(prior, log_mean=prior.log_mean + np.asarray(shift)),
        others=others,
        usable=dataclasses.replace(usable, energy_wh=usable.energy_wh * energy),
    )


@given(st.tuples(*[st.floats(-0.2, 0.2)] * 6), st.floats(0.9, 1.1), st.floats(0.004, 0.012))
@settings(deadline=None, max_examples=10)
def test_steps_add_up_to_the_whole_change_exactly(shift, energy, cold):
    found = attribute_change(standpoint(), standpoint(shift, energy=energy, cold=cold), BUILD, COLD)
    used = sum(step.consumption_change_wh_per_km for step in found.steps)
    reach = sum(step.range_change_m for step in found.steps)
    assert used == pytest.approx(found.consumption_after_wh_per_km - found.consumption_before_wh_per_km, abs=1e-9)
    assert reach == pytest.approx(found.range_after_m - found.range_before_m, abs=1e-6)


def test_what_did_not_change_gets_nothing_and_the_rest_is_sorted():
    found = attribute_change(standpoint(), standpoint((0.0, 0.10, 0.0, 0.0, 0.0, 0.3)), BUILD, CITY)
    assert {step.name for step in found.steps} == {"drag_area_m2", "auxiliary_power_w", "usable_energy_wh"}
    sizes = [abs(step.range_change_m) for step in found.steps]
    assert sizes == sorted(sizes, reverse=True)
    by_name = {step.name: step for step in found.steps}
    assert by_name["usable_energy_wh"].consumption_change_wh_per_km == 0.0


def test_one_change_alone_is_the_whole_change():
    after = standpoint((0.1, 0, 0, 0, 0, 0))
    found = attribute_change(standpoint(), after, BUILD, CITY)
    mass = next(step for step in found.steps if step.name == "mass_kg")
    before_wh, after_wh = (
        scenario_consumption_wh_per_km(CITY, case.parameters.median, BUILD)[0] for case in (standpoint(), after)
    )
    assert mass.consumption_change_wh_per_km == pytest.approx(after_wh - before_wh)
    assert mass.before == pytest.approx(1800.0)
    assert mass.after == pytest.approx(1800.0 * np.exp(0.1))


def test_a_regen_limit_that_was_seen_is_a_step_of_its_own():
    after = dataclasses.replace(standpoint((0.0, 0.1, 0, 0, 0, 0)), regen_limit_w=9_000.0)
    found = attribute_change(standpoint(), after, BUILD, CITY)
    step = next(step for step in found.steps if step.name == "regen_power_limit_w")
    assert step.after == 9_000.0
    assert step.consumption_change_wh_per_km > 0.0
    total = sum(other.consumption_change_wh_per_km for other in found.steps)
    assert total == pytest.approx(found.consumption_after_wh_per_km - found.consumption_before_wh_per_km, abs=1e-9)


def test_a_limit_above_the_builds_own_changes_nothing():
    limited = dataclasses.replace(BUILD.powertrain, regen_power_limit_w=8_000.0)
    build = dataclasses.replace(BUILD, powertrain=limited)
    assert dataclasses.replace(standpoint(), regen_limit_w=9_000.0).seen_in(build) is build

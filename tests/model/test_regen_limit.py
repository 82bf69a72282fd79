from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings, strategies as st

from logan.demo.routes import urban_route
from logan.demo.sensors import TwinSensors
from logan.demo.twin import TwinVehicle, drive_twin
from logan.driving_range.coverage import leave_one_drive_out
from logan.model.balance import segment_drive
from logan.model.estimator import fit
from logan.model.priors import prior_of
from logan.model.regen_limit import learned_regen_limit
from tests.twin_drives import build_of

HIDDEN = TwinSensors(without=("brake_switch", "brake_pressure"))


def steps(rng, count=400, *, limit_w=np.inf, efficiency=0.8, noise_w=600.0):
    held_w = rng.uniform(0.0, 70_000.0, count)
    returned_w = np.minimum(efficiency * held_w, limit_w) + rng.normal(0.0, noise_w, count)
    return held_w, returned_w


@given(st.integers(0, 2**31), st.floats(12_000.0, 24_000.0), st.floats(0.6, 0.9))
@settings(deadline=None, max_examples=20)
def test_a_limit_is_found_where_there_is_one(seed, limit_w, efficiency):
    found = learned_regen_limit(*steps(np.random.default_rng(seed), limit_w=limit_w, efficiency=efficiency))
    assert found.value == pytest.approx(limit_w, rel=0.05)
    assert abs(found.value - limit_w) < 4.0 * found.sigma


@given(st.integers(0, 2**31), st.floats(0.6, 0.9))
@settings(deadline=None, max_examples=20)
def test_no_limit_is_made_up(seed, efficiency):
    rng = np.random.default_rng(seed)
    assert learned_regen_limit(*steps(rng, efficiency=efficiency)) is None
    # Friction that takes any share of a stop is no limit either.
    held_w, returned_w = steps(rng, efficiency=efficiency)
    assert learned_regen_limit(held_w, returned_w * rng.uniform(0.2, 1.0, held_w.size)) is None


def test_too_few_hard_stops_show_none():
    held_w, returned_w = steps(np.random.default_rng(1), 7, limit_w=10_000.0)
    assert learned_regen_limit(held_w, returned_w) is None
    assert learned_regen_limit(np.empty(0), np.empty(0)) is None


@pytest.fixture(scope="module")
def hidden_brakes():
    vehicle, rng = TwinVehicle(regen_power_limit_w=18_000.0), np.random.default_rng(3)
    build = build_of(vehicle)
    build = replace(build, powertrain=replace(build.powertrain, regen_power_limit_w=None))
    drives = [
        segment_drive(drive_twin(vehicle, urban_route(rng), rng=rng, sensors=HIDDEN).to_drive(), build, drive_id=name)
        for name in "123"
    ]
    return vehicle, build, drives


def test_hidden_friction_brakes_show_as_a_limit(hidden_brakes):
    vehicle, build, drives = hidden_brakes
    result = fit(prior_of(build), drives, [], build)
    limit_w = vehicle.regen_power_limit_w * vehicle.regen_efficiency_ratio
    assert result.learned.regen_power_limit.value == pytest.approx(limit_w, rel=0.04)
    assert any("went into friction" in words for words in result.warnings)


def test_left_out_drives_are_predicted_with_the_limit_of_the_others(hidden_brakes):
    _, build, drives = hidden_brakes
    assert leave_one_drive_out(prior_of(build), drives, [], build).median_error_ratio < 0.03

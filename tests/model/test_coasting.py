import json
from dataclasses import replace

import numpy as np
import pytest

from logan.demo.routes import mixed_route
from logan.demo.twin import TwinWeather, drive_twin
from logan.model.balance import segment_drive
from logan.model.coasting import coastdown_residual
from logan.model.estimator import fit
from logan.model.priors import prior_of
from logan.model.segments_table import CoastdownLoad, DriveSegments
from logan.model.unknowns import OWN_COUNT, SHARED_COUNT
from logan.results import json_ready
from tests.model.synthetic_segments import shared_truth
from tests.twin_drives import build_of, twin_drive, without

LOAD = CoastdownLoad(
    constant_m_per_s2=0.12, quadratic_per_m=2.6e-4, constant_sigma_ratio=0.03, quadratic_sigma_ratio=0.02,
    air_density_kg_per_m3=1.21, beyond_reference_k=-12.0, warm_up_share_ratio=0.3, warm_up_slope_s2_per_m2=2e-4,
    pair_count=4,
)  # fmt: skip
WHERE = {"payload_kg": 80.0, "rotating_mass_kg": 70.0}

NULL_DIRECTION = np.array([1.0, 1.0, 0.0, 1.0, -1.0, 0.0])
"""Mass, drag area and drive efficiency up, regen efficiency down, by one factor: no pack sees it."""


@pytest.fixture(scope="module")
def coasted():
    twin = twin_drive("coastdown", 3)
    return twin, segment_drive(twin.to_drive(), build_of(twin.vehicle), drive_id="1")


def test_derivatives_equal_finite_differences():
    shared, own = shared_truth(rise=0.2), np.full(OWN_COUNT, 0.05)
    rows = coastdown_residual(LOAD, shared, own, **WHERE)
    point, step = np.concatenate((shared, own)), 1e-6
    for column in range(point.size):
        moved = np.tile(point, (2, 1))
        moved[:, column] += (step, -step)
        ends = [coastdown_residual(LOAD, end[: shared.size], end[shared.size :], **WHERE)[:, 0] for end in moved]
        assert rows[:, 1 + column] == pytest.approx((ends[0] - ends[1]) / (2 * step), abs=1e-6)


def test_a_certified_b_is_part_of_what_coastdowns_show():
    shared, own, at_m_per_s = shared_truth(), np.zeros(OWN_COUNT), 20.0
    loads = []
    for linear in (0.0, 3.0):
        residual = coastdown_residual(LOAD, shared, own, **WHERE, linear_n_s_per_m=linear)[:, 0]
        found = np.exp(residual * (LOAD.constant_sigma_ratio, LOAD.quadratic_sigma_ratio))
        found *= (LOAD.constant_m_per_s2, LOAD.quadratic_per_m)
        loads.append((found[0] + found[1] * at_m_per_s**2) * (1700.0 + 80.0 + 70.0))
    assert loads[1] - loads[0] == pytest.approx(3.0 * at_m_per_s, rel=0.05)


def test_what_coastdowns_show_does_not_move_along_the_null_direction_but_for_rotating_parts():
    shared = shared_truth()
    direction = np.zeros(SHARED_COUNT)
    direction[:6] = NULL_DIRECTION
    scaled = shared + np.log(1.1) * direction
    nothing = {"payload_kg": 0.0, "rotating_mass_kg": 0.0}
    before, after = (coastdown_residual(LOAD, at, np.zeros(OWN_COUNT), **nothing)[:, 0] for at in (shared, scaled))
    assert after == pytest.approx(before, abs=1e-9)


def test_four_pairs_are_found_and_their_load_is_the_twins(coasted):
    twin, drive = coasted
    load = drive.coastdown
    assert load.pair_count == 4
    inertia_kg = twin.vehicle.mass_kg * (1.0 + twin.vehicle.rotating_mass_ratio)
    quadratic = 0.5 * twin.weather.air_density_kg_per_m3 * twin.vehicle.drag_area_m2 / inertia_kg
    assert load.quadratic_per_m == pytest.approx(quadratic, rel=0.03)
    assert 0.0 < load.quadratic_sigma_ratio < 0.03


def test_coasted_segments_take_no_part_again(coasted):
    twin, drive = coasted
    plain = segment_drive(without(twin.to_drive(), "heading", "latitude", "longitude"), build_of(twin.vehicle))
    assert plain.coastdown is None
    assert drive.count < plain.count


def test_coastdowns_pin_the_drag_area_down(coasted):
    twin, drive = coasted
    build = build_of(twin.vehicle)
    route = mixed_route(np.random.default_rng(4), duration_s=1800.0)
    mixed = drive_twin(twin.vehicle, route, rng=np.random.default_rng(5), weather=TwinWeather()).to_drive()
    mixed_segments = segment_drive(mixed, build, drive_id="2")
    prior = prior_of(build)
    found = [fit(prior, [one, mixed_segments], [], build) for one in (drive, replace(drive, coastdown=None))]
    assert found[0].posterior.log_sigma[1] < 0.95 * found[1].posterior.log_sigma[1]
    error = np.log(found[0].posterior.median[1] / twin.vehicle.drag_area_m2)
    assert abs(error) < 2.0 * found[0].posterior.log_sigma[1]


def test_ordinary_driving_holds_no_coastdown():
    twin = twin_drive("mixed", 2)
    assert segment_drive(twin.to_drive(), build_of(twin.vehicle)).coastdown is None


def test_segments_with_coastdowns_survive_storage(coasted):
    drive = coasted[1]
    again = DriveSegments.from_dict(json.loads(json.dumps(json_ready(drive))))
    assert again.coastdown == drive.coastdown

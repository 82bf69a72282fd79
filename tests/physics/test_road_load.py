import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad

from logan.drive_cycles.cycles import load_cycle
from logan.physics.road_load import (
    air_work_integral,
    climbable_grade_ratio,
    coefficient_wheel_work_j,
    kilograms_of_test_weight,
    road_load_force_n,
    si_road_load_coefficients,
    speed_power_integral,
)
from logan.units import METRES_PER_SECOND_PER_MPH

MILE_M = 1609.344


@pytest.mark.published("NIST SP 811 factors on A, B, C of 34.98 / 0.0865 / 0.0148")
def test_road_load_coefficients_convert_to_si():
    assert si_road_load_coefficients(34.98, 0.0865, 0.0148) == pytest.approx((155.5988, 0.860709, 0.329424), rel=1e-5)


@pytest.mark.published("wheel energy of published A, B, C and test weight on 40 CFR 86 App. I schedules, 1 Hz")
@pytest.mark.parametrize(
    ("coefficients", "weight_lb", "cycle", "drive", "brake", "net"),
    [
        ((34.98, 0.0865, 0.0148), 4250, "udds", 220.9, 113.8, 107.1),
        ((34.98, 0.0865, 0.0148), 4250, "hwfet", 181.2, 26.8, 154.4),
        ((34.98, 0.0865, 0.0148), 4250, "us06", 312.6, 119.3, 193.3),
        ((28.99, 0.4592, 0.0111), 4750, "udds", 239.9, 130.1, 109.8),
        ((28.99, 0.4592, 0.0111), 4750, "hwfet", 191.9, 31.1, 160.8),
        ((28.99, 0.4592, 0.0111), 4750, "us06", 335.1, 137.2, 197.9),
        ((6.31, 0.1862, 0.00433), 1340, "udds", 69.6, 36.3, 33.3),
        ((6.31, 0.1862, 0.00433), 1340, "hwfet", 61.6, 8.1, 53.5),
        ((6.31, 0.1862, 0.00433), 1340, "us06", 104.6, 36.5, 68.1),
    ],
)
def test_wheel_energy_of_published_road_loads(coefficients, weight_lb, cycle, drive, brake, net):
    schedule = load_cycle(cycle)
    work_j = coefficient_wheel_work_j(
        schedule.time_s,
        schedule.speed_m_per_s,
        si_road_load_coefficients(*coefficients),
        kilograms_of_test_weight(weight_lb),
    )
    per_mile = 1.0 / 3600.0 / (schedule.distance_m / MILE_M)
    assert np.maximum(work_j, 0.0).sum() * per_mile == pytest.approx(drive, abs=0.06)
    assert np.maximum(-work_j, 0.0).sum() * per_mile == pytest.approx(brake, abs=0.06)
    # The published net is the difference of two rounded numbers.
    assert work_j.sum() * per_mile == pytest.approx(net, abs=0.11)


@pytest.mark.published("1 Hz traces of 40 CFR 86 App. I: integral of v^3, and rises of v^2/2")
@pytest.mark.parametrize(
    ("cycle", "cubed", "kinetic", "standing"),
    [("udds", 2.628604e6, 2098.430, 259), ("hwfet", 8.539652e6, 1164.929, 6), ("us06", 9.923220e6, 2711.710, 45)],
)
def test_golden_functionals_of_the_schedules(cycle, cubed, kinetic, standing):
    schedule = load_cycle(cycle)
    speed = schedule.speed_m_per_s
    integral = speed_power_integral(speed[:-1], speed[1:], np.diff(schedule.time_s), 3).sum()
    assert integral == pytest.approx(cubed, rel=1e-6)
    assert np.maximum(np.diff(speed**2) / 2.0, 0.0).sum() == pytest.approx(kinetic, abs=5e-4)
    assert np.count_nonzero(speed == 0.0) == standing


@given(st.floats(0.0, 50.0), st.floats(0.0, 50.0), st.floats(0.1, 10.0), st.integers(1, 4))
@settings(deadline=None, max_examples=60)
def test_integral_of_a_power_of_straight_speed_is_exact(before, after, step_s, power):
    ends = np.array([before]), np.array([after]), np.array([step_s])
    reference, _ = quad(lambda share: (before + (after - before) * share) ** power * step_s, 0.0, 1.0)
    assert speed_power_integral(*ends, power)[0] == pytest.approx(reference, rel=1e-9, abs=1e-9)


@given(st.floats(5.0, 40.0), st.floats(5.0, 40.0), st.floats(-4.9, 20.0))
@settings(deadline=None, max_examples=60)
def test_air_work_in_a_headwind_is_exact(before, after, wind):
    reference, _ = quad(lambda x: (before + (after - before) * x + wind) ** 2 * (before + (after - before) * x), 0, 1)
    found = air_work_integral(*(np.array([value]) for value in (before, after, 1.0, wind, 0.0)))[0]
    assert found == pytest.approx(reference, rel=1e-9)


def test_a_tailwind_faster_than_the_vehicle_pushes():
    work = air_work_integral(*(np.array([value]) for value in (5.0, 5.0, 1.0, -9.0, 0.0)))[0]
    assert work == pytest.approx(-(4.0**2) * 5.0)


def test_both_directions_in_wind_cost_more_than_still_air_by_the_square():
    speed, wind = 29.06, 3.0
    ends = [np.array([speed]), np.array([speed]), np.array([1.0])]
    with_wind = [air_work_integral(*ends, np.array([w]), np.zeros(1))[0] for w in (wind, -wind)]
    still = air_work_integral(*ends, np.zeros(1), np.zeros(1))[0]
    assert np.mean(with_wind) / still - 1.0 == pytest.approx((wind / speed) ** 2, rel=1e-9)


@pytest.mark.published("103.1325 lbf costs 205.082 Wh per mile; NIST SP 811 factors")
def test_a_steady_force_costs_force_times_distance():
    coefficients = si_road_load_coefficients(103.1325, 0.0, 0.0)
    work_j = coefficient_wheel_work_j(np.array([0.0, 100.0]), np.full(2, MILE_M / 100.0), coefficients, 1000.0)
    assert work_j.sum() / 3600.0 == pytest.approx(205.082, abs=5e-4)


def test_a_grade_adds_its_weight_component():
    common = {"mass_kg": 2000.0, "rolling_coefficient": 0.01, "drag_area_m2": 1.0, "air_density_kg_per_m3": 1.2}
    speed = np.array([55.0 * METRES_PER_SECOND_PER_MPH])
    level, hill = road_load_force_n(speed, **common), road_load_force_n(speed, **common, grade_ratio=0.06)
    assert hill - level == pytest.approx(2000.0 * 9.80665 * 0.06, rel=2e-3)


@given(st.floats(0.0, 0.6), st.floats(0.005, 0.03))
@settings(deadline=None, max_examples=50)
def test_climbable_grade_inverts_the_force_that_a_grade_needs(grade, rolling):
    force = road_load_force_n(
        np.zeros(1),
        mass_kg=1500.0,
        rolling_coefficient=rolling,
        drag_area_m2=0.0,
        air_density_kg_per_m3=1.2,
        grade_ratio=grade,
    )
    assert climbable_grade_ratio(force, 1500.0, rolling)[0] == pytest.approx(grade, abs=1e-9)


def test_a_force_below_rolling_resistance_climbs_nothing():
    assert np.isnan(climbable_grade_ratio(np.array([10.0]), 1500.0, 0.01)[0])

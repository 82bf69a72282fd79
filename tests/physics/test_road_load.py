import numpy as np
import pytest
from hypothesis import given, settings, strategies as st
from scipy.integrate import quad

from logan.drive_cycles.cycles import load_cycle
from logan.physics.road_load import (
    air_work_integral,
    climbable_grade_ratio,
    road_load_force_n,
    speed_power_integral,
)
from logan.units import METRES_PER_SECOND_PER_MPH

MILE_M = 1609.344


@pytest.mark.recomputed("1 Hz tables of 40 CFR 86 and 600: integral of v^3, and rises of v^2/2")
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

import numpy as np
import pytest
from hypothesis import given, settings, strategies as st

from logan.physics.powertrain import motor_speed_rad_per_s, peak_wheel_force_n, road_speed_m_per_s, wheel_force_n
from logan.units import METRES_PER_INCH, METRES_PER_SECOND_PER_MPH, RADIANS_PER_SECOND_PER_RPM


def top_mph(rpm, ratio, circumference_m):
    return road_speed_m_per_s(rpm * RADIANS_PER_SECOND_PER_RPM, ratio, circumference_m) / METRES_PER_SECOND_PER_MPH


@pytest.mark.recomputed("by hand: 8000 rpm, 9.04 to 1, 2.30 m -> 75.88 mph")
def test_road_speed_from_motor_speed():
    assert top_mph(8000.0, 9.04, 2.30) == pytest.approx(75.88, abs=0.005)


@pytest.mark.common_practice("37 to 1 on a 31-inch tyre near 45 mph, 14.4 to 1 past 100 mph")
def test_common_practice_top_speeds_at_18000_rpm():
    round_m = np.pi * 31.0 * METRES_PER_INCH
    assert top_mph(18_000.0, 37.0, round_m) == pytest.approx(45.0, abs=1.0)
    assert top_mph(18_000.0, 14.4, round_m) > 100.0


@given(st.floats(0.0, 70.0), st.floats(1.0, 60.0), st.floats(1.2, 3.0))
@settings(deadline=None, max_examples=50)
def test_motor_speed_and_road_speed_undo_each_other(speed, ratio, circumference):
    shaft = motor_speed_rad_per_s(speed, ratio, circumference)
    assert road_speed_m_per_s(shaft, ratio, circumference) == pytest.approx(speed, abs=1e-9)


@given(st.floats(1.0, 500.0), st.floats(1.0, 60.0), st.floats(1.2, 3.0), st.floats(0.5, 60.0))
@settings(deadline=None, max_examples=50)
def test_ideal_gears_keep_power(torque, ratio, circumference, speed):
    wheel_w = wheel_force_n(torque, ratio, circumference) * speed
    assert wheel_w == pytest.approx(torque * motor_speed_rad_per_s(speed, ratio, circumference), rel=1e-12)


def test_peak_force_is_torque_then_power_then_nothing():
    limits = {
        "max_torque_nm": 300.0,
        "max_power_w": 100e3,
        "max_speed_rad_per_s": 1000.0,
        "total_ratio": 10.0,
        "rolling_circumference_m": 2 * np.pi * 0.3,
    }
    force = peak_wheel_force_n(np.array([0.0, 5.0, 20.0, 30.0, 31.0]), **limits)
    assert force[:2] == pytest.approx([10_000.0, 10_000.0])
    assert force[2:4] == pytest.approx([5_000.0, 100e3 / 30.0])
    assert force[4] == 0.0

import dataclasses

import numpy as np
import pytest

from logan.driving_range.performance import gearing_sheet
from logan.model.conditions import Conditions
from logan.model.priors import prior_of
from logan.results import Estimate
from logan.settings import GearingChoice, MotorSettings, PlanningValue, Reduction
from logan.units import METRES_PER_INCH, METRES_PER_SECOND_PER_MPH
from tests.builds import example_build


def chain(ratio):
    return GearingChoice(name=f"{ratio} to 1", reductions=(Reduction(name="all", ratio=ratio),))


def box(**changes):
    """The boxy four-wheel drive of the planning table: 2200 kg, 1.25 m2, 0.012, 0.87, 600 W, 31-inch tyre."""
    build = example_build()
    vehicle = dataclasses.replace(
        build.vehicle,
        mass_kg=PlanningValue(2200.0, 1.0),
        drag_area_m2=PlanningValue(1.25, 0.01),
        rolling_coefficient=PlanningValue(0.012, 1e-4),
        tyre_rolling_circumference_m=PlanningValue(np.pi * 31 * METRES_PER_INCH, 0.0),
    )
    motor = MotorSettings(max_speed_rpm=18_000.0, max_torque_nm=400.0, max_power_w=200e3, **changes)
    powertrain = dataclasses.replace(build.powertrain, gearing=chain(37.0), alternatives=(chain(14.4),), motor=motor)
    auxiliary = dataclasses.replace(build.auxiliary, base_power_w=PlanningValue(600.0, 1.0))
    pack = dataclasses.replace(build.pack, discharge_current_limit_a=700.0)
    return dataclasses.replace(build, vehicle=vehicle, powertrain=powertrain, auxiliary=auxiliary, pack=pack)


def sheet(build, **changes):
    air = Conditions(ambient_temperature_degc=25.0, pressure_pa=1.2 * 287.058 * 298.15, relative_humidity_ratio=0.0)
    return gearing_sheet(build, prior_of(build), **{"conditions": air} | changes)


@pytest.mark.published("common practice, no source: 37 to 1 on a 31-inch tyre near 45 mph, 14.4 to 1 past 100 mph")
def test_top_speeds_that_common_practice_knows():
    crawler, road = sheet(box()).choices
    assert crawler.top_speed_m_per_s / METRES_PER_SECOND_PER_MPH == pytest.approx(45.0, abs=1.0)
    assert crawler.top_speed_m_per_s == crawler.top_speed_by_motor_speed_m_per_s
    assert road.top_speed_m_per_s / METRES_PER_SECOND_PER_MPH > 100.0


@pytest.mark.published("computed from first principles: 6 % at 55 mph takes 49.3 kW at the wheels, 57.2 kW at the pack")
def test_battery_power_on_a_six_percent_grade():
    road = sheet(box()).choices[1]
    assert road.hill_battery_power_w == pytest.approx(57.2e3, abs=120.0)
    assert road.hill_shaft_power_w * 0.97 == pytest.approx(49.3e3, abs=100.0)
    assert road.hill_is_within_peak
    assert not sheet(box()).choices[0].hill_is_within_peak


def test_a_shorter_gear_pulls_harder_and_stops_sooner():
    crawler, road = sheet(box()).choices
    assert crawler.launch_force_without_grip_n > road.launch_force_without_grip_n
    assert crawler.sprint_s is None
    assert road.sprint_s is not None
    for slow, fast in zip(crawler.cruise, road.cruise, strict=True):
        assert slow.motor_speed_ratio == pytest.approx(slow.motor_speed_rad_per_s / (18_000 * 2 * np.pi / 60))
        assert slow.motor_speed_rad_per_s > fast.motor_speed_rad_per_s
        assert slow.battery_power_level_w == pytest.approx(fast.battery_power_level_w)
        if slow.motor_speed_ratio > 1.0:
            assert slow.climbable_grade_ratio is None


def test_grip_limits_the_launch():
    crawler = sheet(box()).choices[0]
    assert crawler.sprint_is_grip_limited
    assert crawler.launch_force_n == pytest.approx(0.8 * 0.55 * 2200.0 * 9.80665)
    assert crawler.launch_wheel_torque_nm == pytest.approx(400.0 * 37.0 * 0.97)


def test_sprint_with_constant_force_is_mass_times_speed_over_force():
    build = box()
    strong = dataclasses.replace(
        build,
        vehicle=dataclasses.replace(
            build.vehicle,
            drag_area_m2=PlanningValue(1e-6, 0.0),
            rolling_coefficient=PlanningValue(1e-6, 0.0),
            wheel_inertia_kg_m2=0.0,
        ),
        powertrain=dataclasses.replace(
            build.powertrain,
            gearing=chain(10.0),
            motor=MotorSettings(max_speed_rpm=50_000.0, max_torque_nm=300.0, max_power_w=5e6, rotor_inertia_kg_m2=0.0),
        ),
        pack=dataclasses.replace(build.pack, discharge_current_limit_a=None, resistance_ohm=PlanningValue(1e-4, 0.0)),
    )
    found = sheet(strong).choices[0]
    assert not found.sprint_is_grip_limited
    expected = 2200.0 * 60.0 * METRES_PER_SECOND_PER_MPH / found.launch_force_n
    assert found.sprint_s == pytest.approx(expected, rel=1e-4)


def test_a_continuous_rating_says_how_fast_a_hill_is_held_for_ever():
    rated = sheet(box(continuous_power_w=40e3)).choices[1]
    assert rated.continuous_source == "motor datasheet"
    assert rated.continuous_battery_power_w == pytest.approx(40e3 * 0.97 / 0.87 + 600.0)
    assert rated.hill_continuous_ratio > 1.0
    assert rated.hill_continuous_speed_m_per_s < 55.0 * METRES_PER_SECOND_PER_MPH
    again = sheet(box(continuous_power_w=40e3), thermal_limit=Estimate(rated.hill_battery_power_w, "W", 1.0, "fitted"))
    assert again.choices[1].continuous_source == "fitted"
    assert again.choices[1].hill_continuous_ratio == pytest.approx(1.0)
    held = again.choices[1].hill_continuous_speed_m_per_s
    assert held == pytest.approx(55.0 * METRES_PER_SECOND_PER_MPH, abs=0.01)


def test_without_a_rating_there_is_no_limit_given():
    bare = sheet(box()).choices[1]
    assert bare.continuous_battery_power_w is None
    assert bare.continuous_source == "no limit given"
    assert bare.hill_continuous_ratio is None
    assert bare.hill_continuous_speed_m_per_s is None
    open_pack = dataclasses.replace(box(), pack=dataclasses.replace(box().pack, discharge_current_limit_a=None))
    assert sheet(open_pack).pack_power_limit_w is None


def test_a_weak_pack_limits_the_top_speed():
    weak = dataclasses.replace(box(), pack=dataclasses.replace(box().pack, discharge_current_limit_a=100.0))
    strong, limited = sheet(box()).choices[1], sheet(weak).choices[1]
    assert limited.top_speed_by_power_m_per_s < strong.top_speed_by_power_m_per_s
    assert limited.top_speed_m_per_s == limited.top_speed_by_power_m_per_s


def test_payload_needs_more_power_on_the_hill():
    loaded = sheet(box(), conditions=Conditions(payload_kg=400.0))
    assert loaded.mass_kg == pytest.approx(2600.0)
    empty = sheet(box(), conditions=Conditions())
    assert loaded.choices[1].hill_battery_power_w > empty.choices[1].hill_battery_power_w

import dataclasses

import numpy as np
import pytest

from logan.demo.routes import mixed_route
from logan.demo.twin import TwinVehicle, drive_twin
from logan.drive.drive import Channel, Drive, DriveConditions
from logan.errors import NotEnoughDataError
from logan.model.forward import consumption, consumption_wh_per_km
from logan.model.parameters import Conditions
from logan.model.priors import prior_of
from logan.model.schedule import Schedule, conditions_of_drive, replay_of
from logan.settings import MotorSettings, PlanningValue
from tests.builds import example_build

BUILD = example_build()
MEDIAN = prior_of(BUILD).median


def drive_of(conditions=None, **channels):
    found = {name: Channel(name=name, time_s=time_s, value=value) for name, (time_s, value) in channels.items()}
    return Drive(channels=found, conditions=conditions or DriveConditions())


def rolling_country(rate_hz=10.0, duration_s=600.0):
    time_s = np.arange(0.0, duration_s, 1.0 / rate_hz)
    return time_s, 18.0 + 6.0 * np.sin(2 * np.pi * time_s / 90.0)


def test_a_twin_is_predicted_from_its_own_truth_within_two_percent():
    vehicle = TwinVehicle()
    radius_m = vehicle.tyre_rolling_circumference_m / (2 * np.pi)
    inertia = vehicle.rotating_mass_ratio * vehicle.mass_kg * radius_m**2
    build = dataclasses.replace(
        BUILD,
        vehicle=dataclasses.replace(
            BUILD.vehicle,
            wheel_inertia_kg_m2=inertia,
            tyre_rolling_circumference_m=PlanningValue(vehicle.tyre_rolling_circumference_m, 0.0),
        ),
        powertrain=dataclasses.replace(
            BUILD.powertrain,
            regen_power_limit_w=vehicle.regen_power_limit_w,
            motor=MotorSettings(max_speed_rpm=1e4, max_torque_nm=300.0, max_power_w=1e5, rotor_inertia_kg_m2=0.0),
        ),
        pack=dataclasses.replace(BUILD.pack, charge_current_limit_a=None),
    )
    truth = np.array(
        [
            vehicle.mass_kg,
            vehicle.drag_area_m2,
            vehicle.rolling_coefficient,
            vehicle.drive_efficiency_ratio,
            vehicle.regen_efficiency_ratio,
            vehicle.auxiliary_power_w,
        ]
    )
    rng = np.random.default_rng(4)
    driven = drive_twin(vehicle, mixed_route(rng, duration_s=900.0), rng=rng)
    replay = replay_of(driven.to_drive())
    conditions = dataclasses.replace(replay.conditions, cabin_climate=False, auxiliary_power_w=None)
    found = consumption(replay.schedule, conditions, truth, build)
    assert replay.schedule.distance_m == pytest.approx(driven.distance_m, rel=2e-3)
    assert found.total_wh_per_km[0] * found.distance_m / 1000.0 == pytest.approx(driven.net_wh, rel=0.02)


def test_noise_of_the_speed_sensor_does_not_pump_energy():
    time_s, speed = rolling_country()
    noisy = speed + 0.08 * np.random.default_rng(1).standard_normal(speed.size)
    clean, disturbed = (replay_of(drive_of(speed=(time_s, value))).schedule for value in (speed, noisy))
    used = [consumption_wh_per_km(schedule, Conditions(), MEDIAN, BUILD)[0] for schedule in (clean, disturbed)]
    naive = Schedule(name="raw", time_s=time_s, speed_m_per_s=np.maximum(noisy, 0.0))
    raw = consumption_wh_per_km(naive, Conditions(), MEDIAN, BUILD)[0]
    assert used[1] == pytest.approx(used[0], rel=0.01)
    assert raw > 1.05 * used[0]


def test_replay_keeps_the_distance_and_the_energy_of_a_clean_trace():
    time_s, speed = rolling_country()
    schedule = replay_of(drive_of(speed=(time_s, speed))).schedule
    whole = Schedule(name="raw", time_s=time_s, speed_m_per_s=speed)
    assert schedule.distance_m == pytest.approx(whole.distance_m, rel=2e-3)
    used = [consumption_wh_per_km(case, Conditions(), MEDIAN, BUILD)[0] for case in (schedule, whole)]
    assert used[0] == pytest.approx(used[1], rel=5e-3)


def test_a_gap_is_left_out_and_not_driven_across():
    time_s, speed = rolling_country()
    kept = (time_s < 200.0) | (time_s > 320.0)
    schedule = replay_of(drive_of(speed=(time_s[kept], speed[kept]))).schedule
    assert schedule.duration_s == pytest.approx(480.0, abs=3.0)
    assert schedule.distance_m == pytest.approx(
        Schedule(name="x", time_s=time_s, speed_m_per_s=speed, is_usable=kept[1:] & kept[:-1]).distance_m, rel=0.01
    )


def test_noise_of_heights_is_not_climbed():
    time_s, speed = rolling_country()
    noise = 2.0 * np.random.default_rng(2).standard_normal(time_s.size)
    schedule = replay_of(drive_of(speed=(time_s, speed), elevation=(time_s, 100.0 + noise))).schedule
    steps = np.diff(schedule.elevation_m)
    assert steps[steps > 0].sum() < 5.0


def test_a_grade_channel_stands_in_for_heights():
    time_s = np.arange(0.0, 600.0, 1.0)
    schedule = replay_of(drive_of(speed=(time_s, np.full(600, 20.0)), grade=(time_s, np.full(600, 0.03)))).schedule
    assert schedule.elevation_m[-1] == pytest.approx(0.03 * schedule.distance_m, rel=1e-3)


def test_headings_turn_the_short_way_round():
    time_s = np.arange(0.0, 600.0, 1.0)
    heading = np.where(time_s < 300.0, 350.0, 10.0)
    schedule = replay_of(drive_of(speed=(time_s, np.full(600, 20.0)), heading=(time_s[::7], heading[::7]))).schedule
    distance = np.minimum(schedule.heading_deg, 360.0 - schedule.heading_deg)
    assert distance.max() <= 10.0 + 1e-9


def test_conditions_come_from_channels_then_notes_then_assumption():
    time_s, speed = rolling_country()
    noted = DriveConditions(ambient_temperature_degc=3.0, payload_kg=120.0, wind_m_per_s=4.0, wind_from_deg=270.0)
    plain, assumed = conditions_of_drive(drive_of(speed=(time_s, speed)))
    assert plain.ambient_temperature_degc == 20.0
    assert "ambient 20\u202f°C assumed" in assumed
    found, assumed = conditions_of_drive(drive_of(noted, speed=(time_s, speed)))
    assert (found.ambient_temperature_degc, found.payload_kg) == (3.0, 120.0)
    assert (found.wind_m_per_s, found.wind_from_deg) == (4.0, 270.0)
    assert "ambient 20\u202f°C assumed" not in assumed
    measured = drive_of(
        noted,
        ambient_temperature=(np.array([0.0, 600.0]), np.array([8.0, 10.0])),
        auxiliary_power=(np.array([0.0, 600.0]), np.array([500.0, 700.0])),
        state_of_charge=(np.array([0.0, 600.0]), np.array([0.97, 0.90])),
    )
    found, _ = conditions_of_drive(measured)
    assert found.ambient_temperature_degc == pytest.approx(9.0)
    assert found.auxiliary_power_w == pytest.approx(600.0)
    assert found.state_of_charge_ratio == pytest.approx(0.935)


def test_air_pressure_follows_the_height_where_nobody_measured_it():
    time_s, speed = rolling_country()
    high = drive_of(speed=(time_s, speed), elevation=(time_s, np.full(time_s.shape, 1500.0)))
    found, assumed = conditions_of_drive(high)
    assert found.pressure_pa == pytest.approx(84_556.0, abs=5.0)
    assert "air pressure assumed from height" in assumed


def test_a_drive_without_speed_or_distance_is_refused():
    time_s = np.arange(0.0, 60.0)
    with pytest.raises(NotEnoughDataError, match="no speed"):
        replay_of(drive_of(pack_voltage=(time_s, time_s)))
    with pytest.raises(NotEnoughDataError, match="no speed"):
        replay_of(drive_of(speed=(time_s, np.full(60, np.nan))))
    with pytest.raises(NotEnoughDataError, match=r"covers 59\sm"):
        replay_of(drive_of(speed=(time_s, np.ones(60))))

from dataclasses import replace

import numpy as np
import pytest

from logan.drive.drive import DriveConditions
from logan.drive.wheel_work import effective_mass_kg, vehicle_mass_kg, wheel_work
from logan.physics.air import air_density_kg_per_m3
from logan.settings import PlanningValue
from tests.builds import example_build
from tests.twin_drives import made_drive

BUILD = example_build()
TIME_S = np.arange(0.0, 200.0, 0.5)


def climb_drive(**fields):
    return made_drive(
        ("speed", TIME_S, 10.0 + 0.05 * TIME_S),
        ("elevation", TIME_S, 100.0 + 0.3 * TIME_S),
        ("ambient_temperature", TIME_S, np.full(TIME_S.shape, 25.0)),
        **fields,
    )


def test_every_cause_in_closed_form():
    work = wheel_work(climb_drive(), BUILD)
    mass = BUILD.vehicle.mass_kg.value
    end_s, end = float(TIME_S[-1]), 10.0 + 0.05 * float(TIME_S[-1])
    distance = 10.0 * end_s + 0.025 * end_s**2
    density = air_density_kg_per_m3(25.0, 100_000.0, 0.5)
    assert work.distance_m.sum() == pytest.approx(distance)
    assert work.rolling_j.sum() == pytest.approx(mass * 9.80665 * 0.0105 * distance)
    assert work.hills_j.sum() == pytest.approx(mass * 9.80665 * 0.3 * end_s)
    assert work.kinetic_j.sum() == pytest.approx(0.5 * effective_mass_kg(climb_drive(), BUILD) * (end**2 - 10.0**2))
    # The integral of v³ for speed that rises straight is (v1⁴ - v0⁴) / (4 a).
    drag = 0.5 * density * 1.0 * (end**4 - 10.0**4) / (4 * 0.05)
    assert work.air_j.sum() == pytest.approx(drag, rel=0.02)
    assert work.total_j.sum() == pytest.approx(
        sum(p.sum() for p in (work.rolling_j, work.air_j, work.kinetic_j, work.hills_j))
    )


def test_payload_and_rotating_parts_count():
    loaded = climb_drive(conditions=DriveConditions(payload_kg=150.0))
    assert vehicle_mass_kg(loaded, BUILD) == 1950.0
    radius = 2.0 / (2 * np.pi)
    assert effective_mass_kg(loaded, BUILD) == pytest.approx(1950.0 + (4.0 + 0.05 * 9.0**2) / radius**2)


def test_a_headwind_costs_and_a_tailwind_helps():
    drive = climb_drive()
    wind = replace(drive["speed"], name="headwind", value=np.full(TIME_S.shape, 4.0))
    still, against = wheel_work(drive, BUILD), wheel_work(drive.with_channels(wind), BUILD)
    behind = wheel_work(drive.with_channels(replace(wind, value=-wind.value)), BUILD)
    assert behind.air_j.sum() < still.air_j.sum() < against.air_j.sum()
    assert "still air assumed: no wind is known" in still.notes
    assert "still air assumed: no wind is known" not in against.notes


def test_gaps_in_speed_do_no_work():
    keep = (TIME_S < 50.0) | (TIME_S > 150.0)
    drive = made_drive(("speed", TIME_S[keep], np.full(int(keep.sum()), 20.0)))
    work = wheel_work(drive, BUILD)
    gap = int(np.argmax(np.diff(work.time_s)))
    assert work.distance_m[gap] == 0.0
    assert work.rolling_j[gap] == 0.0
    assert work.height_sigma_m is None


def test_without_speed_there_is_no_work():
    assert wheel_work(made_drive(("marker", TIME_S, TIME_S)), BUILD) is None
    assert wheel_work(made_drive(("speed", TIME_S, np.full(TIME_S.shape, np.nan))), BUILD) is None


def test_a_height_that_drifts_while_standing_climbs_no_hill():
    """A stop of 100 s on a road that rises by 3 m before and 3 m after it; the barometer wanders by 5 m meanwhile."""
    speed = np.where((TIME_S >= 50.0) & (TIME_S <= 150.0), 0.0, 10.0)
    truth = np.interp(TIME_S, [0.0, 50.0, 150.0, 200.0], [100.0, 103.0, 103.0, 106.0])
    wander = np.where(speed == 0.0, 5.0 * np.sin(TIME_S / 20.0), 0.0)
    drive = made_drive(("speed", TIME_S, speed), ("elevation", TIME_S, truth + wander))
    work = wheel_work(drive, BUILD)
    standing = (work.speed_m_per_s[1:] == 0.0) & (work.speed_m_per_s[:-1] == 0.0)
    assert np.abs(work.hills_j[standing]).max() == 0.0
    weight_n = BUILD.vehicle.mass_kg.value * 9.80665
    assert work.hills_j.sum() == pytest.approx(weight_n * 5.7, rel=0.1)


def test_what_drives_taught_of_tires_and_driveline_in_closed_form():
    """At a steady 20 m/s and 25 °C: (v² - v80²)/v65² of the rise, e-folding of 600 s, and F0 + (F1 + B) v."""
    time_s = np.arange(0.0, 1200.5, 0.5)
    drive = made_drive(("speed", time_s, np.full(time_s.shape, 20.0)), ("ambient_temperature", time_s, time_s * 0 + 25))
    taught = replace(
        BUILD,
        vehicle=replace(
            BUILD.vehicle, rolling_rise_ratio=PlanningValue(0.1, 0.0), warm_up_rise_ratio=PlanningValue(0.3, 0.0),
            linear_road_load_n_s_per_m=PlanningValue(0.5, 0.0),
        ),
        powertrain=replace(
            BUILD.powertrain, driveline_drag_n=PlanningValue(30.0, 0.0), driveline_n_s_per_m=PlanningValue(0.6, 0.0)
        ),
    )  # fmt: skip
    planned, work = wheel_work(drive, BUILD), wheel_work(drive, taught)
    assert planned.driveline_j.sum() == 0.0
    assert work.driveline_j.sum() == pytest.approx((30.0 + 1.1 * 20.0) * 24_000.0)
    # The log begins at speed: five minutes of warming lie behind it.
    warm = 0.3 * 600.0 / 1200.0 * (np.exp(-0.5) - np.exp(-2.5))
    rise = 0.1 * (400.0 - (80 / 3.6) ** 2) / (65 * 0.44704) ** 2
    assert work.rolling_j.sum() / planned.rolling_j.sum() == pytest.approx(1.0 + rise + warm, rel=1e-3)
    assert work.total_j.sum() - planned.total_j.sum() == pytest.approx(
        work.driveline_j.sum() + work.rolling_j.sum() - planned.rolling_j.sum()
    )


def test_short_stretches_believe_a_height_as_far_as_it_is_known():
    """A meter's jump of a satellite's height is spread over a minute; a height known to a centimeter stays as it is."""
    time_s = np.arange(0.0, 200.5, 0.5)
    jump = ("elevation", time_s, np.where(time_s < 100.0, 50.0, 51.0))
    drive = made_drive(("speed", time_s, np.full(time_s.shape, 15.0)), jump)
    weight = BUILD.vehicle.mass_kg.value * 9.80665

    def climbed_m(sigma_m, *at_s):
        known = drive.with_channels(replace(drive["elevation"], sigma=sigma_m))
        work = wheel_work(known, BUILD)
        return np.interp(at_s, work.time_s, work.climbed_j) / weight

    assert climbed_m(3.0, 70.0, 85.0, 100.0, 130.0) == pytest.approx([0.0, 0.25, 0.5, 1.0], abs=0.02)
    assert climbed_m(0.01, 99.0, 101.0) == pytest.approx([0.0, 1.0], abs=1e-6)

from dataclasses import replace

import numpy as np
import pytest

from logan.drive.drive import DriveConditions
from logan.drive.wheel_work import effective_mass_kg, vehicle_mass_kg, wheel_work
from logan.physics.air import air_density_kg_per_m3
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
    assert work.kinetic_j.sum() == pytest.approx(0.5 * work.effective_mass_kg * (end**2 - 10.0**2))
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

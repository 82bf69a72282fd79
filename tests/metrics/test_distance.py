import numpy as np
import pytest

from logan.metrics.energy import driven_distance
from logan.results import Refusal
from tests.twin_drives import made_drive

TIME_S = np.arange(0.0, 600.0, 0.2)


def test_distance_and_moving_time_come_from_speed():
    speed = np.where(TIME_S < 300.0, 10.0, 0.0)
    distance = driven_distance(made_drive(("speed", TIME_S, speed)))
    assert distance.distance_m.value == pytest.approx(3000.0, abs=2.0)
    assert distance.moving_s == pytest.approx(300.0, abs=0.5)
    assert distance.source == "speed"


def test_satellite_speed_is_surer_than_a_wheels():
    speed = np.full(TIME_S.shape, 10.0)
    satellite = driven_distance(made_drive(("gnss_speed", TIME_S, speed)))
    own = driven_distance(made_drive(("speed", TIME_S, speed)))
    assert satellite.distance_m.sigma < own.distance_m.sigma


def test_the_odometer_stands_in_where_speed_has_a_hole():
    holed = TIME_S[(TIME_S < 100.0) | (TIME_S > 300.0)]
    odometer = np.floor(10.0 * TIME_S / 100.0) * 100.0
    drive = made_drive(("speed", holed, np.full(holed.shape, 10.0)), ("odometer", TIME_S, odometer))
    assert driven_distance(drive).source == "odometer"
    assert driven_distance(drive).distance_m.value == pytest.approx(5900.0)
    refused = driven_distance(made_drive(("speed", holed, np.full(holed.shape, 10.0)), ("marker", TIME_S, TIME_S)))
    assert isinstance(refused.distance_m, Refusal)
    assert "67 %" in refused.distance_m.reason


def test_without_speed_and_odometer_distance_is_refused():
    assert isinstance(driven_distance(made_drive(("marker", TIME_S, TIME_S))).distance_m, Refusal)

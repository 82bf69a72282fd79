import numpy as np
import pytest

from logan.drive.drive import STATION_WIND_FACTOR, DriveConditions, air_of, headwind_at, height_along, road_speed
from logan.physics.air import air_density_kg_per_m3
from tests.twin_drives import made_drive

TIME_S = np.arange(0.0, 100.0, 0.5)


def constant(name, value):
    return name, TIME_S, np.full(TIME_S.shape, value)


def test_the_vehicles_own_speed_comes_before_the_satellites():
    assert road_speed(made_drive(constant("gnss_speed", 1.0), constant("speed", 2.0))).name == "speed"
    assert road_speed(made_drive(constant("gnss_speed", 1.0))).name == "gnss_speed"
    assert road_speed(made_drive(constant("marker", 1.0))) is None


def test_height_comes_from_elevation_or_from_grade_over_distance():
    logged = height_along(made_drive(("elevation", TIME_S, 100.0 + TIME_S)))
    assert (logged.source, float(logged.at(np.array([10.0]))[0])) == ("elevation", 110.0)
    summed = height_along(made_drive(constant("speed", 20.0), constant("grade", 0.05)))
    assert summed.source == "grade"
    assert float(summed.at(np.array([50.0]))[0]) == pytest.approx(20.0 * 0.05 * 50.0)
    assert height_along(made_drive(constant("speed", 20.0))) is None


def test_air_is_what_was_logged_then_noted_then_assumed():
    drive = made_drive(constant("ambient_temperature", 5.0), conditions=DriveConditions(pressure_pa=95_000.0))
    air = air_of(drive)
    assert (air.temperature_degc, air.pressure_pa, air.relative_humidity_ratio) == (5.0, 95_000.0, 0.5)
    assert air.assumed == ("relative humidity 50 %",)
    assert air.density_kg_per_m3 == pytest.approx(air_density_kg_per_m3(5.0, 95_000.0, 0.5))


@pytest.mark.recomputed("with the package ambiance 1.3.1: 1609.344 m above sea level, 83431.8 Pa")
def test_pressure_is_that_of_the_height_where_only_height_is_known():
    air = air_of(made_drive(constant("elevation", 1609.344)))
    assert air.pressure_pa == pytest.approx(83_431.8, rel=1e-4)
    assert "standard air pressure at this height" in air.assumed


def test_station_wind_is_turned_to_the_course_and_brought_down_to_the_road():
    noted = DriveConditions(wind_m_per_s=5.0, wind_from_deg=90.0)
    east = headwind_at(made_drive(constant("heading", 90.0), conditions=noted), TIME_S)
    assert east == pytest.approx(np.full(TIME_S.shape, 5.0 * STATION_WIND_FACTOR))
    west = headwind_at(made_drive(constant("heading", 270.0), conditions=noted), TIME_S)
    assert west == pytest.approx(-east)
    assert headwind_at(made_drive(constant("heading", 90.0)), TIME_S) is None
    assert headwind_at(made_drive(constant("headwind", 2.0)), TIME_S) == pytest.approx(np.full(TIME_S.shape, 2.0))


def test_a_sensor_that_reads_what_no_air_can_be_is_not_believed():
    air = air_of(made_drive(constant("ambient_temperature", 3000.0), constant("barometric_pressure", -5.0)))
    assert (air.temperature_degc, air.pressure_pa) == (20.0, pytest.approx(101_325.0))
    assert "ambient 20\u202f°C" in air.assumed

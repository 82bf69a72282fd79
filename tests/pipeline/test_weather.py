from datetime import UTC, datetime

import pytest

from logan.errors import UsageError
from logan.pipeline.notes import noted, with_passengers
from logan.pipeline.weather import station_weather

TABLE = """time,wind [mph],wind_from [deg],temperature [°F],pressure [hPa],humidity [%]
2026-05-03T13:00,4,270,66,1011,40
2026-05-03T14:00,10,250,68,1010,50
2026-05-03T15:00+00:00,14,240,,1009,
"""
START = datetime(2026, 5, 3, 13, 45, tzinfo=UTC)


@pytest.fixture
def table(tmp_path):
    path = tmp_path / "station.csv"
    path.write_text(TABLE, encoding="utf-8")
    return path


def test_the_hour_nearest_the_middle_of_the_drive_is_taken_in_its_units(table):
    found = station_weather(table, START, 1800.0)
    assert found["wind_m_per_s"] == pytest.approx(10 * 0.44704)
    assert found["wind_from_deg"] == 250.0
    assert found["ambient_temperature_degc"] == pytest.approx(20.0)
    assert found["pressure_pa"] == pytest.approx(101_000.0)
    assert found["relative_humidity_ratio"] == pytest.approx(0.5)
    assert noted(None, **found).wind_from_deg == 250.0


def test_a_blank_cell_is_not_known(table):
    assert set(station_weather(table, START, 7200.0)) == {"wind_m_per_s", "wind_from_deg", "pressure_pa"}


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        ("time,wind [mph]\n2026-05-04T14:00,9\n", "within 90 minutes"),
        ("when,wind\n1,2\n", "no row with a time"),
        ("time,wind [mph]\n2026-05-03T14:00,calm\n", "cannot read 'calm'"),
        ("time,wind [furlong]\n2026-05-03T14:00,9\n", "cannot read '9'"),
        ("time,rain\n2026-05-03T14:00,9\n", "none of the columns"),
        ("time,station,wind [mph]\n2026-05-03T14:00,A,9\n2026-05-03T14:00,B,2\n", "several stations"),
    ],
)
def test_a_table_that_cannot_be_used_is_refused_with_its_reason(tmp_path, text, problem):
    path = tmp_path / "station.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(UsageError, match=problem):
        station_weather(path, START, 600.0)


def test_a_drive_without_a_date_and_a_table_that_is_not_there_are_refused(table, tmp_path):
    with pytest.raises(UsageError, match="no date"):
        station_weather(table, None, 600.0)
    with pytest.raises(UsageError, match="cannot be read"):
        station_weather(tmp_path / "nowhere.csv", START, 600.0)


def test_passengers_come_on_top_of_the_payload():
    assert with_passengers(None, None) is None
    assert noted(said={"payload": with_passengers("100 lb", 2)}).payload_kg == pytest.approx(400 * 0.45359237, rel=1e-5)
    assert noted(said={"payload": with_passengers(None, 0)}).payload_kg == 0.0


STATIONS = """time,station,latitude,longitude,wind [m/s]
2026-05-03T14:00,far,45.0,7.0,9
2026-05-03T14:00,near,44.0,8.1,3
2026-05-03T15:00,near,44.0,8.1,4
"""


def test_of_several_stations_the_nearest_is_taken_and_then_the_hour(tmp_path):
    path = tmp_path / "stations.csv"
    path.write_text(STATIONS, encoding="utf-8")
    assert station_weather(path, START, 1800.0, (44.1, 8.0)) == {"wind_m_per_s": 3.0}
    assert station_weather(path, START, 9000.0, (44.1, 8.0)) == {"wind_m_per_s": 4.0}
    assert station_weather(path, START, 1800.0, (44.9, 7.1)) == {"wind_m_per_s": 9.0}
    with pytest.raises(UsageError, match="the drive has no position"):
        station_weather(path, START, 1800.0)
    # One degree along a meridian is 111.2 km: R of 6371.0088 km times pi / 180.
    with pytest.raises(UsageError, match=r"nearest station is 222\skm away"):
        station_weather(path, START, 1800.0, (42.0, 8.1))

import numpy as np
import pytest

from logan.drive.drive import GNSS_HEIGHT_SIGMA_M, UNKNOWN_HEIGHT_SIGMA_M, Channel, Drive
from logan.model.heights import FLOOR_SIGMA_M, elevation_track, standstill_sigma_m
from tests.model.simple_drives import channel

TIME_S = np.arange(0.0, 1800.0, 1.0)


def stop_and_go():
    return np.where((TIME_S % 90.0) < 25.0, 0.0, 12.0)


def wandering(sigma_m, seed=1):
    rng, keep = np.random.default_rng(seed), np.exp(-1.0 / 30.0)
    error = np.empty(TIME_S.size)
    error[0] = rng.normal(0.0, sigma_m)
    for k in range(1, TIME_S.size):
        error[k] = keep * error[k - 1] + rng.normal(0.0, sigma_m * np.sqrt(1 - keep**2))
    return error


def test_noise_is_read_off_the_drift_at_stops():
    ground = 200.0 + 0.01 * np.cumsum(stop_and_go())
    for sigma_m in (1.0, 4.0, 8.0):
        found = [
            standstill_sigma_m(channel("elevation", TIME_S, ground + wandering(sigma_m, seed)), TIME_S, stop_and_go())
            for seed in range(8)
        ]
        # Three imagined stops at the typical 3 m pull every estimate towards it.
        assert np.mean(found) == pytest.approx(np.sqrt((18.0 * sigma_m**2 + 3.0 * 9.0) / 21.0), rel=0.35)


def test_without_stops_the_typical_noise_is_taken():
    height = channel("elevation", TIME_S, 200.0)
    assert standstill_sigma_m(height, TIME_S, np.full(TIME_S.size, 20.0)) == GNSS_HEIGHT_SIGMA_M


def test_a_still_height_at_stops_is_better_than_typical_but_not_perfect():
    drive = Drive(channels={"elevation": channel("elevation", TIME_S, np.round(200.0 + TIME_S / 100.0))})
    track = elevation_track(drive, TIME_S, stop_and_go())
    assert FLOOR_SIGMA_M <= track.sigma_m < GNSS_HEIGHT_SIGMA_M
    assert track.is_known


def test_a_sigma_that_the_channel_states_is_taken():
    height = Channel(name="elevation", time_s=TIME_S, value=200.0 + TIME_S / 50.0, sigma=0.4)
    assert elevation_track(Drive(channels={"elevation": height}), TIME_S, stop_and_go()).sigma_m == 0.4


def test_the_barometer_stands_in_for_a_missing_height():
    pressure = channel("barometric_pressure", TIME_S, 101_325.0 - 0.05 * 12.0 * TIME_S)
    track = elevation_track(Drive(channels={"barometric_pressure": pressure}), TIME_S, stop_and_go())
    assert track.is_known
    assert track.source == "barometer"
    assert track.elevation_m[-1] - track.elevation_m[0] == pytest.approx(0.05 * 1799.0, rel=0.02)


def test_a_barometer_that_never_moves_is_no_altimeter():
    pressure = channel("barometric_pressure", TIME_S, 98_000.0)
    track = elevation_track(Drive(channels={"barometric_pressure": pressure}), TIME_S, stop_and_go())
    assert not track.is_known
    assert track.sigma_m == UNKNOWN_HEIGHT_SIGMA_M


def test_before_and_after_the_heights_the_road_is_level_and_a_long_hole_stays_open():
    value = 200.0 + TIME_S / 10.0
    value[:50] = np.nan
    value[-50:] = np.nan
    value[600:800] = np.nan
    track = elevation_track(Drive(channels={"elevation": channel("elevation", TIME_S, value)}), TIME_S, stop_and_go())
    assert track.elevation_m[0] == pytest.approx(205.0)
    assert track.elevation_m[-1] == pytest.approx(value[-51])
    assert np.isnan(track.elevation_m[700])

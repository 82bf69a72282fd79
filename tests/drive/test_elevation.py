import numpy as np
import pytest

from logan.drive.drive import GNSS_HEIGHT_SIGMA_M, Channel
from logan.drive.elevation import (
    anchored_to_satellites,
    barometric_elevation,
    loop_closure,
    standstill_scatter_m,
    with_uncertainty,
)
from logan.results import Refusal
from tests.drive.twins import mixed_drive


def channel(name, value, period_s=1.0):
    value = np.asarray(value, dtype=float)
    return Channel(name=name, time_s=np.arange(value.size) * period_s, value=value)


@pytest.mark.from_memory("ISO 2533, table of the standard atmosphere, printed to 0.01 hPa")
@pytest.mark.parametrize(("height_m", "pressure_pa"), [(0.0, 101_325.0), (1000.0, 89_874.6), (2000.0, 79_495.2)])
def test_the_standard_atmosphere_gives_the_height(height_m, pressure_pa):
    found = barometric_elevation(channel("barometric_pressure", [pressure_pa] * 3))
    assert found.value[0] == pytest.approx(height_m, abs=1.5)
    assert found.is_derived


def test_a_climb_is_measured_at_the_air_temperature():
    cold = barometric_elevation(
        channel("barometric_pressure", [100_000.0, 98_000.0]), channel("ambient_temperature", [-10.0])
    )
    warm = barometric_elevation(
        channel("barometric_pressure", [100_000.0, 98_000.0]), channel("ambient_temperature", [30.0])
    )
    ratio = np.ptp(warm.value) / np.ptp(cold.value)
    assert ratio == pytest.approx(303.15 / 263.15, rel=1e-3)


def test_the_barometers_uncertainty_grows_with_time():
    short = barometric_elevation(channel("barometric_pressure", np.full(600, 1e5)))
    long = barometric_elevation(channel("barometric_pressure", np.full(4 * 3600, 1e5)))
    assert short.sigma < long.sigma
    assert 0.5 < short.sigma < 5.0


def test_levelling_keeps_the_barometers_shape_and_the_satellites_datum():
    drive = mixed_drive(elevation_sigma_m=4.0)
    true = mixed_drive(elevation_sigma_m=0.0)["elevation"]
    barometric = barometric_elevation(drive["barometric_pressure"], drive["ambient_temperature"])
    levelled = anchored_to_satellites(barometric, drive["elevation"])

    def error(one):
        return one.at(true.time_s[5:-5], max_gap_s=5.0) - true.value[5:-5]

    assert np.sqrt(np.nanmean(error(levelled) ** 2)) < 0.6 * np.sqrt(np.nanmean(error(drive["elevation"]) ** 2))
    assert abs(np.nanmean(error(levelled))) < 2.0
    assert 0.3 < levelled.sigma / np.nanstd(error(levelled)) < 3.0


def test_the_sigma_of_a_logged_height_is_at_least_a_receivers():
    steps = np.round(np.linspace(0, 40, 500))
    assert with_uncertainty(channel("elevation", steps)).sigma == pytest.approx(
        np.hypot(GNSS_HEIGHT_SIGMA_M, 1 / np.sqrt(12)), rel=1e-3
    )


def test_scatter_at_standstill_shows_a_poor_receiver():
    rng = np.random.default_rng(3)
    speed = channel("speed", np.zeros(300))
    height = channel("elevation", 100 + rng.normal(0, 12.0, 300))
    assert standstill_scatter_m(height, speed) == pytest.approx(12.0, rel=0.15)
    assert with_uncertainty(height, speed).sigma > 10.0


def test_a_round_trip_shows_its_misclosure():
    out_and_back = np.concatenate([np.linspace(0, 0.02, 300), np.linspace(0.02, 0, 300)])
    closure = loop_closure(
        channel("elevation", np.linspace(50, 90, 600)),
        channel("latitude", 10 + out_and_back),
        channel("longitude", np.full(600, -40.0)),
    )
    assert closure.misclosure_m == pytest.approx(40.0, abs=1.0)
    assert closure.apart_m < 50.0
    assert not closure.is_closed


def test_a_one_way_drive_has_no_loop_to_close():
    found = loop_closure(
        channel("elevation", np.zeros(100)),
        channel("latitude", np.linspace(10, 10.1, 100)),
        channel("longitude", np.full(100, -40.0)),
    )
    assert isinstance(found, Refusal)
    assert "11.1\u202fkm" in found.reason or "10." in found.reason

from dataclasses import replace

import numpy as np
import pytest

from logan.demo.twin import TwinVehicle
from logan.metrics.calibration import calibration_summary
from logan.results import Refusal, Severity
from tests.twin_drives import build_of, made_drive, twin_drive, without

TWIN = TwinVehicle()


def summary_of(drive, build=None):
    return calibration_summary(drive, build or build_of(TWIN))


def test_circumference_and_ratio_of_the_twin():
    wheel = summary_of(twin_drive("mixed", 0, duration_s=1500.0).to_drive()).wheel
    assert wheel.circumference_m.value == pytest.approx(TWIN.tyre_rolling_circumference_m, rel=0.003)
    assert wheel.total_ratio.value == pytest.approx(TWIN.total_ratio, rel=0.003)
    assert wheel.severity is None


@pytest.mark.parametrize(
    ("factor", "severity", "words"),
    [(1.02, None, "fit the build"), (1.04, Severity.AMBER, "tire"), (0.9, Severity.RED, "gear ratio")],
)
def test_what_a_deviation_points_to(factor, severity, words):
    build = build_of(TWIN)
    planned = build.vehicle.tyre_rolling_circumference_m
    other = replace(planned, value=planned.value / factor)
    build = replace(build, vehicle=replace(build.vehicle, tyre_rolling_circumference_m=other))
    wheel = summary_of(twin_drive("mixed", 0, duration_s=1500.0).to_drive(), build).wheel
    assert wheel.circumference_m.value / other.value == pytest.approx(factor, abs=0.004)
    assert wheel.severity is severity
    assert words in wheel.verdict


def test_odometer_and_speed_errors():
    drive = twin_drive("mixed", 0, duration_s=1500.0).to_drive()
    odometer, speed = drive["odometer"], drive["speed"]
    wrong = drive.with_channels(
        replace(odometer, value=odometer.value[0] + 1.04 * (odometer.value - odometer.value[0])),
        replace(speed, value=0.97 * speed.value),
    )
    summary = summary_of(wrong)
    assert summary.odometer_error_ratio.value == pytest.approx(0.04, abs=0.01)
    assert summary.speed_error_ratio.value == pytest.approx(-0.03, abs=0.004)


def test_current_zero_with_open_contactors():
    time_s = np.arange(0.0, 120.0, 0.1)
    rng = np.random.default_rng(0)
    drive = made_drive(
        ("contactor_closed", time_s, (time_s > 60.0).astype(float)),
        ("pack_current", time_s, np.where(time_s > 60.0, 40.0, 0.66) + rng.normal(0.0, 0.1, time_s.size)),
        ("pack_voltage", time_s, np.full(time_s.shape, 380.0)),
    )
    zero = summary_of(drive).current_zero_a
    assert zero.value == pytest.approx(0.66, abs=0.02)
    assert zero.sigma < 0.05
    assert "never open" in summary_of(twin_drive("mixed", 0, duration_s=1500.0).to_drive()).current_zero_a.reason


def test_standing_load_by_state():
    time_s = np.arange(0.0, 300.0, 0.5)
    heater = np.where((time_s > 100.0) & (time_s < 200.0), 3000.0, 0.0)
    drive = made_drive(
        ("pack_voltage", time_s, np.full(time_s.shape, 400.0)),
        ("pack_current", time_s, (400.0 + heater) / 400.0),
        ("heater_power", time_s, heater),
        ("speed", time_s, np.zeros(time_s.shape)),
    )
    loads = {load.state: load for load in summary_of(drive).standstill}
    assert loads["base"].power_w.value == pytest.approx(400.0)
    assert loads["heater"].power_w.value == pytest.approx(3400.0)
    assert loads["heater"].observed_s == pytest.approx(99.0, abs=2.0)


def steady_drive(*, wind_w: float = 0.0, slope: float = 0.0):
    """Ten minutes east and ten minutes west at 25 m/s; 10 kW on the level in still air."""
    time_s = np.arange(0.0, 1200.0, 0.5)
    east = time_s < 600.0
    sign = np.where(east, 1.0, -1.0)
    vehicle = build_of(TWIN)
    climb_w = slope * vehicle.vehicle.mass_kg.value * 9.80665 * 25.0 / vehicle.powertrain.drive_efficiency.value
    height = 100.0 + slope * 25.0 * np.where(east, time_s, 1200.0 - time_s)
    return made_drive(
        ("pack_voltage", time_s, np.full(time_s.shape, 400.0)),
        ("pack_current", time_s, (10_000.0 + sign * (wind_w + climb_w)) / 400.0),
        ("speed", time_s, np.where(np.abs(time_s - 600.0) < 10.0, 5.0, 25.0)),
        ("heading", time_s, np.where(east, 90.0, 270.0)),
        ("elevation", time_s, height),
    )


@pytest.mark.parametrize("settings", [{}, {"wind_w": 2000.0}, {"slope": 0.01}])
def test_both_ways_take_out_wind_and_slope(settings):
    (run,) = summary_of(steady_drive(**settings)).steady_runs
    assert run.is_two_way
    assert run.speed_m_per_s == pytest.approx(25.0, abs=0.1)
    assert run.power_w.value == pytest.approx(10_000.0, rel=0.01)
    assert run.wh_per_km.value == pytest.approx(10_000.0 / 25.0 / 3.6, rel=0.015)


def test_one_way_is_given_with_the_wind_in_its_interval():
    drive = without(steady_drive(wind_w=500.0), "heading")
    runs = summary_of(drive).steady_runs
    assert [run.is_two_way for run in runs] == [False, False]
    assert all(abs(run.power_w.value - 10_000.0) < 2.0 * run.power_w.sigma for run in runs)


def test_what_is_not_logged_is_refused():
    time_s = np.arange(0.0, 60.0, 1.0)
    summary = summary_of(made_drive(("speed", time_s, np.full(60, 20.0))))
    assert summary.wheel.verdict == "motor speed is not logged"
    for figure in (summary.odometer_error_ratio, summary.speed_error_ratio, summary.current_zero_a):
        assert isinstance(figure, Refusal)
    assert summary.standstill == ()
    assert summary.steady_runs == ()


def test_too_little_satellite_speed_is_refused():
    drive = twin_drive("mixed", 0, duration_s=1500.0).to_drive()
    satellite = drive["gnss_speed"]
    early = satellite.time_s < 60.0
    short = replace(satellite, time_s=satellite.time_s[early], value=satellite.value[early])
    summary = summary_of(drive.with_channels(short))
    assert isinstance(summary.odometer_error_ratio, Refusal)

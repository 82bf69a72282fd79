from dataclasses import replace

import numpy as np
import pytest

from logan.demo.routes import coastdown_route
from logan.demo.twin import TwinVehicle, TwinWeather
from logan.metrics.coastdown_fit import fit_group
from logan.metrics.coastdown_runs import CoastdownSpan, coastdown_spans
from logan.metrics.coastdowns import coastdown_summary
from logan.physics.road_load import coasting_speed_m_per_s
from logan.results import Refusal
from tests.twin_drives import build_of, drive_of, twin_drive, without

MASS_KG, INERTIA_KG, WEIGHT_N = 1650.0, 1716.0, 1650.0 * 9.80665


def true_force_65_n(vehicle: TwinVehicle) -> float:
    """At 20 °C and 98.21 kPa, dry air; the twin's tyres are 4 % stiffer there than at 25 °C."""
    density = 98_210.0 / (287.05 * 293.15)
    rolling_n = vehicle.mass_kg * 9.80665 * vehicle.rolling_coefficient * 1.04
    return rolling_n + 0.5 * density * vehicle.drag_area_m2 * 29.0576**2


@pytest.mark.parametrize("seed", [0, 1, 2])
def test_four_calm_pairs_give_drag_area_and_force(seed):
    twin = twin_drive("coastdown", seed)
    summary = coastdown_summary(twin.to_drive(), build_of(twin.vehicle))
    assert summary.pair_count == 4
    assert summary.drag_area_m2.value == pytest.approx(twin.vehicle.drag_area_m2, rel=0.03)
    assert summary.rolling_coefficient.value == pytest.approx(twin.vehicle.rolling_coefficient, rel=0.05)
    assert summary.force_65_mph_n.value == pytest.approx(true_force_65_n(twin.vehicle), rel=0.015)
    assert summary.force_65_mph_n.sigma < 0.015 * summary.force_65_mph_n.value
    assert summary.drag_area_m2.sigma < 0.03 * summary.drag_area_m2.value


@pytest.mark.parametrize(
    ("weather", "grade_ratio"),
    [
        (TwinWeather(), 0.004),
        (TwinWeather(ambient_temperature_degc=2.0, pressure_pa=95_000.0), 0.0),
    ],
    ids=["slope", "cold and thin"],
)
def test_slope_and_weather_are_corrected(weather, grade_ratio):
    route = coastdown_route(np.random.default_rng(5), grade_ratio=grade_ratio)
    twin = drive_of(route, 5, weather=weather)
    summary = coastdown_summary(twin.to_drive(), build_of(twin.vehicle))
    assert summary.drag_area_m2.value == pytest.approx(twin.vehicle.drag_area_m2, rel=0.03)
    assert summary.force_65_mph_n.value == pytest.approx(true_force_65_n(twin.vehicle), rel=0.02)


def test_runs_are_found_without_torque_from_power_alone():
    twin = twin_drive("coastdown", 0)
    drive = without(twin.to_drive(), "motor_torque", "motor_torque_command")
    assert len(coastdown_spans(drive, build_of(twin.vehicle))) == 8


def test_a_marked_run_is_taken_at_the_drivers_word():
    twin = twin_drive("coastdown", 0)
    bare = without(twin.to_drive(), "motor_torque", "motor_torque_command", "pack_current", "pack_voltage")
    assert coastdown_spans(bare, build_of(twin.vehicle)) == ()
    found = coastdown_spans(twin.to_drive(), build_of(twin.vehicle))
    time_s = np.arange(0.0, found[-1].end_s + 10.0, 0.5)
    held = ((time_s > found[0].start_s) & (time_s < found[0].end_s)).astype(float)
    marker = replace(bare["odometer"], name="marker", time_s=time_s, value=held)
    (marked,) = coastdown_spans(bare.with_channels(marker), build_of(twin.vehicle))
    assert marked.start_s == pytest.approx(found[0].start_s, abs=3.0)


def test_braking_with_the_pedal_is_no_coastdown():
    twin = twin_drive("coastdown", 0)
    drive = twin.to_drive()
    pressed = replace(drive["brake_switch"], value=np.ones(drive["brake_switch"].time_s.shape))
    summary = coastdown_summary(drive.with_channels(pressed), build_of(twin.vehicle))
    assert isinstance(summary.drag_area_m2, Refusal)
    assert "no coastdown was found" in summary.drag_area_m2.reason


def test_runs_in_one_direction_are_less_sure_and_say_so():
    twin = twin_drive("coastdown", 0)
    drive = twin.to_drive()
    north = replace(drive["heading"], value=np.full(drive["heading"].time_s.shape, 90.0))
    one_way = coastdown_summary(drive.with_channels(north), build_of(twin.vehicle))
    both = coastdown_summary(drive, build_of(twin.vehicle))
    assert one_way.pair_count == 0
    assert one_way.drag_area_m2.sigma > 1.5 * both.drag_area_m2.sigma
    assert "no pair: drive the same stretch both ways" in one_way.notes


def test_the_reference_coefficients_make_up_the_reference_force():
    summary = coastdown_summary(twin_drive("coastdown", 0).to_drive(), build_of(TwinVehicle()))
    force_n = summary.constant_n.value + summary.quadratic_n_s2_per_m2.value * 29.0576**2
    assert force_n == pytest.approx(summary.force_65_mph_n.value, rel=0.002)
    assert summary.linear_n_s_per_m.value == 0.0


def made_span(constant_n, quadratic, *, linear=0.0, wind=0.0, slope=0.0, sign=1.0, noise=0.03, seed=0, gust=0.0):
    rng = np.random.default_rng(seed)
    time_s = np.arange(0.0, 120.0, 0.5)
    air = coasting_speed_m_per_s(
        time_s,
        start_m_per_s=31.0 + sign * wind,
        effective_mass_kg=INERTIA_KG,
        constant_n=constant_n + sign * slope * WEIGHT_N - linear * sign * wind,
        linear_n_s_per_m=linear,
        quadratic_n_s2_per_m2=quadratic,
    )
    wander = np.convolve(rng.normal(0.0, gust, time_s.size + 20), np.ones(20) / 20.0, mode="valid")[: time_s.size]
    return CoastdownSpan(
        time_s=time_s,
        speed_m_per_s=air - sign * wind + rng.normal(0.0, noise, time_s.size) + wander,
        start_s=0.0,
        heading_deg=90.0,
        mean_grade_ratio=None,
        grade_sigma_ratio=None,
    )


def test_a_pair_tells_wind_and_slope_from_the_road_load():
    pair = [made_span(180.0, 0.47, wind=2.5, slope=0.003, sign=sign, seed=int(2 + sign)) for sign in (1.0, -1.0)]
    fit = fit_group(pair, mass_kg=MASS_KG, effective_mass_kg=INERTIA_KG)
    assert fit.constant_n == pytest.approx(180.0, rel=0.01)
    assert fit.quadratic_n_s2_per_m2 == pytest.approx(0.47, rel=0.01)
    assert fit.headwind_m_per_s == pytest.approx(2.5, abs=0.2)


def test_a_pairs_interval_covers_at_its_stated_rate():
    inside = []
    for seed in range(100):
        pair = [made_span(180.0, 0.47, sign=sign, seed=100 * seed + int(2 + sign), gust=0.3) for sign in (1.0, -1.0)]
        fit = fit_group(pair, mass_kg=MASS_KG, effective_mass_kg=INERTIA_KG)
        inside.append(abs(fit.quadratic_n_s2_per_m2 - 0.47) < 1.645 * np.sqrt(fit.covariance[1, 1]))
    # 90 % nominal; 100 draws scatter by 3 %, and gusts of ten seconds are hard on a two-minute run.
    assert 0.80 < np.mean(inside) < 0.97


def test_a_run_that_follows_no_road_load_is_rejected_with_the_reason():
    twin = twin_drive("coastdown", 0)
    drive = twin.to_drive()
    speed = drive["gnss_speed"]
    shaken = speed.value + 1.5 * np.sin(speed.time_s / 3.0)
    summary = coastdown_summary(drive.with_channels(replace(speed, value=shaken)), build_of(twin.vehicle))
    assert isinstance(summary.drag_area_m2, Refusal)


def pair_of(seed, **load):
    return [made_span(sign=sign, seed=100 * seed + int(2 + sign), **load) for sign in (1.0, -1.0)]


def test_a_free_linear_term_is_recovered_with_wind_and_slope():
    pair = pair_of(0, constant_n=150.0, quadratic=0.45, linear=3.0, wind=2.0, slope=0.002, noise=0.005)
    fit = fit_group(pair, mass_kg=MASS_KG, effective_mass_kg=INERTIA_KG, has_linear=True)
    load = (fit.constant_n, fit.linear_n_s_per_m, fit.quadratic_n_s2_per_m2)
    assert load == pytest.approx((150.0, 3.0, 0.45), rel=0.15)
    sigma = np.sqrt(np.diag(fit.covariance))
    assert np.all(np.abs(np.array(load) - (150.0, 3.0, 0.45)) < 3.0 * sigma[[0, 2, 1]])


def test_the_interval_of_the_linear_term_covers_at_its_stated_rate():
    inside = []
    for seed in range(40):
        pair = pair_of(seed, constant_n=160.0, quadratic=0.45, linear=2.0, gust=0.3)
        fit = fit_group(pair, mass_kg=MASS_KG, effective_mass_kg=INERTIA_KG, has_linear=True)
        inside.append(abs(fit.linear_n_s_per_m - 2.0) < 1.645 * np.sqrt(fit.covariance[2, 2]))
    # 90 % nominal; 40 draws scatter by 5 %.
    assert np.mean(inside) > 0.78


def test_a_twin_without_a_linear_term_shows_none_and_the_three_terms_make_up_the_force():
    plain = coastdown_summary(twin_drive("coastdown", 0).to_drive(), build_of(TwinVehicle()))
    linear = plain.three_term.linear_n_s_per_m
    assert abs(linear.value) < 2.5 * linear.sigma
    assert not any("linear term shows" in note for note in plain.notes)
    force_n = (
        plain.three_term.constant_n.value
        + linear.value * 29.0576
        + plain.three_term.quadratic_n_s2_per_m2.value * 29.0576**2
    )
    # Each term alone is unsure; their sum is not.
    assert force_n == pytest.approx(plain.force_65_mph_n.value, rel=0.01)


def test_without_a_pair_a_linear_term_is_refused():
    drive = twin_drive("coastdown", 0).to_drive()
    north = replace(drive["heading"], value=np.full(drive["heading"].time_s.shape, 90.0))
    summary = coastdown_summary(drive.with_channels(north), build_of(TwinVehicle()))
    assert isinstance(summary.three_term.linear_n_s_per_m, Refusal)


def test_four_pairs_in_wind_and_on_a_slope_still_give_drag_area_and_force():
    """The same road there and back, wind along and across it: the pair takes both out."""
    weather = TwinWeather(wind_m_per_s=3.0, wind_from_deg=60.0)
    twin = drive_of(coastdown_route(np.random.default_rng(7), grade_ratio=0.003), 7, weather=weather)
    summary = coastdown_summary(twin.to_drive(), build_of(twin.vehicle))
    assert summary.pair_count == 4
    assert summary.drag_area_m2.value == pytest.approx(twin.vehicle.drag_area_m2, rel=0.03)
    assert summary.force_65_mph_n.value == pytest.approx(true_force_65_n(twin.vehicle), rel=0.015)

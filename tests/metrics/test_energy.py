from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings, strategies as st

from logan.metrics.energy import energy_summary
from logan.results import Estimate, Refusal
from logan.settings import AnalysisSettings
from tests.builds import example_build
from tests.twin_drives import build_of, made_drive, twin_drive, without

BUILD = example_build()


def sine_drive(rate_hz: float, *, offset_s: float = 0.0, duration_s: float = 600.0):
    """360 V and 50 + 100 sin(2 pi t / 20) A at 20 m/s: net and regenerated energy are known in closed form."""
    time_s = np.arange(0.0, duration_s + 1e-9, 1.0 / rate_hz)
    late_s = np.clip(time_s + offset_s, 0.0, duration_s)
    return made_drive(
        ("pack_voltage", time_s, np.full(time_s.shape, 360.0)),
        ("pack_current", late_s, 50.0 + 100.0 * np.sin(2 * np.pi * late_s / 20.0)),
        ("speed", time_s, np.full(time_s.shape, 20.0)),
    )


def test_energy_of_an_analytic_waveform():
    summary = energy_summary(sine_drive(20.0), BUILD)
    # Over whole periods: net 360 V x 50 A x 600 s; the negative part of a + b sin is (b sqrt(1 - r2) - a acos r) / pi.
    share = 50.0 / 100.0
    negative_a = (100.0 * np.sqrt(1 - share**2) - 50.0 * np.arccos(share)) / np.pi
    assert summary.net_wh.value == pytest.approx(360 * 50 * 600 / 3600, rel=1e-5)
    assert summary.regenerated_wh.value == pytest.approx(360 * negative_a * 600 / 3600, rel=2e-3)
    assert summary.gross_wh.value == pytest.approx(summary.net_wh.value + summary.regenerated_wh.value)
    assert summary.distance_m.value == pytest.approx(12_000.0)
    assert summary.net_wh_per_km.value == pytest.approx(3000.0 / 12.0, rel=1e-5)


def test_power_is_taken_on_the_union_of_both_times():
    time_s = np.arange(0.0, 100.0, 0.5)
    drive = made_drive(
        ("pack_voltage", time_s, 400.0 - 0.5 * time_s),
        ("pack_current", time_s + 0.25, 100.0 + 0.2 * (time_s + 0.25)),
        ("speed", time_s, np.full(time_s.shape, 10.0)),
    )
    summary = energy_summary(drive, BUILD)
    low, high = 0.25, 99.5
    exact_j = np.diff(np.polyval(np.polyint(np.polymul([-0.5, 400.0], [0.2, 100.0])), [low, high]))[0]
    covered = (high - low) / drive.duration_s
    assert summary.coverage_ratio == pytest.approx(covered)
    assert summary.net_wh.value * covered == pytest.approx(exact_j / 3600.0, rel=1e-6)


@settings(deadline=None, max_examples=20)
@given(shift_s=st.floats(0.0, 5.0), scale=st.floats(0.2, 3.0))
def test_net_energy_scales_with_current_and_not_with_where_sampling_starts(shift_s, scale):
    time_s = np.arange(0.0, 200.0, 0.1)
    current = 80.0 * np.sin(time_s / 3.0) + 40.0

    def net(at_s, amperes):
        drive = made_drive(
            ("pack_voltage", at_s, np.full(at_s.shape, 350.0)),
            ("pack_current", at_s, amperes),
            ("speed", at_s, np.full(at_s.shape, 15.0)),
        )
        return energy_summary(drive, BUILD).net_wh.value

    assert net(time_s + shift_s, scale * current) == pytest.approx(scale * net(time_s, current), rel=1e-9)


@pytest.mark.parametrize("seed", [0, 1, 2])
def test_net_energy_at_10_hz_with_a_twentieth_of_the_samples_lost(seed):
    twin = twin_drive("mixed", seed, duration_s=1200.0, lost_ratio=0.05)
    summary = energy_summary(twin.to_drive(), build_of(twin.vehicle))
    assert summary.net_wh.value == pytest.approx(twin.net_wh, rel=0.003)
    assert abs(summary.net_wh.value - twin.net_wh) < 2.0 * summary.net_wh.sigma


def test_a_slow_log_says_that_its_sampling_is_unsure():
    twin = twin_drive("urban", duration_s=900.0)
    slow = twin_drive("urban", duration_s=900.0, rate_factor=0.05)

    def sampling(drive):
        budget = energy_summary(drive, build_of(twin.vehicle)).budget
        return next(part.sigma_wh for part in budget if part.name == "sample rate")

    assert sampling(slow.to_drive()) > 5.0 * sampling(twin.to_drive())


def test_the_budget_adds_up_to_the_interval():
    summary = energy_summary(sine_drive(10.0), BUILD)
    names = [part.name for part in summary.budget]
    assert names == ["gain", "unchecked current", "offset", "quantisation", "sample rate", "skew", "gaps"]
    assert summary.net_wh.sigma == pytest.approx(np.sqrt(sum(part.sigma_wh**2 for part in summary.budget)))


def test_on_the_poorest_logger_the_uncertainty_holds_what_nothing_checks_and_says_which_instrument():
    drive = sine_drive(10.0)
    poor = energy_summary(drive, BUILD)
    checked = energy_summary(drive.with_channels(replace(drive["pack_current"], name="state_of_charge")), BUILD)
    assert poor.net_wh.sigma > 0.049 * abs(poor.net_wh.value) > checked.net_wh.sigma
    assert "nothing in the log checks the current" in poor.net_wh.source
    assert checked.net_wh.source == "measured"
    assert "nothing in the log checks the speed" in poor.net_wh_per_km.source


def test_the_current_zeros_uncertainty_is_worth_its_watt_hours():
    summary = energy_summary(sine_drive(10.0), BUILD)
    offset = next(part for part in summary.budget if part.name == "offset")
    assert offset.sigma_wh == pytest.approx(0.3 * 360.0 * 600.0 / 3600.0)


def test_skew_of_one_message_is_nothing_and_of_two_follows_the_pack_resistance():
    def skew(drive):
        return next(part.sigma_wh for part in energy_summary(drive, BUILD).budget if part.name == "skew")

    assert skew(sine_drive(10.0)) == 0.0
    # R (rho(0) - rho(lag)) of a sine of 100 A and 20 s, in watts over 600 s.
    expected = 0.09 * 0.5 * 100.0**2 * (1 - np.cos(2 * np.pi * 0.06 / 20.0)) * 600.0 / 3600.0
    assert skew(sine_drive(50.0, offset_s=0.01)) == pytest.approx(expected, rel=0.1)


def gap_drive(gap_s: float):
    time_s = np.concatenate((np.arange(0.0, 300.0, 0.1), np.arange(300.0 + gap_s, 600.0, 0.1)))
    whole = np.arange(0.0, 600.0, 0.1)
    return made_drive(
        ("pack_voltage", time_s, np.full(time_s.shape, 360.0)),
        ("pack_current", time_s, np.full(time_s.shape, 100.0) + 20.0 * np.sin(time_s)),
        ("speed", whole, np.full(whole.shape, 20.0)),
    )


def test_a_gap_is_filled_at_the_mean_power_and_widens_the_interval():
    summary = energy_summary(gap_drive(30.0), BUILD)
    assert summary.coverage_ratio == pytest.approx(0.95, abs=0.001)
    assert summary.net_wh.value == pytest.approx(6000.0, rel=0.002)
    gaps = next(part for part in summary.budget if part.name == "gaps")
    assert gaps.sigma_wh > 0.0
    assert "30 s filled" in gaps.how


def test_time_that_was_filled_is_called_so():
    assert "5.0 % of the time filled" in energy_summary(gap_drive(30.0), BUILD).net_wh.source
    assert "filled" not in energy_summary(gap_drive(0.1), BUILD).net_wh.source


@pytest.mark.parametrize(("gap_s", "like_s"), [(5.0, 5.0), (20.0, 20.0), (58.0, np.sqrt(30.0 * 58.0))])
def test_a_gap_costs_no_more_than_its_own_seconds_at_the_powers_spread(gap_s, like_s):
    drive = gap_drive(gap_s)
    gaps = next(part for part in energy_summary(drive, BUILD).budget if part.name == "gaps")
    spread_w = 360.0 * 20.0 / np.sqrt(2.0)  # of the sine in the current
    assert gaps.sigma_wh == pytest.approx(spread_w * like_s / 3600.0, rel=0.03)


@pytest.mark.parametrize(("duration_s", "speed_m_per_s"), [(170.0, 30.0), (600.0, 2.0)])
def test_a_drive_below_a_mile_or_three_minutes_is_too_short(duration_s, speed_m_per_s):
    time_s = np.arange(0.0, duration_s, 0.1)
    drive = made_drive(
        ("pack_power", time_s, np.full(time_s.shape, 9000.0)),
        ("speed", time_s, np.full(time_s.shape, speed_m_per_s)),
    )
    summary = energy_summary(drive, BUILD)
    assert summary.net_wh_per_km.reason.startswith("too short for a consumption")
    assert isinstance(summary.net_wh, Estimate)


def test_below_ninety_per_cent_coverage_energy_is_refused():
    summary = energy_summary(gap_drive(70.0), BUILD)
    assert isinstance(summary.net_wh, Refusal)
    assert "88 % of the driving time" in summary.net_wh.reason
    assert isinstance(summary.net_wh_per_km, Refusal)
    assert isinstance(summary.distance_m, Estimate)
    lenient = energy_summary(gap_drive(70.0), BUILD, AnalysisSettings(min_coverage_ratio=0.8))
    assert isinstance(lenient.net_wh, Estimate)


def test_a_drive_with_power_alone():
    time_s = np.arange(0.0, 360.0, 0.5)
    drive = made_drive(
        ("pack_power", time_s, np.full(time_s.shape, 10_000.0)), ("speed", time_s, np.full(time_s.shape, 20.0))
    )
    summary = energy_summary(drive, BUILD)
    assert summary.net_wh.value == pytest.approx(10_000.0 * 359.5 / 3600.0)


def test_charging_is_left_out():
    time_s = np.arange(0.0, 1200.0, 0.5)
    parked = time_s >= 600.0
    drive = made_drive(
        ("pack_voltage", time_s, np.full(time_s.shape, 360.0)),
        ("pack_current", time_s, np.where(parked, -20.0, 60.0)),
        ("speed", time_s, np.where(parked, 0.0, 20.0)),
    )
    summary = energy_summary(drive, BUILD)
    assert summary.charging_s == pytest.approx(600.0, abs=2.0)
    assert summary.net_wh.value == pytest.approx(360 * 60 * 600 / 3600, rel=0.005)
    assert summary.regenerated_wh.value == pytest.approx(0.0, abs=1.0)


def test_without_electrical_channels_energy_is_refused_and_distance_is_not():
    drive = without(sine_drive(10.0), "pack_current")
    summary = energy_summary(drive, BUILD)
    assert isinstance(summary.net_wh, Refusal)
    assert "pack_current" in summary.net_wh.remedy
    assert (summary.coverage_ratio, summary.charging_s) == (0.0, 0.0)
    assert summary.distance_m.value == pytest.approx(12_000.0)


def test_what_a_flag_forbids_is_refused_in_its_words():
    refusal = Refusal("current has the wrong sign", "turn it round")
    summary = energy_summary(sine_drive(10.0), BUILD, refusals={"net_energy": refusal})
    assert summary.net_wh == refusal
    assert summary.net_wh_per_km == refusal
    assert summary.regenerated_wh == refusal


def test_a_standing_drive_has_no_consumption():
    drive = sine_drive(10.0)
    still = replace(drive["speed"], value=np.zeros(drive["speed"].time_s.shape))
    summary = energy_summary(drive.with_channels(still), BUILD)
    assert isinstance(summary.net_wh_per_km, Refusal)
    assert "0.00\u202fkm" in summary.net_wh_per_km.reason


def part_of(summary, name):
    return next(part.sigma_wh for part in summary.budget if part.name == name)


def test_gross_and_regenerated_are_as_sure_as_their_parts_make_them():
    """Gain on each; zero, gaps and sampling on gross; sampling and 0.3 of the zero on regen, in squares.

    Regen's own sampling error is what is left of its square, and must be the same in both.
    """
    sensors = BUILD.instruments
    gain = np.hypot(sensors.voltage_gain_ratio.sigma, sensors.current_gain_ratio.sigma)
    drive = twin_drive("urban", duration_s=900.0, rate_factor=0.2).to_drive()
    summary = energy_summary(drive, BUILD)
    regen, gross, offset = summary.regenerated_wh, summary.gross_wh, part_of(summary, "offset")
    by_regen = regen.sigma**2 - (gain * regen.value) ** 2 - (0.3 * offset) ** 2
    by_gross = gross.sigma**2 - (gain * gross.value) ** 2 - offset**2 - part_of(summary, "gaps") ** 2
    assert by_regen > 0.0
    assert by_gross == pytest.approx(by_regen, rel=1e-6)
    assert part_of(summary, "gain") == pytest.approx(gain * summary.net_wh.value * summary.coverage_ratio)
    assert summary.mean_power_w.sigma / summary.mean_power_w.value == pytest.approx(
        summary.net_wh.sigma / summary.net_wh.value
    )


def test_consumption_is_as_sure_as_energy_and_distance_together():
    drive = sine_drive(10.0)
    checked = drive.with_channels(
        replace(drive["pack_current"], name="state_of_charge"), replace(drive["speed"], name="gnss_speed")
    )
    summary = energy_summary(checked, BUILD)
    energy, distance, figure = summary.net_wh, summary.distance_m, summary.net_wh_per_km
    assert distance.sigma == pytest.approx(0.01 * 12_000.0)
    relative = np.hypot(energy.sigma / energy.value, distance.sigma / distance.value)
    assert figure.sigma / figure.value == pytest.approx(relative)
    assert figure.value == pytest.approx(250.0, rel=1e-4)


def speed_drive(name, *, gap_s=0.0, value=None):
    time_s = np.concatenate((np.arange(0.0, 300.0, 0.1), np.arange(300.0 + gap_s, 600.05, 0.1)))
    whole = np.arange(0.0, 600.05, 0.1)
    speed = np.where(time_s < 120.0, 0.1, 20.0) if value is None else value
    return made_drive(
        (name, time_s, speed),
        ("pack_power", whole, np.full(whole.shape, 9_000.0)),
        ("state_of_charge", whole, np.full(whole.shape, 0.5)),
    )


@pytest.mark.parametrize(("name", "ratio"), [("gnss_speed", 0.002), ("wheel_speed", 0.015)])
def test_a_distance_is_as_sure_as_its_channel(name, ratio):
    summary = energy_summary(speed_drive(name), BUILD)
    assert summary.distance_source == name
    assert summary.distance_m.value == pytest.approx(480.0 * 20.0 + 12.0, abs=2.0)
    assert summary.distance_m.sigma == pytest.approx(ratio * summary.distance_m.value)
    assert summary.moving_s == pytest.approx(480.0, abs=0.2)


def test_speed_that_is_not_covered_is_taken_at_the_mean_and_half_of_it_is_unsure():
    summary = energy_summary(speed_drive("gnss_speed", gap_s=30.0), BUILD)
    missing = 1.0 - summary.distance_m.coverage_ratio
    assert missing == pytest.approx(0.05, abs=1e-3)
    assert summary.distance_m.value == pytest.approx((120.0 * 0.1 + 450.0 * 20.0) / 0.95, rel=1e-3)
    assert summary.distance_m.sigma / summary.distance_m.value == pytest.approx(np.hypot(0.002, 0.5 * missing))
    assert summary.moving_s == pytest.approx(450.0, abs=0.3)
    refused = energy_summary(speed_drive("gnss_speed", gap_s=70.0), BUILD).distance_m
    assert "88 %" in refused.reason


def test_an_odometer_steps_in_where_speed_covers_too_little():
    drive, time_s = speed_drive("gnss_speed", gap_s=70.0), np.arange(0.0, 600.5, 1.0)

    def with_odometer(rate):
        other = made_drive(("odometer", time_s, 5_000.0 + rate * time_s))
        return energy_summary(drive.with_channels(other["odometer"]), BUILD).distance_m

    short, long = with_odometer(5.0), with_odometer(20.0)
    assert (short.value, short.source) == (pytest.approx(3_000.0), "odometer")
    assert short.sigma == 50.0
    assert long.sigma == pytest.approx(0.01 * 12_000.0)


def test_what_nothing_checks_is_added_to_the_distance_in_squares():
    distance = energy_summary(sine_drive(10.0), BUILD).distance_m
    assert distance.sigma == pytest.approx(np.hypot(0.01, 0.05) * 12_000.0)


def test_a_refused_energy_refuses_the_mean_power_too():
    refusal = Refusal("current has the wrong sign", "turn it round")
    assert energy_summary(sine_drive(10.0), BUILD, refusals={"net_energy": refusal}).mean_power_w == refusal
    summary = energy_summary(sine_drive(10.0), BUILD)
    assert summary.mean_power_w.value == pytest.approx(18_000.0, rel=1e-4)


def test_steps_of_current_and_voltage_are_errors_of_a_flat_chance_that_average_out():
    """A step q errs by q / sqrt(12), apart in every sample: over T seconds at period dt, q / sqrt(12) sqrt(T dt)."""
    rng, time_s = np.random.default_rng(5), np.arange(0.0, 600.05, 0.1)
    current = 60.0 + 30.0 * np.sin(time_s / 7.0) + rng.normal(0.0, 5.0, time_s.size)
    voltage = 360.0 + rng.normal(0.0, 2.0, time_s.size)

    def quantised(current_step, voltage_step):
        drive = made_drive(
            ("pack_voltage", time_s, np.round(voltage / voltage_step) * voltage_step if voltage_step else voltage),
            ("pack_current", time_s, np.round(current / current_step) * current_step if current_step else current),
            ("speed", time_s, np.full(time_s.shape, 20.0)),
        )
        return part_of(energy_summary(drive, BUILD), "quantisation")

    of_current = 360.0 * 2.0 / np.sqrt(12.0) * np.sqrt(600.0 * 0.1) / 3600.0
    of_voltage = np.sqrt(np.mean(current**2)) * 1.0 / np.sqrt(12.0) * np.sqrt(600.0 * 0.1) / 3600.0
    assert quantised(2.0, None) == pytest.approx(of_current, rel=1e-3)
    assert quantised(None, 1.0) == pytest.approx(of_voltage, rel=1e-2)
    assert quantised(2.0, 1.0) == pytest.approx(np.hypot(of_current, of_voltage), rel=1e-2)
    assert quantised(None, None) == 0.0


def test_steps_of_a_power_that_is_logged_as_one():
    time_s = np.arange(0.0, 600.5, 0.5)
    drive = made_drive(
        ("pack_power", time_s, np.round((9e3 + 4e3 * np.sin(time_s / 9.0)) / 250.0) * 250.0),
        ("speed", time_s, np.full(time_s.shape, 20.0)),
    )
    expected = 250.0 / np.sqrt(12.0) * np.sqrt(600.0 * 0.5) / 3600.0
    assert part_of(energy_summary(drive, BUILD), "quantisation") == pytest.approx(expected, rel=1e-3)


def test_sampling_is_judged_by_every_second_and_every_fourth_sample():
    """By hand: trapezoids of the thinned samples against all; 0.6 and 0.3 of the differences, in the mean square."""
    rng, time_s = np.random.default_rng(6), np.arange(0.0, 600.0, 0.5)
    watts = 9e3 + 8e3 * np.sin(time_s / 2.0) + rng.normal(0.0, 2e3, time_s.size)
    drive = made_drive(("pack_power", time_s, watts), ("speed", time_s, np.full(time_s.shape, 20.0)))
    full, apart = np.trapezoid(watts, time_s), []
    for stride, factor in ((2, 0.6), (4, 0.3)):
        for phase in range(stride):
            own_s, own = time_s[phase::stride], watts[phase::stride]
            share = (time_s[-1] - time_s[0]) / (own_s[-1] - own_s[0])
            apart.append(factor * (np.trapezoid(own, own_s) * share - full))
    expected = np.sqrt(np.mean(np.square(apart))) / 3600.0
    assert part_of(energy_summary(drive, BUILD), "sample rate") == pytest.approx(expected, rel=1e-6)


def test_a_load_at_rest_that_nobody_logged_is_half_in_doubt():
    """2.0 kW at 60 s of rest, where the build's base is 300 W: load or zero, so half of it over the drive."""
    time_s = np.arange(0.0, 600.5, 0.5)
    resting = time_s < 60.0
    base = BUILD.auxiliary.base_power_w

    def unchecked(rest_w):
        drive = made_drive(
            ("pack_power", time_s, np.where(resting, rest_w, 12_000.0)),
            ("speed", time_s, np.where(resting, 0.0, 20.0)),
            ("state_of_charge", time_s, np.full(time_s.shape, 0.5)),
        )
        found = energy_summary(drive, BUILD).budget
        return next((part.sigma_wh for part in found if part.name == "unchecked current"), 0.0)

    assert unchecked(2_000.0) == pytest.approx(0.5 * (2_000.0 - base.value) * 600.0 / 3600.0, rel=0.02)
    assert unchecked(base.value + 2.9 * base.sigma) == 0.0
    assert unchecked(base.value + 3.2 * base.sigma) > 0.0


def test_a_finding_in_doubt_is_as_likely_none_of_it_as_all():
    plain = energy_summary(sine_drive(10.0), BUILD)
    doubted = energy_summary(sine_drive(10.0), BUILD, doubts_wh_per_km={"Torque and current disagree": 6.0})
    whole = 6.0 * 12.0  # Wh/km over 12 km
    assert part_of(doubted, "doubt") == pytest.approx(whole / np.sqrt(3.0))
    assert doubted.net_wh.sigma == pytest.approx(np.hypot(plain.net_wh.sigma, whole / np.sqrt(3.0)))
    assert "72 Wh in doubt" in doubted.net_wh.source


@pytest.mark.parametrize(
    ("duration_s", "speed_m_per_s", "is_given"),
    [(185.0, 20.0, True), (178.0, 20.0, False), (600.0, 2.75, True), (600.0, 2.65, False)],
)
def test_a_mile_and_three_minutes_are_the_least_to_the_meter_and_the_second(duration_s, speed_m_per_s, is_given):
    time_s = np.arange(0.0, duration_s + 0.05, 0.1)
    drive = made_drive(
        ("pack_power", time_s, np.full(time_s.shape, 9000.0)),
        ("speed", time_s, np.full(time_s.shape, speed_m_per_s)),
    )
    assert isinstance(energy_summary(drive, BUILD).net_wh_per_km, Estimate) is is_given


@pytest.mark.parametrize(("crawl_m_per_s", "moving_s"), [(0.29, 0.0), (0.31, 600.0)])
def test_in_motion_is_from_three_tenths_of_a_meter_per_second(crawl_m_per_s, moving_s):
    time_s = np.arange(0.0, 600.05, 0.1)
    drive = made_drive(
        ("pack_power", time_s, np.full(time_s.shape, 500.0)), ("speed", time_s, np.full(time_s.shape, crawl_m_per_s))
    )
    assert energy_summary(drive, BUILD).moving_s == pytest.approx(moving_s, abs=0.1)


def test_samples_that_are_not_known_are_a_gap_like_samples_that_are_not_there():
    drive, time_s = sine_drive(10.0), np.arange(0.0, 600.05, 0.1)
    value = drive["pack_current"].value.copy()
    value[(time_s > 200.0) & (time_s < 220.0)] = np.nan
    holed = energy_summary(drive.with_channels(replace(drive["pack_current"], value=value)), BUILD)
    spread_w = 360.0 * 100.0 / np.sqrt(2.0)
    assert part_of(holed, "gaps") == pytest.approx(spread_w * 20.0 / 3600.0, rel=0.03)
    assert part_of(energy_summary(drive, BUILD), "gaps") == 0.0


def test_regenerated_energy_is_judged_by_thinned_samples_too():
    rng, time_s = np.random.default_rng(8), np.arange(0.0, 600.0, 0.5)
    watts = 4e3 + 12e3 * np.sin(time_s / 2.0) + rng.normal(0.0, 2e3, time_s.size)
    drive = made_drive(
        ("pack_power", time_s, watts),
        ("speed", time_s, np.full(time_s.shape, 20.0)),
        ("state_of_charge", time_s, np.full(time_s.shape, 0.5)),
    )
    summary, apart = energy_summary(drive, BUILD), []

    def negative(own_s, own):
        fine_s = np.linspace(own_s[0], own_s[-1], 600_001)
        return np.trapezoid(np.minimum(np.interp(fine_s, own_s, own), 0.0), fine_s)

    for stride, factor in ((2, 0.6), (4, 0.3)):
        for phase in range(stride):
            own_s, own = time_s[phase::stride], watts[phase::stride]
            share = (time_s[-1] - time_s[0]) / (own_s[-1] - own_s[0])
            apart.append(factor * (negative(own_s, own) * share - negative(time_s, watts)))
    sampling = np.sqrt(np.mean(np.square(apart))) / 3600.0
    gain = np.hypot(BUILD.instruments.voltage_gain_ratio.sigma, BUILD.instruments.current_gain_ratio.sigma)
    parts = gain * summary.regenerated_wh.value, sampling, 0.3 * part_of(summary, "offset")
    assert summary.regenerated_wh.sigma == pytest.approx(np.hypot.reduce(parts), rel=1e-4)

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

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
    assert summary.power_source == "voltage x current"


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
    assert "5.0% of the time filled" in energy_summary(gap_drive(30.0), BUILD).net_wh.source
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
    assert "88% of the driving time" in summary.net_wh.reason
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
    assert summary.power_source == "pack_power"
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
    assert "0 m" in summary.net_wh_per_km.reason

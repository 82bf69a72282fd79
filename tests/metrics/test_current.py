from dataclasses import replace

import numpy as np
import pytest

from logan.metrics.current import allowed_current_a, current_summary
from logan.results import Refusal, Severity
from logan.settings import Conductor, DurationCurve, LimitSheet
from tests.builds import example_build
from tests.twin_drives import made_drive

FUSE = DurationCurve(component="fuse", duration_s=(1.0, 10.0, 100.0), current_a=(800.0, 400.0, 200.0))


def pulse_drive(rate_hz: float = 20.0, peak_a: float = 500.0, **fields):
    """100 s at 50 A, 10 s at the peak, 10 s of 200 A regen, then 50 A."""
    time_s = np.arange(0.0, 300.0, 1.0 / rate_hz)
    current = np.full(time_s.shape, 50.0)
    current[(time_s >= 100.0) & (time_s < 110.0)] = peak_a
    current[(time_s >= 150.0) & (time_s < 160.0)] = -200.0
    return made_drive(
        ("pack_current", time_s, current),
        ("pack_voltage", time_s, np.full(time_s.shape, 350.0)),
        ("speed", time_s, np.full(time_s.shape, 25.0)),
        ("state_of_charge", time_s, np.full(time_s.shape, 0.6)),
        ("motor_current", time_s, np.abs(current) * 1.2),
        **fields,
    )


def summary_of(drive, *curves, conductors=()):
    return current_summary(drive, example_build(limits=LimitSheet(curves=curves, conductors=conductors)))


def duration(summary, channel, direction):
    return next(one for one in summary.durations if (one.channel, one.direction) == (channel, direction))


def test_duration_curve_of_discharge_charge_and_motor():
    summary = summary_of(pulse_drive())
    discharge, charge = (duration(summary, "pack_current", way) for way in ("discharge", "charge"))
    at = {point.window_s: point for point in discharge.points}
    assert at[5.0].mean_a == pytest.approx(500.0, rel=1e-3)
    assert at[30.0].rms_a == pytest.approx(np.sqrt((10 * 500**2 + 20 * 50**2) / 30), rel=1e-2)
    assert at[30.0].i2t_a2s == pytest.approx(at[30.0].rms_a ** 2 * 30.0)
    assert charge.peak.sampled_a == 200.0
    assert duration(summary, "motor_current", "both").peak.sampled_a == pytest.approx(600.0)


def test_closest_approach_names_window_time_and_load():
    (approach,) = summary_of(pulse_drive(), FUSE).approaches
    assert approach.window_s == 10.0
    assert approach.current_a == pytest.approx(500.0, rel=5e-3)
    assert approach.used_ratio == pytest.approx(500.0 / 400.0, rel=5e-3)
    assert approach.severity is Severity.RED
    assert approach.caution
    assert approach.context.at_s == pytest.approx(110.0, abs=0.1)
    assert approach.context.speed_m_per_s == 25.0
    assert approach.context.state_of_charge_ratio == 0.6


def test_below_nine_tenths_of_the_curve_nothing_is_flagged():
    (approach,) = summary_of(pulse_drive(peak_a=300.0), FUSE).approaches
    assert approach.severity is None
    assert approach.caution == ""
    (near,) = summary_of(pulse_drive(peak_a=380.0), FUSE).approaches
    assert near.severity is Severity.AMBER


def test_a_peak_curve_counts_the_sampled_peak():
    contactor = replace(FUSE, component="contactor", quantity="peak", current_a=(450.0, 450.0, 450.0))
    (approach,) = summary_of(pulse_drive(), contactor).approaches
    assert approach.used_ratio == pytest.approx(500.0 / 450.0)


def test_a_curve_of_a_motor_is_held_against_its_motor():
    cable = replace(FUSE, component="phase cable", channel="motor_current", direction="discharge")
    (approach,) = summary_of(pulse_drive(), cable).approaches
    assert approach.channel == "motor_current"
    assert approach.current_a == pytest.approx(600.0, rel=5e-3)


def test_a_curve_whose_current_is_not_logged_is_named():
    summary = summary_of(pulse_drive(), replace(FUSE, channel="motor_current_2"))
    assert summary.approaches == ()
    assert "fuse: motor_current_2 is not logged" in summary.notes


def test_without_curves_the_summary_says_no_limit_given():
    assert any(note.startswith("no limit given") for note in summary_of(pulse_drive()).notes)


def test_allowed_current_is_straight_in_logarithms():
    assert allowed_current_a(FUSE, np.sqrt(10.0)) == pytest.approx(np.sqrt(800.0 * 400.0))
    assert allowed_current_a(FUSE, 0.01) == pytest.approx(800.0)
    assert allowed_current_a(FUSE, 1e4) == pytest.approx(200.0)


def test_a_peak_of_an_averaged_or_slow_log_is_a_lower_bound():
    averaged = duration(summary_of(pulse_drive(is_averaged=True)), "pack_current", "discharge").peak
    assert averaged.is_lower_bound
    assert averaged.note == "lower bound: the log holds averages"
    slow = duration(summary_of(pulse_drive(rate_hz=1.0)), "pack_current", "discharge").peak
    assert slow.is_lower_bound
    assert "one sample every 1 s" in slow.note
    fast = duration(summary_of(pulse_drive()), "pack_current", "discharge").peak
    assert not fast.is_lower_bound


def test_the_upper_bound_adds_half_a_period_of_the_steepest_slew():
    time_s = np.arange(0.0, 10.0, 0.1)
    drive = made_drive(("pack_current", time_s, 100.0 + 50.0 * (time_s % 2.0)))
    peak = duration(summary_of(drive), "pack_current", "discharge").peak
    steepest = np.max(np.abs(np.diff(100.0 + 50.0 * (time_s % 2.0)))) / 0.1
    assert peak.upper_bound_a == pytest.approx(peak.sampled_a + 0.5 * steepest * 0.1)


def test_conductor_heating_is_adiabatic_over_the_hardest_half_minute():
    cable = Conductor(name="main cable", material="copper", area_mm2=50.0, start_degc=40.0, limit_degc=45.0)
    (heating,) = summary_of(pulse_drive(), conductors=(cable,)).conductors
    i2t = heating.rms_a**2 * heating.window_s
    assert heating.window_s == 30.0
    assert heating.end_degc == pytest.approx((40 + 234.5) * np.exp(i2t / (226 * 50) ** 2) - 234.5)
    assert heating.severity is Severity.RED
    # The current that would just reach the limit in that window does so.
    reached = (40 + 234.5) * np.exp(heating.withstand_a**2 * 30.0 / (226 * 50) ** 2) - 234.5
    assert reached == pytest.approx(45.0)


def test_a_conductor_that_starts_beyond_its_limit_takes_no_current():
    cable = Conductor(name="main cable", material="copper", area_mm2=50.0, start_degc=60.0, limit_degc=45.0)
    (heating,) = summary_of(pulse_drive(), conductors=(cable,)).conductors
    assert heating.withstand_a is None
    assert heating.severity is Severity.RED


def test_dwell_times_add_up_to_the_drive():
    (dwell, _) = summary_of(pulse_drive()).dwell
    assert sum(dwell.time_s) == pytest.approx(300.0, abs=0.1)
    assert len(dwell.edges_a) == len(dwell.time_s) + 1
    beyond_400_s = sum(time_s for edge, time_s in zip(dwell.edges_a, dwell.time_s, strict=False) if edge >= 400.0)
    assert beyond_400_s == pytest.approx(10.0, abs=0.2)


def test_windows_shorter_than_the_sample_period_are_left_out():
    summary = summary_of(pulse_drive(rate_hz=1.0))
    assert duration(summary, "pack_current", "both").points[0].window_s == 1.0
    assert "windows shorter than the sample period are left out" in summary.notes


def test_a_flag_on_the_current_refuses_all_of_it():
    refusal = Refusal("the current sensor saturates", "fit a larger one")
    summary = current_summary(pulse_drive(), example_build(), refusals={"rms_current": refusal})
    assert summary.durations == ()
    assert summary.notes == ("current refused: the current sensor saturates",)


def test_a_flag_on_the_peak_leaves_the_windows():
    refusal = Refusal("the log is averaged", "log faster")
    whole = current_summary(pulse_drive(), example_build())
    summary = current_summary(pulse_drive(), example_build(), refusals={"peak_current": refusal})
    assert [each.points for each in summary.durations] == [each.points for each in whole.durations]
    assert {each.peak.refusal for each in summary.durations} == {"the log is averaged"}
    assert "peak current refused: the log is averaged" in summary.notes

"""Duration curves, peaks and dwell of current, each against its own arithmetic."""

from dataclasses import replace

import numpy as np
import pytest

from logan.metrics.current import METRIC, WINDOWS_S, allowed_current_a, current_summary
from logan.settings import Conductor, DurationCurve, LimitSheet
from tests.builds import example_build
from tests.twin_drives import made_drive


def ramp_drive(rate_hz=10.0, *, low=-300.0, high=600.0, duration_s=600.0, **fields):
    """Current that rises straight from low to high: every figure of it is a polynomial."""
    time_s = np.arange(0.0, duration_s + 1e-9, 1.0 / rate_hz)
    return made_drive(("pack_current", time_s, low + (high - low) * time_s / duration_s), **fields)


def summary_of(drive, *curves, conductors=()):
    return current_summary(drive, example_build(limits=LimitSheet(curves=curves, conductors=conductors)))


def side(summary, direction, channel="pack_current"):
    return next(one for one in summary.durations if (one.channel, one.direction) == (channel, direction))


def test_the_windows_are_those_of_the_method():
    assert WINDOWS_S == (
        0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 18.0, 30.0, 60.0, 120.0, 180.0, 300.0, 600.0, 1200.0, 1800.0,
    )  # fmt: skip
    shown = tuple(point.window_s for point in side(summary_of(ramp_drive()), "both").points)
    assert shown == tuple(window for window in WINDOWS_S if window <= 600.0)


def test_mean_rms_and_heat_of_a_ramp_by_its_polynomial():
    summary, slope = summary_of(ramp_drive()), 900.0 / 600.0
    for window_s in (30.0, 180.0):
        first = 600.0 - slope * window_s
        square = (600.0**3 - first**3) / (3.0 * slope * window_s)
        point = next(one for one in side(summary, "discharge").points if one.window_s == window_s)
        assert point.mean_a == pytest.approx(0.5 * (600.0 + first))
        assert point.rms_a == pytest.approx(np.sqrt(square), rel=1e-5)
        assert point.i2t_a2s == pytest.approx(square * window_s, rel=1e-5)
        assert (point.mean_at_s, point.rms_at_s) == (pytest.approx(600.0), pytest.approx(600.0))
    # The charge falls from 300 A to nothing in 200 s, and is nothing from then on.
    whole = next(one for one in side(summary, "charge").points if one.window_s == 600.0)
    assert whole.mean_a == pytest.approx(0.5 * 300.0 * 200.0 / 600.0, rel=1e-3)
    assert whole.rms_a == pytest.approx(np.sqrt(300.0**2 / 3.0 * 200.0 / 600.0), rel=1e-3)
    both = next(one for one in side(summary, "both").points if one.window_s == 600.0)
    assert both.rms_a**2 == pytest.approx((300.0**3 + 600.0**3) / (3.0 * slope * 600.0), rel=1e-4)


@pytest.mark.parametrize(("rate_hz", "is_bound"), [(20.0, False), (10.0, False), (9.0, True), (2.0, True)])
def test_a_peak_between_samples_is_bounded_by_half_a_period_of_the_steepest_slew(rate_hz, is_bound):
    peak = side(summary_of(ramp_drive(rate_hz)), "discharge").peak
    assert peak.sampled_a == pytest.approx(600.0, abs=1.0)
    assert peak.upper_bound_a - peak.sampled_a == pytest.approx(0.5 * 1.5 / rate_hz, rel=1e-3)
    assert peak.is_lower_bound is is_bound
    assert ("one sample every" in peak.note) is is_bound


def test_a_steady_current_has_no_peak_beyond_its_samples():
    peak = side(summary_of(ramp_drive(low=80.0, high=80.0)), "discharge").peak
    assert peak.upper_bound_a == peak.sampled_a == 80.0


def test_coverage_is_the_share_of_time_between_known_neighbours():
    drive = ramp_drive(1.0)
    value = drive["pack_current"].value.copy()
    value[100:160] = np.nan
    holed = drive.with_channels(replace(drive["pack_current"], value=value))
    assert side(summary_of(holed), "both").coverage_ratio == pytest.approx(1.0 - 61.0 / 600.0)
    assert side(summary_of(drive), "both").coverage_ratio == 1.0


def test_a_curve_is_straight_in_both_logarithms_and_level_beyond_its_ends():
    fuse = DurationCurve(component="fuse", duration_s=(1.0, 100.0), current_a=(800.0, 200.0))
    assert allowed_current_a(fuse, 10.0) == pytest.approx(400.0)
    assert allowed_current_a(fuse, 0.1) == pytest.approx(800.0)
    assert allowed_current_a(fuse, 1_000.0) == pytest.approx(200.0)


def test_a_curve_of_charge_looks_at_charge_alone_and_of_discharge_at_discharge():
    curve = DurationCurve(component="cells", duration_s=(1.0, 1_000.0), current_a=(400.0, 400.0), direction="charge")
    (charge,) = summary_of(ramp_drive(), curve).approaches
    assert charge.current_a == pytest.approx(300.0, rel=0.01)
    (discharge,) = summary_of(ramp_drive(), replace(curve, direction="discharge")).approaches
    assert discharge.current_a == pytest.approx(600.0, rel=0.01)
    assert discharge.used_ratio == pytest.approx(discharge.current_a / 400.0)
    assert discharge.allowed_a == pytest.approx(400.0)


def test_corners_of_a_curve_are_tried_as_windows_of_their_own_and_not_shown():
    corner = DurationCurve(component="fuse", duration_s=(45.0, 4_000.0), current_a=(500.0, 499.0))
    summary = summary_of(ramp_drive(), corner)
    assert 45.0 not in [point.window_s for point in side(summary, "both").points]
    tight = DurationCurve(component="fuse", duration_s=(1.0, 45.0, 46.0), current_a=(9_000.0, 300.0, 9_000.0))
    (approach,) = summary_of(ramp_drive(), tight).approaches
    assert approach.window_s == 45.0


def test_a_conductor_is_heated_by_the_hardest_short_window_of_the_pack_both_ways():
    """Adiabatic, copper (IEC 60949, recomputed): ln((end + 234.5) / (start + 234.5)) = I2t / (226 S)^2."""
    cable = Conductor(name="main cable", material="copper", area_mm2=50.0, start_degc=40.0, limit_degc=90.0)
    time_s = np.arange(0.0, 60.05, 0.1)
    drive = made_drive(
        ("pack_current", time_s, np.where((time_s >= 10.0) & (time_s <= 15.0), -600.0, 0.0)),
        ("motor_current", time_s, np.full(time_s.shape, 2_000.0)),
    )
    (heated,) = summary_of(drive, conductors=(cable,)).conductors
    heat_a2s = heated.rms_a**2 * heated.window_s
    assert heat_a2s == pytest.approx(600.0**2 * 5.07, rel=0.01)
    end = 274.5 * np.exp(heat_a2s / (226.0 * 50.0) ** 2) - 234.5
    assert heated.end_degc == pytest.approx(end, abs=0.2)


@pytest.mark.parametrize(
    ("largest", "width"), [(11.0, 1.0), (13.0, 2.0), (110.0, 10.0), (590.0, 50.0), (2_000.0, 200.0)]
)
def test_time_in_bands_adds_up_and_bands_are_of_round_width(largest, width):
    (dwell,) = summary_of(ramp_drive(low=-largest / 2.0, high=largest)).dwell
    assert np.diff(dwell.edges_a) == pytest.approx(width)
    assert sum(dwell.time_s) == pytest.approx(600.0)
    # A straight rise spends the same time in every whole band.
    inner = dwell.time_s[1:-1]
    assert inner == pytest.approx(np.full(len(inner), width / (1.5 * largest) * 600.0), abs=0.2)


def test_figures_are_the_packs_on_discharge_whatever_flows_the_other_way_or_through_the_motor():
    """Half an hour: 90 A out but for a second of 200 A, 400 A in for ten seconds, 700 A in the motor."""
    time_s = np.arange(0.0, 1_800.0, 0.1)
    current = np.where((time_s >= 100.0) & (time_s < 101.0), 200.0, 90.0)
    current = np.where((time_s >= 300.0) & (time_s < 310.0), -400.0, current)
    drive = made_drive(("pack_current", time_s, current), ("motor_current", time_s, np.full(time_s.shape, 700.0)))
    summary = summary_of(drive)
    figures = METRIC.figures(summary)
    assert sorted(figures) == ["peak_current_a", "rms_current_10_s_a", "rms_current_600_s_a", "rms_current_60_s_a"]
    assert (figures["peak_current_a"].value, figures["peak_current_a"].source) == (200.0, "highest sample")
    assert figures["rms_current_10_s_a"].value == pytest.approx(np.sqrt(0.1 * 200.0**2 + 0.9 * 90.0**2), rel=5e-3)
    assert [one.direction for one in summary.durations if one.channel == "motor_current"] == ["both"]
    averaged = METRIC.figures(summary_of(replace(drive, is_averaged=True)))["peak_current_a"]
    assert averaged.source == "lower bound: the log holds averages"


def test_no_current_is_none_of_what_a_curve_allows_for_its_window():
    time_s = np.arange(0.0, 60.0, 0.1)
    curve = DurationCurve(component="fuse", duration_s=(1.0, 10.0), current_a=(300.0, 100.0))
    peak = replace(curve, quantity="peak", duration_s=(100.0, 200.0))
    summary = summary_of(made_drive(("pack_current", time_s, np.zeros(time_s.shape))), curve, peak)
    assert [(one.used_ratio, one.allowed_a) for one in summary.approaches] == [
        (0.0, pytest.approx(100.0)), (0.0, pytest.approx(300.0)),
    ]  # fmt: skip
    assert {one.peak.sampled_a for one in summary.durations} == {0.0}
    assert not any("not logged" in note for note in summary.notes)
    assert "current: not logged" in summary_of(made_drive(("speed", time_s, np.zeros(time_s.shape)))).notes


def test_a_curve_of_rms_looks_at_rms_and_a_curve_of_peaks_at_means():
    """Ten seconds of 300 A and ten of nothing, over and over: the mean of a minute is 150 A, its RMS 212 A."""
    time_s = np.arange(0.0, 300.0, 0.1)
    drive = made_drive(("pack_current", time_s, np.where(time_s % 20.0 < 10.0, 300.0, 0.0)))
    rms = DurationCurve(component="fuse", duration_s=(59.0, 60.0), current_a=(9e5, 400.0))
    long = {"duration_s": (60.0, 60.1), "current_a": (9e5, 400.0)}
    by_rms, by_mean = summary_of(drive, rms, replace(rms, quantity="peak", **long)).approaches
    assert by_rms.current_a == pytest.approx(300.0 / np.sqrt(2.0), rel=0.02)
    assert by_mean.current_a == pytest.approx(150.0, rel=0.02)


def test_a_peak_stands_for_no_time_and_a_heated_conductor_for_both_ways_together():
    """600 A out for 2.5 s and in for 2.5 s: 5 s of heat. The peak of one sample stands against the shortest time."""
    time_s = np.arange(0.0, 60.05, 0.1)
    out, back = (time_s >= 10.0) & (time_s < 12.5), (time_s >= 12.5) & (time_s < 15.0)
    drive = made_drive(("pack_current", time_s, np.where(out, 600.0, np.where(back, -600.0, 0.0))))
    cable = Conductor(name="main cable", material="copper", area_mm2=50.0, start_degc=40.0, limit_degc=90.0)
    curve = DurationCurve(component="fuse", duration_s=(1.0, 10.0), current_a=(700.0, 650.0), quantity="peak")
    summary = summary_of(drive, curve, conductors=(cable,))
    (heated,) = summary.conductors
    assert heated.rms_a**2 * heated.window_s == pytest.approx(600.0**2 * 5.0, rel=0.03)
    spike = np.where(np.arange(time_s.size) == 300, 680.0, 0.0)
    (approach,) = summary_of(made_drive(("pack_current", time_s, spike)), curve).approaches
    assert (approach.window_s, approach.current_a, approach.allowed_a) == (0.0, 680.0, pytest.approx(700.0))


def test_bands_of_time_leave_out_what_is_not_known_and_reach_no_further_than_the_current():
    time_s = np.arange(0.0, 60.05, 0.1)
    drive = made_drive(("pack_current", time_s, np.where(time_s < 5.0, np.nan, -110.0)))
    (dwell,) = summary_of(drive).dwell
    assert (dwell.edges_a[0], dwell.edges_a[-1]) == (-110.0, 0.0)
    assert np.diff(dwell.edges_a) == pytest.approx(10.0)
    assert sum(dwell.time_s) == pytest.approx(55.0, abs=0.11)

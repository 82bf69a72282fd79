import numpy as np
import pytest

from logan.drive.context import ContextLookup
from logan.drive.drive import DriveConditions
from tests.twin_drives import made_drive

TIME_S = np.arange(0.0, 100.0, 1.0)


def test_the_context_of_a_moment():
    drive = made_drive(
        ("speed", TIME_S, TIME_S),
        ("pack_power", TIME_S, 100.0 * TIME_S),
        ("grade", TIME_S, np.full(TIME_S.shape, 0.03)),
        ("state_of_charge", TIME_S[::10], 0.9 - TIME_S[::10] / 1000.0),
        ("ambient_temperature", TIME_S, np.full(TIME_S.shape, 0.0)),
    )
    context = ContextLookup(drive).at(42.3)
    assert (context.speed_m_per_s, context.power_w, context.grade_ratio) == (42.0, 4200.0, 0.03)
    assert context.state_of_charge_ratio == pytest.approx(0.86)
    # Zero degrees are a temperature, not a missing one.
    assert context.ambient_degc == 0.0


def test_what_is_not_logged_is_none_and_what_was_noted_stands_in():
    drive = made_drive(("gnss_speed", TIME_S, TIME_S), conditions=DriveConditions(ambient_temperature_degc=7.0))
    context = ContextLookup(drive).at(50.0)
    assert context.speed_m_per_s == 50.0
    assert context.ambient_degc == 7.0
    assert (context.power_w, context.grade_ratio, context.state_of_charge_ratio) == (None, None, None)


def test_a_sample_far_away_is_no_context():
    drive = made_drive(("speed", TIME_S[:10], TIME_S[:10]))
    assert ContextLookup(drive).at(90.0).speed_m_per_s is None


def test_a_slope_that_is_not_logged_comes_from_height_over_the_road():
    """Level for 1000 m, then 5 % uphill; at the ends the stretch is shorter, not flatter."""
    travelled = 20.0 * TIME_S
    height = 100.0 + 0.05 * np.maximum(travelled - 1000.0, 0.0)
    lookup = ContextLookup(made_drive(("speed", TIME_S, np.full(TIME_S.shape, 20.0)), ("elevation", TIME_S, height)))
    assert lookup.at(20.0).grade_ratio == pytest.approx(0.0, abs=1e-9)
    assert lookup.at(50.0).grade_ratio == pytest.approx(0.025, abs=1e-6)
    assert lookup.at(70.0).grade_ratio == pytest.approx(0.05)
    assert lookup.at(99.0).grade_ratio == pytest.approx(0.05)
    # Too short a way for any slope.
    short = made_drive(("speed", TIME_S, np.full(TIME_S.shape, 1.0)), ("elevation", TIME_S, height))
    assert ContextLookup(short).at(50.0).grade_ratio is None

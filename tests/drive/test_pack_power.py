import numpy as np
import pytest

from logan.drive.drive import is_charging_at, pack_power
from tests.twin_drives import made_drive


def test_voltage_and_current_of_one_message_are_multiplied_where_they_are():
    time_s = np.arange(0.0, 10.0, 0.5)
    power = pack_power(made_drive(("pack_voltage", time_s, 400.0 + time_s), ("pack_current", time_s, 10.0 * time_s)))
    assert np.array_equal(power.time_s, time_s)
    assert power.power_w == pytest.approx((400.0 + time_s) * 10.0 * time_s)


def test_voltage_and_current_of_two_messages_are_multiplied_on_the_union_of_their_times():
    volts_s, amperes_s = np.arange(0.0, 10.0, 1.0), np.arange(0.25, 10.0, 0.5)
    power = pack_power(made_drive(("pack_voltage", volts_s, 400.0 - volts_s), ("pack_current", amperes_s, amperes_s)))
    assert power.time_s.size == volts_s.size + amperes_s.size
    known = np.isfinite(power.power_w)
    at_s = power.time_s[known]
    assert power.power_w[known] == pytest.approx((400.0 - at_s) * at_s)
    assert not known[0]


def test_inside_a_gap_of_either_power_is_not_known():
    time_s = np.arange(0.0, 60.0, 0.5)
    holed = time_s[(time_s < 20.0) | (time_s > 40.0)]
    drive = made_drive(
        ("pack_voltage", holed, np.full(holed.shape, 400.0)), ("pack_current", time_s, np.full(time_s.shape, 10.0))
    )
    power = pack_power(drive)
    inside = (power.time_s > 20.0) & (power.time_s < 40.0)
    assert np.isnan(power.power_w[inside]).all()


def test_logged_power_stands_in_and_nothing_gives_nothing():
    time_s = np.arange(0.0, 10.0, 1.0)
    assert pack_power(made_drive(("pack_power", time_s, 5.0 * time_s))).source == "pack_power"
    assert pack_power(made_drive(("pack_voltage", time_s, time_s))) is None


def test_the_plug_signal_decides_about_charging():
    time_s = np.arange(0.0, 100.0, 1.0)
    drive = made_drive(("charging", time_s, (time_s >= 50.0).astype(float)))
    assert is_charging_at(drive, np.array([10.0, 49.0, 50.0, 99.0])).tolist() == [False, False, True, True]


def test_without_a_plug_signal_standing_with_power_flowing_in_is_charging():
    time_s = np.arange(0.0, 400.0, 1.0)
    parked = time_s >= 200.0
    drive = made_drive(
        ("pack_power", time_s, np.where(parked, -3000.0, -5000.0)), ("speed", time_s, np.where(parked, 0.0, 20.0))
    )
    assert is_charging_at(drive, np.array([100.0, 300.0])).tolist() == [False, True]
    short = made_drive(
        ("pack_power", time_s, np.where(time_s > 360.0, -3000.0, 500.0)), ("speed", time_s, np.zeros(time_s.shape))
    )
    assert not is_charging_at(short, np.array([380.0])).any()

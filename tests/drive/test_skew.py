import numpy as np
import pytest

from logan.drive.drive import Channel
from logan.drive.skew import LagEstimate, current_lag
from logan.results import Refusal
from tests.drive.twins import urban_drive


@pytest.mark.parametrize("lag_s", [-0.25, 0.0, 0.12, 0.4])
def test_a_lag_between_voltage_and_current_is_recovered_to_30_ms(lag_s):
    drive = urban_drive(current_lag_s=lag_s)
    found = current_lag(drive["pack_voltage"], drive["pack_current"])
    assert isinstance(found, LagEstimate)
    assert found.lag_s == pytest.approx(lag_s, abs=0.03)
    assert found.low_s - 0.005 <= lag_s <= found.high_s + 0.005
    assert found.r2_ratio > 0.9
    assert found.is_significant == (lag_s != 0.0)


def test_unrelated_channels_have_no_lag():
    rng = np.random.default_rng(5)
    time_s = np.arange(0, 600, 0.1)
    voltage = Channel(name="pack_voltage", time_s=time_s, value=360 + rng.normal(0, 1, time_s.size))
    current = Channel(name="pack_current", time_s=time_s, value=rng.normal(0, 50, time_s.size))
    found = current_lag(voltage, current)
    assert isinstance(found, Refusal) or not found.is_significant


def test_slow_or_short_logs_are_refused():
    time_s = np.arange(0, 600, 2.0)
    slow = Channel(name="pack_voltage", time_s=time_s, value=np.full(time_s.shape, 360.0))
    refusal = current_lag(slow, slow)
    assert isinstance(refusal, Refusal)
    assert "at least 2 Hz" in refusal.reason
    time_s = np.arange(0, 30, 0.1)
    short = Channel(name="pack_voltage", time_s=time_s, value=np.full(time_s.shape, 360.0))
    assert isinstance(current_lag(short, short), Refusal)


def test_gaps_in_the_log_do_not_spoil_the_lag():
    drive = urban_drive(current_lag_s=0.2)
    old = drive["pack_current"]
    holes = (old.time_s > 100) & (old.time_s < 130)
    holed = Channel(name="pack_current", time_s=old.time_s[~holes], value=old.value[~holes])
    found = current_lag(drive["pack_voltage"], holed)
    assert isinstance(found, LagEstimate)
    assert found.lag_s == pytest.approx(0.2, abs=0.03)

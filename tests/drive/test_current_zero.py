import numpy as np
import pytest

from logan.drive.drive import Channel
from logan.drive.skew import contactor_open_offset
from logan.results import Estimate, Refusal
from tests.drive.twins import urban_drive


def test_an_offset_shows_with_the_contactors_open():
    time_s = np.arange(0.0, 100.0, 0.1)
    rng = np.random.default_rng(1)
    current = np.where(time_s < 40.0, 0.8, 30.0) + rng.normal(0, 0.1, time_s.size)
    current[(time_s > 39.0) & (time_s < 41.0)] = 200.0  # pre-charge
    channels = {
        "pack_current": Channel(name="pack_current", time_s=time_s, value=current),
        "contactor_closed": Channel(name="contactor_closed", time_s=time_s, value=(time_s >= 40.0).astype(float)),
    }
    found = contactor_open_offset(channels)
    assert isinstance(found, Estimate)
    assert found.value == pytest.approx(0.8, abs=0.05)
    assert 0.0 < found.sigma < 0.1


def test_without_contactors_nothing_is_said():
    channels = {"pack_current": urban_drive()["pack_current"]}
    assert isinstance(contactor_open_offset(channels), Refusal)

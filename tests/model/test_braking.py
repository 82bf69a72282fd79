import numpy as np
import pytest

from logan.drive.drive import Channel
from logan.model.balance import segment_drive
from tests.builds import example_build
from tests.model.simple_drives import channel, smooth_drive


@pytest.fixture(scope="module")
def build():
    return example_build()


def with_capped_regen(drive, limit_w):
    """The same motion, but the pack takes back no more than ``limit_w``: friction does the rest."""
    current, voltage = drive["pack_current"], drive["pack_voltage"].value
    capped = np.maximum(current.value * voltage, -limit_w) / voltage
    return drive.with_channels(Channel(name="pack_current", time_s=current.time_s, value=capped))


def lost_j(drive, capped, build):
    """Work at the wheels that no longer comes back."""
    power, less = (d["pack_current"].value * d["pack_voltage"].value for d in (drive, capped))
    regen = build.powertrain.regen_efficiency.value
    return float(np.sum(less - power) * 0.1 / regen)


def test_no_friction_is_seen_where_regen_took_it_all(build):
    drive = smooth_drive(build, without=("brake_switch",), swing=14.0)
    assert segment_drive(drive, build).brake_j.sum() == 0.0


def test_unlogged_friction_beyond_a_regen_cap_is_found(build):
    drive = smooth_drive(build, without=("brake_switch",), swing=14.0)
    capped = with_capped_regen(drive, 8_000.0)
    found_j = segment_drive(capped, build).brake_j.sum()
    assert found_j == pytest.approx(lost_j(drive, capped, build), rel=0.15)


def test_a_logged_brake_that_was_never_pressed_rules_friction_out(build):
    drive = smooth_drive(build, swing=14.0)
    assert segment_drive(with_capped_regen(drive, 8_000.0), build).brake_j.sum() == 0.0


def test_a_pressed_brake_lets_friction_in(build):
    drive = with_capped_regen(smooth_drive(build, swing=14.0), 8_000.0)
    time_s = drive["speed"].time_s
    slowing = np.gradient(drive["speed"].value, time_s) < -0.2
    by_switch = drive.with_channels(channel("brake_switch", time_s, slowing))
    by_pressure = Channel(name="brake_pressure", time_s=time_s, value=np.where(slowing, 2e6, 0.0))
    without_switch = smooth_drive(build, swing=14.0, without=("brake_switch",), extra=(by_pressure,))
    for braked in (by_switch, with_capped_regen(without_switch, 8_000.0)):
        segments = segment_drive(braked, build)
        assert segments.brakes_logged
        assert segments.brake_j.sum() > 0.5 * lost_j(smooth_drive(build, swing=14.0), drive, build)
